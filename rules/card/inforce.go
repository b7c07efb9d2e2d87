package card

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"downhaul/rules"
)

// In force is what the record says of a step, taken in the order on record:
//
//   - the newest result counts; a step that flies passes by being the step of a
//     run that flew it no lighter than the card has it now;
//   - a failed result voids what was passed on it, all the way up, and a pass
//     that is told while anything below has failed or is void counts for nothing:
//     each must be passed anew, from the bottom up;
//   - a result that has lapsed holds the steps above it back until it is renewed,
//     and voids none of them. Otherwise a day-old inspection would void a whole
//     ladder of flights, and crews would learn to type "pass".

// standing is what the results of one step come to, its age and what it needs left aside.
type standing uint8

const (
	untold standing = iota
	passed
	failed
	void // it was passed, and something below failed before or since
)

// stood is a step's standing, with the result that made it and, where it is
// void, the step whose failure made it so.
type stood struct {
	standing
	result *Result
	by     *Step
}

// below returns for each step which steps it rests on, all the way down. Needs
// name earlier steps only.
func (c *Card) below() [][]bool {
	out := make([][]bool, len(c.Steps))
	for i := range c.Steps {
		out[i] = make([]bool, len(c.Steps))
		for _, name := range c.Steps[i].Needs {
			j := c.index(name)
			if j < 0 || j >= i {
				continue
			}
			out[i][j] = true
			for k, rests := range out[j] {
				out[i][k] = out[i][k] || rests
			}
		}
	}
	return out
}

// index finds a step by name; -1 is none.
func (c *Card) index(name string) int {
	return slices.IndexFunc(c.Steps, func(s Step) bool { return strings.EqualFold(s.Name, name) })
}

// stand goes through the record in its order and returns where each step stands.
func (c *Card) stand(f *Facts, below [][]bool) []stood {
	all := make([]stood, len(c.Steps))
	pass := func(i int, r *Result) {
		all[i] = stood{standing: passed, result: r}
		for j, rests := range below[i] {
			if rests && (all[j].standing == failed || all[j].standing == void) {
				all[i].standing, all[i].by = void, &c.Steps[j]
				if all[j].by != nil {
					all[i].by = all[j].by
				}
				return
			}
		}
	}
	runs := f.Runs
	flown := func(before int) {
		for len(runs) > 0 && runs[0].After < before {
			if i := c.index(runs[0].Step); i >= 0 && c.Steps[i].Kind == Flight && !runs[0].Lighter {
				pass(i, nil)
			}
			runs = runs[1:]
		}
	}
	for n := range f.Results {
		flown(n + 1)
		r := &f.Results[n]
		i := c.index(r.Step)
		switch {
		case i < 0:
		case r.Passed:
			pass(i, r)
		default:
			all[i] = stood{standing: failed, result: r}
			for j := range all {
				if below[j][i] && all[j].standing == passed {
					all[j].standing, all[j].by = void, &c.Steps[i]
				}
			}
		}
	}
	flown(len(f.Results) + 1)
	return all
}

