package report

import (
	"fmt"
	"slices"
	"time"

	"downhaul/interlock/records/session"
	"downhaul/rules"
	"downhaul/rules/card"
)

// around is what a window shows before the first cause and after the opening,
// and longest how long it is at most. Ours: what a crew asks about.
const (
	around  = 6 * time.Second
	longest = 90 * time.Second
)

// runsOf lists the runs in order. The decisions tell begin and end; the notes of
// the trip log what was declared for each.
func runsOf(e *events, story session.Story, crd *card.Card, env *rules.Envelope, end time.Duration) []Run {
	runs := []Run{}
	isLive := func(state string) bool { return state == live || state == lowering }
	var open *Run
	for i := range e.list {
		d := &e.list[i]
		switch {
		case d.Kind == "state" && isLive(d.State) && !isLive(d.From):
			runs = append(runs, Run{Number: len(runs) + 1, begin: d.at(), end: end, Begin: seconds(d.at()), Packs: []string{}, Doubts: []string{},
				How: "the record breaks off while it was " + d.State})
			open = &runs[len(runs)-1]
			open.declared(story, crd)
		case open == nil:
		case d.Kind == "state" && isLive(d.From) && !isLive(d.State):
			open.end, open.Ended, open.How = d.at(), true, endOfRun(d)
			// The trip that ended it may stand behind in the same instant.
			for j := i; j < len(e.list) && e.list[j].at() == d.at(); j++ {
				if e.list[j].Kind == "trip" && j > i {
					open.tripped(&e.list[j], env)
				}
			}
			open = nil
		case d.Kind == "state" && d.State == lowering:
			open.How = "the record breaks off while it was being brought down"
		case d.Kind == "trip":
			open.tripped(d, env)
		case d.Kind == "caution" && d.On:
			open.Cautions++
		}
	}
	for i := range runs {
		r := &runs[i]
		r.Lasted = seconds(r.end - r.begin)
	}
	return runs
}

// watchedOnly stands behind how a run of a guard without a relay ended.
const watchedOnly = "; this guard only watched"

// armedRuns are the runs of a session that only watched: from armed to disarmed.
func armedRuns(armed []stretch, e *events, story session.Story, crd *card.Card, env *rules.Envelope) []Run {
	runs := []Run{}
	for i, a := range armed {
		run := Run{Number: i + 1, begin: a.from, end: a.to, Begin: seconds(a.from), Lasted: seconds(a.to - a.from), Ended: !a.cut,
			How: "armed, then disarmed" + watchedOnly, Packs: []string{}, Doubts: []string{}}
		if a.cut {
			run.How = "the record breaks off while it was armed" + watchedOnly
		}
		run.declared(story, crd)
		for j := range e.list {
			switch d := &e.list[j]; {
			case d.at() < a.from || d.at() > a.to:
			case d.Kind == "trip":
				first := run.FirstCause // of many episodes the first
				if run.tripped(d, env); first != "" {
					run.FirstCause = first
				}
			case d.Kind == "caution" && d.On:
				run.Cautions++
			}
		}
		if run.Trips += a.trips; run.FirstCause == "" && a.first != nil {
			run.FirstCause = a.first.cause(ruleNamed(env, a.first.Rule))
		}
		runs = append(runs, run)
	}
	return runs
}

func (r *Run) tripped(d *decision, env *rules.Envelope) {
	if !ofChain(d.Reason) {
		r.Trips++
	}
	if d.FirstOut || r.FirstCause == "" {
		r.FirstCause = d.cause(ruleNamed(env, d.Rule))
	}
}

func endOfRun(d *decision) string {
	switch {
	case d.State == fault:
		return "ended in a FAULT: " + d.Reason
	case d.From == lowering && d.State == tripped:
		return "controlled stop; power off because: " + d.Reason
	case d.State == tripped:
		return "power off at once: " + d.Reason
	}
	return endedByCrew + d.Reason
}

// endedByCrew begins how a run ended that nothing else stopped.
const endedByCrew = "ended by the crew: "

