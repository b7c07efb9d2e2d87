package session

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/records/plain"
	"downhaul/interlock/records/triplog"
)

// How says how a session ended.
type How string

// The ways to end.
const (
	Clean      How = "ended in order"
	NotEnded   How = "broke off"      // without its `ended` record
	InTrip     How = "in a trip"      // latched and not reset, ended in order or not
	InFault    How = "in a fault"     // a self-test had failed
	Mismatch   How = "not as noted"   // it does not match what was noted outside its folder
	Unreadable How = "not to be read" // so nobody knows
)

// Ending is how one session ended.
type Ending struct {
	Session string
	Dir     string
	How     How
	State   string        // last state of the latch in its log, empty if none
	At      time.Duration // engine time of the last line
	Log     triplog.Report
	Says    string // one plain sentence, with what to do where there is something
	noted   bool   // the line asked for stands in the log
	mended  bool   // behind it the latch left a fault
}

// ComesUp is the latch state that the next session starts in: "tripped",
// "fault", or empty for a start as on any power-up.
func (e Ending) ComesUp() string {
	switch e.How {
	case Clean:
		return ""
	case InFault:
		return interlock.Fault.String()
	}
	return interlock.Tripped.String()
}

// all opens every session of the log folder; broken are those whose session.json
// cannot be read although they got as far as a trip log.
func all(logFolder string) (sessions []*Session, broken []Ending, err error) {
	var names []string
	if err := plain.Names(logFolder, func(name string) { names = append(names, name) }); err != nil {
		return nil, nil, explain("look for earlier sessions", logFolder, err)
	}
	slices.Sort(names)
	for _, name := range names {
		dir := filepath.Join(logFolder, name)
		if info, err := os.Lstat(dir); err != nil || !info.IsDir() || strings.HasPrefix(name, removing) {
			continue
		}
		s, err := Open(dir)
		if err == nil {
			sessions = append(sessions, s)
			continue
		}
		if _, serr := os.Stat(filepath.Join(dir, triplog.PartName(1))); errors.Is(serr, fs.ErrNotExist) {
			continue // no session, or one that never got as far as to run
		}
		broken = append(broken, Ending{
			Session: name, Dir: dir, How: Unreadable,
			Says: fmt.Sprintf("nobody can tell how session %s ended (%v); look into it, then move it out of the log folder", name, err),
		})
	}
	return sessions, broken, nil
}

// Ending reads the trip log to its end. The error is that of reading.
func (s *Session) Ending() (Ending, error) { return s.ending(0, "") }

// ending is Ending, and looks whether the line of that number has that chain
// value.
func (s *Session) ending(line uint64, chain string) (Ending, error) {
	e := Ending{Session: s.Info.Session, Dir: s.Dir}
	names, err := s.TripParts()
	if err != nil {
		return e, err
	}
	if e.Log, err = triplog.VerifyFiles(names...); err != nil {
		return e, err
	}
	for rec, err := range triplog.FileLines(names...) {
		if errors.Is(err, triplog.ErrBroken) {
			break // the verdict says it
		}
		if err != nil {
			return e, fmt.Errorf("session %s: %w", e.Session, err)
		}
		e.At = rec.At()
		e.noted = e.noted || rec.N == line && rec.Chain == chain
		e.mended = e.mended || rec.N > line && leavesFault(rec)
		if state := stateAfter(rec); state != "" {
			e.State = state
		}
	}
	switch {
	case e.State == interlock.Fault.String():
		e.How = InFault
		e.Says = fmt.Sprintf("session %s ended in a fault; mend it and run the failed test again", e.Session)
	case e.State == interlock.Tripped.String():
		e.How = InTrip
		e.Says = fmt.Sprintf("session %s ended in a trip that was not reset", e.Session)
	case e.Log.Verdict != triplog.Whole:
		e.How = NotEnded
		e.Says = fmt.Sprintf("session %s broke off after %.1f s without its end record (trip log %s: %s)", e.Session, e.At.Seconds(), e.Log.Verdict, e.Log.Reason)
	default:
		e.How = Clean
		e.Says = fmt.Sprintf("session %s ended in order", e.Session)
	}
	return e, nil
}

// stateAfter is the latch's state after a line: the line's own, or that of a
// decision which moved the latch.
func stateAfter(rec triplog.Record) string {
	if rec.State != "" || rec.Kind != triplog.KindDecision {
		return rec.State
	}
	return moveIn(rec).State
}

// move is a move of the latch as a decision tells it.
type move struct {
	Kind  string `json:"kind"`
	From  string `json:"from"`
	State string `json:"state"`
}

// moveIn returns the move that a line tells, an empty one where it tells none.
func moveIn(rec triplog.Record) (m move) {
	if rec.Kind != triplog.KindDecision || json.Unmarshal(rec.Decision, &m) != nil || m.Kind != "state" {
		return move{}
	}
	return m
}

func leavesFault(rec triplog.Record) bool {
	m := moveIn(rec)
	return m.From == interlock.Fault.String() && m.State != m.From
}