// missing returns why a step's own result does not count, in one sentence, and when one that counts
// will lapse. What it needs is not looked at; above is the step that needs it.
func (s *Step) missing(f *Facts, at stood, above *Step) (why string, lapses time.Duration) {
	lapses = rules.Never
	switch r := at.result; {
	case at.standing == void && s.Kind == Flight:
		return fmt.Sprintf("%s flew, but %s, which it rests on, failed: fly it again once that is in force", s.Name, at.by.Name), lapses
	case at.standing == void:
		return fmt.Sprintf("%s was passed, but %s, which it rests on, failed: pass it anew once that is in force (%s)", s.Name, at.by.Name, s.by()), lapses
	case at.standing == untold && s.Kind == Flight:
		if _, flew := f.lastOf(s.Name); flew {
			return fmt.Sprintf("%s flew lighter than the card has it now: fly it again", s.Name), lapses
		}
		return fmt.Sprintf("%s has not flown yet, and %q needs it", s.Name, above.Name), lapses
	case at.standing == untold && s.Measured:
		return s.Name + " was not measured yet for these motors (" + s.by() + ")", lapses
	case at.standing == untold:
		return s.Name + " is not told yet (" + s.by() + ")", lapses
	case at.standing == failed && s.Measured:
		return fmt.Sprintf("%s: %s (%s)", s.Name, r.Text, s.by()), lapses
	case at.standing == failed:
		return fmt.Sprintf("%s: %s, wanted %s", s.Name, r.Text, s.Limit.Wants()), lapses
	case s.Every > 0 && f.Hours(s)-r.Live >= s.Every:
		return fmt.Sprintf("%s is due after %s with power on (%s)", s.Name, rules.FormatDuration(s.Every), s.by()), lapses
	case s.Kind == Flight || s.Lasts == 0:
		return "", lapses
	case f.Now-r.At > s.Lasts:
		return fmt.Sprintf("%s has lapsed after %s (%s)", s.Name, rules.FormatDuration(s.Lasts), s.by()), lapses
	default:
		return "", r.At + s.Lasts + 1
	}
}

// Hours returns how long power was on, over all sessions: of a step that is about a pack
// with that in the craft.
func (f *Facts) Hours(s *Step) time.Duration {
	if s.Kind == Inspection && len(s.Shown.Packs) > 0 {
		return f.PackLive[s.Shown.Packs[0]]
	}
	return f.Live
}

// by is the command that gives a result.
func (s *Step) by() string {
	if s.Measured {
		return "downhaul tilt, with no guard running"
	}
	return "downhaul declare inspection"
}

// unmetNeeds returns why what a step needs is not in force, all the way down, in the order of the
// card, each reason once, and when more will be asked because something lapses. What lies below a
// flight that was never flown is left to that flight.
func (c *Card) unmetNeeds(f *Facts, step int) (unmet []string, next time.Duration) {
	next = rules.Never
	all := c.stand(f, c.below())
	above := make([]*Step, len(c.Steps)) // who needs it, nil for nobody
	for i := step; i >= 0; i-- {
		if i != step && (above[i] == nil || c.Steps[i].Kind == Flight && all[i].standing == untold) {
			continue
		}
		for _, name := range c.Steps[i].Needs {
			if j := c.index(name); j >= 0 && j < i && above[j] == nil {
				above[j] = &c.Steps[i]
			}
		}
	}
	for i := range step {
		if above[i] == nil {
			continue
		}
		why, lapses := c.Steps[i].missing(f, all[i], above[i])
		if c.Steps[i].Stopping {
			why, lapses = c.Steps[i].unproven(f), rules.Never
		}
		if why != "" {
			unmet = append(unmet, why)
		}
		next = min(next, lapses)
	}
	return unmet, next
}

// NotInForce returns why a step is not in force, a sentence each: its own result,
// and whatever it rests on. Empty is in force.
func (c *Card) NotInForce(f *Facts, name string) []string {
	i := c.index(name)
	if i < 0 {
		return nil
	}
	unmet, _ := c.unmetNeeds(f, i)
	if c.Steps[i].Stopping {
		if why := c.Steps[i].unproven(f); why != "" {
			unmet = append(unmet, why)
		}
		return unmet
	}
	if why, _ := c.Steps[i].missing(f, c.stand(f, c.below())[i], &c.Steps[i]); why != "" {
		unmet = append(unmet, why)
	}
	return unmet
}

// Voided returns the steps that were passed and count no more because of that
// step's failure, in the order of the card.
func (c *Card) Voided(f *Facts, name string) (out []string) {
	for i, s := range c.stand(f, c.below()) {
		if s.standing == void && strings.EqualFold(s.by.Name, name) {
			out = append(out, c.Steps[i].Name)
		}
	}
	return out
}
