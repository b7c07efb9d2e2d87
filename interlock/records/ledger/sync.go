package ledger

import (
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/pad"
	"downhaul/interlock/records/prooftest"
	"downhaul/interlock/records/session"
	"downhaul/interlock/records/triplog"
)

// TakeOver writes down every fault of the chain that stands in the trip log of an
// earlier session and not in the ledger: a guard may have lost its power right
// after the fault.
func (b *Book) TakeOver(sessions []*session.Session) error {
	for _, s := range sessions {
		if s.Info.Duty == session.DutyWatch {
			continue
		}
		if err := b.takeOver(s); err != nil {
			return err
		}
	}
	return nil
}

func (b *Book) takeOver(s *session.Session) error {
	state := ""
	for line, err := range s.Lines() {
		if errors.Is(err, triplog.ErrBroken) {
			return b.Lost(s.Info.Wall, s.Info.Session)
		}
		if err != nil {
			return fmt.Errorf("look for faults in session %s: %w", s.Info.Session, err)
		}
		from := state
		if line.State != "" {
			state = line.State
		}
		// The contactor was not seen open behind the last turn: no decision says so.
		if line.Kind == triplog.KindEnded && state == interlock.Fault.String() && from != state {
			_, err := b.Took(s.Info.Wall.Add(line.At()), s.Info.Session, line.At(), interlock.ReasonPowerRemains.String(), from)
			return err
		}
		if line.Kind != triplog.KindDecision {
			continue
		}
		var d struct {
			Kind, From, State, Reason string
			AtNS                      int64 `json:"at_ns"`
			On                        bool
			Line                      string
		}
		if json.Unmarshal(line.Decision, &d) != nil {
			continue
		}
		if entered := d.Kind == "state" && d.State == interlock.Fault.String() && d.From != d.State; !entered && !(d.Kind == "note" && d.On && d.Line == "") {
			continue
		}
		if _, err := b.Took(s.Info.Wall.Add(line.At()), s.Info.Session, time.Duration(d.AtNS), d.Reason, d.From); err != nil {
			return err
		}
	}
	return nil
}

// Seen reports whether a decision of the engine is a fault of the chain. Items of
// a log are read by the same rule.
func Seen(f *interlock.Effect) bool {
	entered := f.Kind == interlock.StateEffect && f.State == interlock.Fault && f.From != f.State
	if !entered && !(f.Kind == interlock.NoteEffect && f.On && f.Line == 0) {
		return false
	}
	_, _, ok := FaultOf(f.Reason.String(), f.From.String())
	return ok
}

// ByCommission returns what the records of commissioning say of a pad: for each
// test the newest run that passed or failed it, behind that entry. machine empty
// is any.
func ByCommission(p *pad.Pad, records []*prooftest.Record, machine string) Tested {
	return func(test prooftest.Test, after int) bool {
		return prooftest.PassedSince(p, records, machine, test, after)
	}
}
