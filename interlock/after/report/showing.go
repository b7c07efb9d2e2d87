package report

import (
	"strings"

	"downhaul/interlock/after/report/lift"
	"downhaul/interlock/records/flown"
	"downhaul/interlock/records/triplog"
	"downhaul/rules/card"
)

// Shown is what a guard may hold against the test card, for the craft of the
// newest card: the longest steady hover of each step in each session whose
// records are as they were written, and the lift to spare of the next steps.
// Nil where no session has a card.
func (r *Report) Shown() *flown.Record {
	if r.Lift.Forecast == nil {
		return nil
	}
	out := &flown.Record{Schema: flown.Schema, Made: r.Made, Software: r.Software, Craft: r.Lift.craft,
		Sessions: []string{}, Hovers: []flown.Hover{}, Reserves: []card.Reserve{}}
	of := map[string]*Session{} // by the name of a run
	var changed []string        // sessions in the forecast that are not as they were written
	for _, s := range counted(r.Sessions) {
		if s.Alone {
			return nil // nobody knows whether it is as it was written, nor on which step it flew
		}
		out.Mark = s.Mark
		if s.liftCard == nil || !strings.EqualFold(s.liftCard.Craft.Name, out.Craft) {
			continue
		}
		out.Sessions = append(out.Sessions, s.Session)
		if !s.Integrity.sound() {
			if len(s.liftRuns) > 0 {
				changed = append(changed, s.Session)
			}
			continue
		}
		for i := range s.Runs {
			of[s.runName(&s.Runs[i])] = s
		}
	}
	for _, p := range r.Lift.Forecast.Points {
		s := of[p.Run]
		if s == nil || p.Kind != lift.Hover {
			continue
		}
		out.Hovers = withHover(out.Hovers, flown.Hover{Session: s.Session, Step: p.Step, MassKg: p.Mass, ForS: p.To - p.From})
	}
	for i := range r.Lift.Forecast.Next {
		n := &r.Lift.Forecast.Next[i]
		x := card.Reserve{Step: n.Name, Mass: n.Mass}
		if len(changed) > 0 {
			x.Says = "not as written: session " + strings.Join(changed, ", ") + "; move it out of the log folder, and report on the rest again"
		} else {
			why, settle := n.Sentence(r.Lift.units)
			x.Go, x.Numbers, x.Low, x.High = n.Verdict == lift.Go, n.Numbers, n.Reserve.Low, n.Reserve.High
			x.HoverLow, x.HoverHigh = float64(n.Worst.Low*n.Voltage.Mid), float64(n.Worst.High*n.Voltage.Mid)
			if x.Says = strings.TrimSuffix(why, "."); settle != "" {
				x.Says += "; what it takes: " + settle
			}
		}
		out.Reserves = append(out.Reserves, x)
	}
	return out
}

// altered reports whether files are not what they were, or that the recording does not
// give the decisions of the log.
func (i *Integrity) altered() bool {
	return len(i.Changed) > 0 || i.Equal != nil && i.Equal.Claimed && !i.Equal.Holds
}

// sound reports whether what was read is what was written, as far as anybody can tell.
func (i *Integrity) sound() bool {
	return i.Log.Verdict != triplog.Tampered && !i.altered()
}

// withHover adds a hover, or lengthens the one that is there.
func withHover(all []flown.Hover, h flown.Hover) []flown.Hover {
	for i := range all {
		if all[i].Session == h.Session && strings.EqualFold(all[i].Step, h.Step) && all[i].MassKg == h.MassKg {
			all[i].ForS = max(all[i].ForS, h.ForS)
			return all
		}
	}
	return append(all, h)
}
