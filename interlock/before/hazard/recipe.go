package hazard

import (
	"fmt"
	"math"
	"strings"
	"time"

	"downhaul/interlock/model/recipe"
	"downhaul/rules"
	"downhaul/rules/card"
	"downhaul/rules/rounding"
)

// recipe tells before any flight what a report will want of the flights before it says
// go to a step, and for which steps no flight by this card can earn one.
func wantsOf(c *card.Card) (says []string) {
	var before []*card.Step
	thrust := float64(c.Motors.Count) * usable(&c.Motors)
	if share := airShare(c); share > 0 {
		thrust *= share
	}
	mass := func(s *card.Step) float64 { return c.Craft.Mass + s.Ballast }
	for i := range c.Steps {
		s := &c.Steps[i]
		if s.Kind != card.Flight {
			continue
		}
		if _, heaviest := extremes(before, mass); len(before) > 0 && mass(s) > heaviest {
			asks := ""
			if !s.Shown.HasReserve {
				asks = " Its start asks for none: reserve does not stand there."
			}
			if missing := missingFor(c, s, before, mass, thrust); len(missing) > 0 {
				says = append(says, fmt.Sprintf("Step %q gets no go by this card: %s.%s", s.Name, strings.Join(missing, "; "), asks))
			} else {
				says = append(says, fmt.Sprintf("Step %q gets a go only after %s.%s", s.Name, flights(s), asks))
			}
		}
		before = append(before, s)
	}
	return says
}

// missingFor returns why the steps before cannot earn a step its go.
func missingFor(c *card.Card, s *card.Step, before []*card.Step, mass func(*card.Step) float64, thrust float64) (missing []string) {
	lightest, heaviest := extremes(before, mass)
	miss := func(format string, args ...any) { missing = append(missing, fmt.Sprintf(format, args...)) }
	if len(before) == 1 {
		miss("one step before it does not show how lift grows, and two ballasts are wanted")
	} else if heaviest < recipe.WiderBy*lightest {
		miss("the steps before it are not %.0f %% of mass apart, so they do not show how lift grows", 100*(recipe.WiderBy-1))
	}
	if most := recipe.Furthest * heaviest; mass(s) > most {
		miss("it is more than %.0f %% heavier than any step before: put one of at most %s of ballast between", 100*(recipe.Furthest-1),
			rounding.Show(most-c.Craft.Mass, rules.DefaultUnit(rules.Mass, c.Units), 3, rounding.Down))
	}
	if at := math.Sqrt(heaviest * Gravity / thrust); thrust > 0 && at < recipe.LowestTop {
		miss("the heaviest hover before it takes some %.0f %% of output, and full output is too far from less than %.0f %%", 100*at, 100*recipe.LowestTop)
	}
	need := recipe.Reserve
	if s.Shown.HasReserve {
		need = s.Shown.Reserve
	}
	if has := thrust/(mass(s)*Gravity) - 1; thrust > 0 && has < need {
		miss("full static thrust is %.0f %% over its weight, and %.0f %% are required", math.Floor(100*has), 100*need)
	}
	return missing
}

// flights names what a forecast needs of the flights before a step.
func flights(s *card.Step) string {
	hover := time.Duration(recipe.HoverTime * float64(time.Second))
	if s.Shown.Hover > 0 {
		hover = s.Shown.Hover
	}
	return fmt.Sprintf("three hovers of %s or more at two lighter ballasts, above one craft width, in calm air, the tether slack; a full-output pull of 2 s at a light one; and pack voltage and current heard from before the start until after the landing",
		rules.FormatDuration(hover))
}

func extremes(steps []*card.Step, mass func(*card.Step) float64) (lightest, heaviest float64) {
	lightest = math.Inf(1)
	for _, s := range steps {
		lightest, heaviest = min(lightest, mass(s)), max(heaviest, mass(s))
	}
	return lightest, heaviest
}
