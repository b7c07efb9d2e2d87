package card

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"downhaul/rules"
)

// told is one thing on record, in its order: a result of a step that does not
// fly, or the run of one that does.
type told struct {
	step   int
	passed bool
	at     time.Duration
}

// oracle answers from the whole record each time, from three sentences: a newer
// failed value voids the older pass and all that rests on it, until each is passed
// anew, from the bottom up; a lapsed one only holds back until it is renewed; and
// a step is in force only if everything it needs is, all the way down.
type oracle struct {
	c      *Card
	record []told
	now    time.Duration
}

// rests reports whether a step rests on another, however far down.
func (o *oracle) rests(on, step int) bool {
	for _, name := range o.c.Steps[step].Needs {
		for j := range o.c.Steps {
			if o.c.Steps[j].Name == name && (j == on || o.rests(on, j)) {
				return true
			}
		}
	}
	return false
}

// last finds the newest word on a step before a place on record; -1 is none.
func (o *oracle) last(step, before int) int {
	for p := before - 1; p >= 0; p-- {
		if o.record[p].step == step {
			return p
		}
	}
	return -1
}

// counts reports whether the pass at a place on record still stands at a later
// one: nothing below failed between, and nothing below was bad when it was made.
func (o *oracle) counts(p, until int) bool {
	if !o.record[p].passed {
		return false
	}
	for j := range o.c.Steps {
		if !o.rests(j, o.record[p].step) {
			continue
		}
		for q := p + 1; q < until; q++ {
			if o.record[q].step == j && !o.record[q].passed {
				return false
			}
		}
		if q := o.last(j, p); q >= 0 && !o.counts(q, p) {
			return false
		}
	}
	return true
}

func (o *oracle) inForce(step int) bool {
	s := &o.c.Steps[step]
	p := o.last(step, len(o.record))
	if p < 0 || !o.counts(p, len(o.record)) || s.Lasts > 0 && o.now-o.record[p].at > s.Lasts {
		return false
	}
	return o.needsInForce(step)
}

func (o *oracle) needsInForce(step int) bool {
	for j := range o.c.Steps {
		if slices.Contains(o.c.Steps[step].Needs, o.c.Steps[j].Name) && !o.inForce(j) {
			return false
		}
	}
	return true
}

// drawCard is a card of steps that need any of those before them.
func drawCard(rt *rapid.T) *Card {
	c := &Card{}
	for i := range rapid.IntRange(1, 7).Draw(rt, "steps") {
		s := Step{Name: fmt.Sprintf("step %d", i), Kind: Kind(rapid.IntRange(0, 2).Draw(rt, "kind")), Line: i + 1}
		if s.Kind != Flight {
			s.Lasts = time.Duration(rapid.IntRange(0, 9).Draw(rt, "lasts"))
		}
		for j := range i {
			if rapid.Bool().Draw(rt, "needs") {
				s.Needs = append(s.Needs, c.Steps[j].Name)
			}
		}
		c.Steps = append(c.Steps, s)
	}
	return c
}

// Whatever the card and whatever stands on record, a step is in force exactly when
// the sentences say so, a start wants just what is not, and the instant that is
// named is the first at which more is asked.
func TestInForceAgainstTheWholeRecord(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		o := &oracle{c: drawCard(rt)}
		f := &Facts{Limits: &rules.Envelope{}}
		for range rapid.IntRange(0, 20).Draw(rt, "told") {
			x := told{step: rapid.IntRange(0, len(o.c.Steps)-1).Draw(rt, "step"), passed: rapid.IntRange(0, 3).Draw(rt, "passed") > 0}
			x.at = time.Duration(rapid.IntRange(0, 9).Draw(rt, "at")) // clocks may be unset: the dates mean no order
			s := &o.c.Steps[x.step]
			if s.Kind == Flight {
				x.passed = true
				f.Flew(Flown{Session: "s", Step: s.Name})
			} else {
				f.Results = append(f.Results, Result{Step: s.Name, Passed: x.passed, At: x.at})
			}
			o.record = append(o.record, x)
		}
		for o.now = 0; o.now < 20; o.now++ {
			f.Now = o.now
			for i := range o.c.Steps {
				s := &o.c.Steps[i]
				if why := o.c.NotInForce(f, s.Name); o.inForce(i) != (len(why) == 0) {
					rt.Fatalf("at %d: %s in force by the sentences: %v, and found %q\ncard %+v\nrecord %+v", o.now, s.Name, o.inForce(i), why, o.c.Steps, o.record)
				}
				f.Step = s.Name
				unmet, next := o.c.Unmet(f)
				if o.needsInForce(i) != (len(unmet) == 0) {
					rt.Fatalf("at %d: a start of %s by the sentences: %v, and asked %q\ncard %+v\nrecord %+v", o.now, s.Name, o.needsInForce(i), unmet, o.c.Steps, o.record)
				}
				f.Now = o.now + 1
				more, _ := o.c.Unmet(f)
				f.Now = o.now
				if (next == o.now+1) != (len(more) > len(unmet)) && next != rules.Never || next == rules.Never && len(more) != len(unmet) {
					rt.Fatalf("at %d: %s asks %q, then %q, and the next instant is %v", o.now, s.Name, unmet, more, next)
				}
			}
		}
	})
}

// A step that flew while what it rests on was void stays so, though that flies again
// in the same session: its later run is no earlier one.
func TestALaterRunMendsNoFlightBeforeIt(t *testing.T) {
	c := &Card{Steps: []Step{
		{Name: "clearance", Line: 1},
		{Name: "light", Kind: Flight, Needs: []string{"clearance"}, Line: 2},
		{Name: "heavy", Kind: Flight, Needs: []string{"light"}, Line: 3},
	}}
	f := &Facts{Results: []Result{{Step: "clearance"}}}
	f.Flew(Flown{Session: "s", Step: "light"})
	f.Results = append(f.Results, Result{Step: "clearance", Passed: true})
	f.Flew(Flown{Session: "s", Step: "heavy"})
	f.Flew(Flown{Session: "s", Step: "light"})
	if why := c.NotInForce(f, "light"); len(why) > 0 {
		t.Errorf("light, flown anew: %q", why)
	}
	if why := c.NotInForce(f, "heavy"); len(why) == 0 {
		t.Error("heavy flew on a step that was void, and counts")
	}
}