// airAt returns the air that was declared at an engine time, else the card's.
func airAt(story *session.Story, crd *card.Card, at time.Duration) (a card.Air) {
	if crd != nil {
		a = crd.Air
	}
	for i := range story.Declarations {
		if d := &story.Declarations[i]; d.What == session.DeclaredAir && d.At <= at {
			if said, err := card.ParseAir(d.Value); err == nil {
				a = said
			}
		}
	}
	return a
}

// stepAt returns the step that was declared at an engine time, empty before one was.
func stepAt(story *session.Story, at time.Duration) string {
	step := ""
	for i := range story.Declarations {
		if d := &story.Declarations[i]; d.What == session.DeclaredStep && d.At <= at {
			step = d.Step
		}
	}
	return step
}

// declared puts step, ballast, packs and air of the declaration to the run.
func (r *Run) declared(story session.Story, crd *card.Card) {
	r.air = airAt(&story, crd, r.begin)
	for i := range story.Runs {
		if s := &story.Runs[i]; s.Begin == r.begin || s.Number == r.Number {
			r.Step, r.Packs = s.Step, append(r.Packs[:0], s.Packs...)
			break
		}
	}
	if r.Step == "" {
		r.Step = stepAt(&story, r.begin)
	}
	switch {
	case r.Step == "":
		r.Doubts = append(r.Doubts, "no step was declared, so its ballast is not known")
	case crd == nil:
		r.Doubts = append(r.Doubts, "no test card can be read, so the ballast of the step is not known")
	default:
		step, ok := crd.Step(r.Step)
		if !ok {
			r.Doubts = append(r.Doubts, fmt.Sprintf("the test card has no step %q", r.Step))
			return
		}
		if r.onGround = step.Kind != card.Flight; r.onGround {
			return // tied down or on a stand it lifts nothing, at whatever output
		}
		shown := rules.DefaultUnit(rules.Mass, crd.Units)
		r.Ballast = quantity(step.Ballast, rules.Mass, shown)
		if crd.Craft.Mass > 0 {
			r.Mass = quantity(crd.Craft.Mass+step.Ballast, rules.Mass, shown)
		}
	}
}

// cautionsOf lists the cautions with how long they stood.
func cautionsOf(e *events, env *rules.Envelope) []Caution {
	out := []Caution{}
	open := map[string]int{}
	trips := map[string][]time.Duration{}
	for i := range e.list {
		if d := &e.list[i]; d.Kind == "trip" || d.Kind == "consequence" {
			trips[d.Rule] = append(trips[d.Rule], d.at())
		}
	}
	for rule, at := range e.unlistedAt {
		trips[rule] = append(trips[rule], at...)
	}
	trippedIn := func(rule string, from, to time.Duration) bool {
		i, _ := slices.BinarySearch(trips[rule], from)
		return i < len(trips[rule]) && trips[rule][i] <= to
	}
	for i := range e.list {
		d := &e.list[i]
		if d.Kind != "caution" {
			continue
		}
		if d.On {
			r := ruleNamed(env, d.Rule)
			open[d.Rule] = len(out)
			out = append(out, Caution{At: seconds(d.at()), Rule: d.Rule, Channel: d.Channel, Limit: limitOf(r), Says: d.cause(r), at: d.at(), off: rules.Never,
				Worst: ofRule(d.Value, r, d.Unit)})
			continue
		}
		if j, ok := open[d.Rule]; ok {
			c := &out[j]
			c.off, c.Lasted = d.at(), seconds(d.at()-c.at)
			c.Near = !trippedIn(c.Rule, c.at, c.off)
			delete(open, d.Rule)
		}
	}
	for rule, j := range open {
		out[j].tripped = trippedIn(rule, out[j].at, rules.Never)
	}
	return out
}

// limitOf is the limit of a rule as it stands in the file.
func limitOf(r *rules.Rule) *Quantity {
	if r == nil {
		return nil
	}
	return &Quantity{Value: r.Limit, Unit: rules.SIUnit(kindOf(r)), shown: r.Unit, stated: true}
}

// kindOf is the kind of a rule's limit: of the rate for rules on a rate.
func kindOf(r *rules.Rule) rules.Kind {
	k := r.Watch.Channel().Kind
	if isRate(r) {
		k = k.Rate()
	}
	return k
}

func isRate(r *rules.Rule) bool { return r.Form == rules.RisingFaster || r.Form == rules.FallingFaster }
