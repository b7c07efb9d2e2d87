package bench

import (
	"bytes"
	"errors"
	"fmt"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/pad"
	"downhaul/interlock/records/recording"
	"downhaul/interlock/records/session"
	"downhaul/interlock/records/triplog"
	"downhaul/rules"
)

// Equality is the comparison of a session's trip log with its replay.
type Equality struct {
	// Claimed reports whether the recording is complete enough to claim anything;
	// Why says why not.
	Claimed bool   `json:"claimed"`
	Why     string `json:"why,omitempty"`
	Holds   bool   `json:"holds"`
	// Decisions counts those of the log, Replayed those of the replay.
	Decisions int `json:"decisions"`
	Replayed  int `json:"replayed"`
	// First is the number of the first that differs, from 1, with both texts.
	First int    `json:"first_difference,omitempty"`
	Log   string `json:"log,omitempty"`
	Here  string `json:"replay,omitempty"`
}

// Says is the comparison in one sentence.
func (e *Equality) Says() string {
	switch {
	case e.Claimed && e.Holds:
		return fmt.Sprintf("replay equals live: %d decisions, byte for byte", e.Decisions)
	case e.Claimed:
		return fmt.Sprintf("REPLAY DIFFERS from live at decision %d", e.First)
	case e.Holds:
		return "the decisions agree, but equality is not claimed: " + e.Why
	}
	return "replay equality is not claimed: " + e.Why
}

// SessionSetup is the setup that a session ran with.
func SessionSetup(s *session.Session) (Setup, error) {
	padText, err := s.Text(session.Pad)
	if err != nil {
		return Setup{}, err
	}
	envText, err := s.Text(session.Envelope)
	if err != nil {
		return Setup{}, err
	}
	p, faults := pad.Read(session.Pad, padText)
	if len(faults) > 0 {
		return Setup{}, faults
	}
	env, faults := rules.ReadEnvelope(session.Envelope, envText)
	if len(faults) > 0 {
		return Setup{}, faults
	}
	return Setup{Envelope: env, Site: p.Site(), Intake: p.Intake()}, nil
}

// ReplaySession replays a session with its own files and compares the
// decisions with those of its trip log.
func ReplaySession(s *session.Session, options ...Option) (*Result, error) {
	setup, err := SessionSetup(s)
	if err != nil {
		return nil, err
	}
	return ReplayAs(s, setup, options...)
}

// ReplayAs is ReplaySession with a setup that the caller answers for: where the
// session's own files can no longer be had as they were read.
func ReplayAs(s *session.Session, setup Setup, options ...Option) (*Result, error) {
	logged, why, err := loggedDecisions(s)
	if err != nil {
		return nil, err
	}
	if setup.Site.PowerUp, err = cameUp(logged); err != nil {
		return nil, err
	}
	parts, err := recording.Parts(s.Dir)
	if err != nil {
		return nil, err
	}
	var asked pass
	for _, o := range options {
		o(&asked)
	}
	how := []recording.Option{recording.Counting(asked.count)}
	if !asked.toDamage {
		how = append(how, recording.PastDamage())
	}
	rec, err := recording.OpenParts(parts, how...)
	if err != nil {
		return nil, err
	}
	defer rec.Close()
	eq := &Equality{Claimed: why == "", Why: why, Holds: true, Decisions: len(logged)}
	var text []byte
	out, err := replay(s.Dir, rec, setup, func(_ time.Duration, effects []interlock.Effect) {
		for _, f := range effects {
			text = interlock.AppendDecision(text[:0], setup.Envelope, f)
			eq.compare(logged, text)
		}
	}, options...)
	if err != nil {
		return nil, err
	}
	if eq.Replayed < len(logged) && eq.Holds {
		eq.Holds, eq.First, eq.Log = false, eq.Replayed+1, string(logged[eq.Replayed])
	}
	if info := rec.Info(); eq.Claimed && info.Damages > 0 {
		eq.Claimed, eq.Why = false, fmt.Sprintf("the recording is damaged at byte %d, behind %.3f s", info.Damaged[0].Offset, info.Damaged[0].After.Seconds())
	}
	if info := rec.Info(); eq.Claimed && (info.Gaps > 0 || len(parts) == 0) {
		eq.Claimed, eq.Why = false, fmt.Sprintf("%d chunks are missing in the recording from %.3f s on", info.Missing, info.FirstGapAt.Seconds())
	}
	if info := rec.Info(); eq.Claimed && info.Backwards+info.Set > 0 {
		eq.Claimed, eq.Why = false, "the recording's times run back, which its writer never does: it is damaged"
	}
	if by := asked.software; eq.Claimed && !eq.Holds && by != "" && by != s.Info.Software {
		eq.Claimed = false
		eq.Why = fmt.Sprintf("decision %d differs, but %q recorded the session and this is %q, which may decide otherwise; replay it with the program that recorded it", eq.First, s.Info.Software, by)
	}
	out.Equal = eq
	out.Notes = append(out.Notes, unreadBatteries(parts, setup.Intake.Craft)...)
	return out, nil
}

func (e *Equality) compare(logged [][]byte, here []byte) {
	i := e.Replayed
	e.Replayed++
	if !e.Holds || i < len(logged) && bytes.Equal(logged[i], here) {
		return
	}
	e.Holds, e.First, e.Here = false, i+1, string(here)
	if i < len(logged) {
		e.Log = string(logged[i])
	}
}

// InWordsOfNow returns a decision of a log in a copy of its own, in the words of this
// version: until November 2026 the reason of a rule was called otherwise there.
func InWordsOfNow(text []byte) []byte {
	return bytes.Replace(text, []byte(`,"reason":"limit left"`), []byte(`,"reason":"past a limit"`), 1)
}

// loggedDecisions is every decision of the trip log in order. why is not empty
// when the log itself lost lines or does not end.
func loggedDecisions(s *session.Session) (decisions [][]byte, why string, err error) {
	parts, err := s.TripParts()
	if err != nil {
		return nil, "", err
	}
	if len(parts) == 0 {
		return nil, "", errors.New("the session has no trip log")
	}
	if len(parts) > 1 {
		why = "the trip log had to change to another file"
	}
	ended := false
	for _, name := range parts {
		for line, err := range triplog.FileLines(name) {
			if err != nil {
				why = err.Error()
				break
			}
			switch line.Kind {
			case triplog.KindDecision:
				decisions = append(decisions, InWordsOfNow(line.Decision))
			case triplog.KindLost:
				why = "the trip log says that records were lost"
			case triplog.KindEnded:
				ended = true
			}
		}
	}
	if !ended && why == "" {
		why = "the session has no end on record"
	}
	return decisions, why, nil
}

// cameUp reads from the first decision how the session came up.
func cameUp(logged [][]byte) (interlock.PowerUp, error) {
	for _, d := range logged {
		switch {
		case !bytes.Contains(d, []byte(`"kind":"state"`)):
		case bytes.Contains(d, []byte(`"from":"tripped"`)):
			return interlock.EndedInTrip, nil
		case bytes.Contains(d, []byte(`"from":"fault"`)):
			return interlock.EndedInFault, nil
		default:
			return interlock.EndedCleanly, nil
		}
	}
	return 0, errors.New("the trip log has no state to begin with")
}
