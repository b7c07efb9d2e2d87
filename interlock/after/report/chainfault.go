package report

import (
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"downhaul/interlock/after/report/lift"
	"downhaul/interlock/records/ledger"
	"downhaul/interlock/records/prooftest"
	"downhaul/interlock/records/timeofday"
)

// ChainFault is a fault of the kill chain in a session.
type ChainFault struct {
	At   *Quantity `json:"at"`
	Run  int       `json:"run"` // whose end or start it belongs to; 0: none
	Says string    `json:"says"`

	at     time.Duration
	reason string
}

// ofChain reports whether that is a fault of the chain and no trip.
func ofChain(reason string) bool {
	_, _, fault := ledger.FaultOf(reason, "")
	return fault
}

// chainFaults lists the faults of the chain in a session's decisions, by the rule
// that the guard's ledger goes by.
func (e *events) chainFaults() []ChainFault {
	out := []ChainFault{}
	for i := range e.list {
		d := &e.list[i]
		entered := d.Kind == "state" && d.State == fault && d.From != fault
		if !entered && !(d.Kind == "note" && d.On && d.Line == "") {
			continue
		}
		if says, _, ok := ledger.FaultOf(d.Reason, d.From); ok {
			out = append(out, ChainFault{At: seconds(d.at()), Says: says, at: d.at(), reason: d.Reason})
		}
	}
	return out
}

// faulted puts each fault of the chain to the run that it ended, or that ended
// right before it: what comes after the way back to blocked with a reset, or after
// another start, is no run's.
func (o *Session) faulted(e *events) {
	for i := range o.ChainFaults {
		f := &o.ChainFaults[i]
		at := f.at
		for j := range o.Runs {
			r := &o.Runs[j]
			if r.begin > at {
				break
			}
			after := slices.ContainsFunc(e.list, func(d decision) bool {
				return d.Kind == "state" && d.State == closing && d.at() > r.begin && d.at() <= at
			})
			if after {
				continue
			}
			f.Run = r.Number
			if r.Fault == "" {
				r.Fault = f.Says
			}
		}
	}
}

// chainOpen lists what of the chain holds the next start back: in the ledger of
// the log folder, and in this session where the ledger does not know of it.
func (r *reading) chainOpen() []string {
	out := []string{}
	book, err := ledger.Read(r.logs, "")
	if err != nil {
		r.doubt("the ledger of faults cannot be read, so every fault of this session counts as open: %v", err)
		book = nil
	}
	if book != nil {
		tested := ledger.Tested(func(prooftest.Test, int) bool { return false })
		if records, _, err := prooftest.Records(r.logs); err == nil && r.pad != nil {
			tested = ledger.ByCommission(r.pad, records, "")
		}
		items, _ := book.Items(time.Now(), tested)
		for _, it := range items {
			switch {
			case it.Holds == "":
			case it.What == ledger.Fault:
				out = append(out, it.Holds)
			default:
				r.out.defects = append(r.out.defects, it.Holds)
			}
		}
	}
	for i := range r.out.ChainFaults {
		if f := &r.out.ChainFaults[i]; book == nil || !book.Has(r.out.Session, f.at, f.reason) {
			out = append(out, fmt.Sprintf("session %s, %s at %s: it is in no ledger beside this session; test the chain again (downhaul commission) and note what was mended (downhaul defect)",
				r.out.Session, f.Says, r.out.When(f.At)))
		}
	}
	return out
}

// heldLift begins what stands before the forecasts then.
const heldLift = "WITHHELD: a fault of the chain stands open, so no step is a go."

// withhold takes every verdict but a no back while a fault of the chain stands
// open, and where what a session of the craft flew cannot be read, or is not as it was
// written: a forecast knows nothing of either.
func (r *Report) withhold() {
	var open []string
	for _, s := range r.Sessions {
		for _, says := range s.ChainOpen {
			if !slices.Contains(open, says) {
				open = append(open, says)
			}
		}
	}
	r.ChainOpen = append([]string{}, open...)
	why, settle := "a fault of the chain stands open", "clear it first, then report again (downhaul defect lists what is open)"
	if len(open) > 0 {
		r.Lift.held, r.Lift.Says = true, strings.TrimSpace(heldLift+" "+sentence(strings.Join(open, "; "))+" "+r.Lift.Says)
	} else if bad := r.unsound(); len(bad) > 0 {
		why, settle = "session "+strings.Join(bad, ", ")+" cannot be read or is not as it was written", "find out what happened to it and what it flew; then move it out of the log folder, and report on the rest again"
	} else {
		return
	}
	for _, f := range []*lift.Forecast{r.Lift.Forecast, r.Lift.WhatIf} {
		if f != nil {
			f.Withhold(why, settle)
		}
	}
}

// unsound names the sessions of the forecast's craft whose flights nobody can trust.
func (r *Report) unsound() (names []string) {
	for _, s := range counted(r.Sessions) {
		if len(s.Runs) > 0 && s.of(r.Lift.craft) && !s.Integrity.sound() {
			names = append(names, s.Session)
		}
	}
	for _, f := range r.Failed {
		if name := filepath.Base(f.Folder); !timeofday.OfSession(name).IsZero() {
			names = append(names, name)
		}
	}
	return names
}
