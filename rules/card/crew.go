package card

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"downhaul/rules"
	"downhaul/rules/document"
)

// askCrew asks what only people at the pad can give to the declared step: their initials,
// and its ballast on a scale.
func (c *Card) askCrew(s *Step, f *Facts, say func(string, ...any)) {
	if len(f.Confirmed) < s.ConfirmedBy {
		say("%q wants the initials of %d persons, and has %s (downhaul declare confirm)", s.Name, s.ConfirmedBy, cmp.Or(document.List(f.Confirmed, "and"), "none"))
	}
	switch off := math.Abs(f.Weighed - s.Ballast); {
	case s.BallastWithin == 0:
	case !f.HasWeighed:
		say("the ballast of %q is not weighed yet, and must be %s (downhaul declare ballast)", s.Name, c.Show(s.Ballast, rules.Mass))
	case off > s.BallastWithin:
		say("the ballast of %q weighs %s, and must be %s to within %s (downhaul declare ballast)", s.Name, c.Show(f.Weighed, rules.Mass), c.Show(s.Ballast, rules.Mass), c.Show(s.BallastWithin, rules.Mass))
	}
}

// AfterFall returns what must be done once power went off in the air, and how long the crew
// still keeps out. Cells that were crushed may catch fire minutes later. Both times are on
// one clock.
func (c *Card) AfterFall(now, fell time.Duration) string {
	says := "power went off in the air: look at the packs' temperature from outside; then one person takes the packs out first (downhaul declare safe)"
	if left := fell + c.Craft.AfterCrash - now; left > 0 {
		says = fmt.Sprintf("keep out for %d min more, then: ", int(math.Ceil(left.Minutes()))) + says
	}
	return says
}

// Confirm takes the initials of one more person; the error says why they do not count.
func (f *Facts) Confirm(initials string) error {
	if slices.ContainsFunc(f.Confirmed, func(s string) bool { return strings.EqualFold(s, initials) }) {
		return fmt.Errorf("%s confirmed it already; it wants the initials of another person", initials)
	}
	f.Confirmed = append(slices.Clip(f.Confirmed), initials)
	return nil
}

// Words returns for each step of the card in a word or two whether its result counts now.
func (c *Card) Words(f *Facts) []string {
	all, out := c.stand(f, c.below()), make([]string, len(c.Steps))
	for i := range c.Steps {
		s := &c.Steps[i]
		why, _ := s.missing(f, all[i], s)
		out[i] = [...]string{untold: "not told yet", passed: "in force", failed: "FAILED", void: "must be passed anew"}[all[i].standing]
		switch {
		case s.Stopping:
			out[i] = "measured by openings"
		case s.Kind == Flight && all[i].standing == untold:
			out[i] = "not flown yet"
		case s.Kind == Flight && all[i].standing == passed:
			out[i] = "has flown"
		case all[i].standing == passed && why != "":
			out[i] = "due again"
		}
	}
	return out
}
