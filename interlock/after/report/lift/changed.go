package lift

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"downhaul/rules/rounding"
)

// Change is what another configuration of one craft lifts of what this one does, such as
// with another net or without a guard: measured by flights against one table of the stand,
// so that what the table has too high or too low cancels.
type Change struct {
	// From is the configuration before, To the one now; empty has no name on its card.
	From string `json:"from"`
	To   string `json:"to"`
	// Before and Now are the installed factors at one thrust, Share is Now over Before less
	// one: negative is a loss.
	Before Estimate `json:"installed_factor_before"`
	Now    Estimate `json:"installed_factor_now"`
	Share  Estimate `json:"change_share"`
	Hovers [2]int   `json:"hovers"`
	// Refused is why nothing is known; empty where it is.
	Refused string `json:"refused,omitempty"`
}

// Says is the change in words.
func (c *Change) Says() string {
	name := func(s string) string {
		if s == "" {
			return "without a name"
		}
		return fmt.Sprintf("%q", s)
	}
	head := fmt.Sprintf("configuration %s against %s: ", name(c.To), name(c.From))
	if c.Refused != "" {
		return head + "what it changes is not known: " + c.Refused
	}
	part := func(v float64) string { return rounding.Number(100*v, 2, rounding.Near) }
	what := fmt.Sprintf("lifts %s %% (%s to %s %%) of its thrust more or less; which of them the flights cannot tell", part(c.Share.Mid), part(c.Share.Low), part(c.Share.High))
	switch {
	case c.Share.High < 0:
		what = fmt.Sprintf("a measured loss of %s %% (%s to %s %%) of the thrust", part(-c.Share.Mid), part(-c.Share.High), part(-c.Share.Low))
	case c.Share.Low > 0:
		what = fmt.Sprintf("a measured gain of %s %% (%s to %s %%) of the thrust", part(c.Share.Mid), part(c.Share.Low), part(c.Share.High))
	}
	return head + what + fmt.Sprintf(", at the same output and voltage; by %d and %d hovers", c.Hovers[1], c.Hovers[0])
}

// apart takes the runs of the configuration that is asked for, and holds those of each
// other one against them.
func apart(runs []Run, q Question) (own []Run, changes []Change) {
	var names []string
	of := map[string][]Run{}
	for _, r := range runs {
		if _, seen := of[r.Configuration]; !seen && r.Configuration != q.Configuration {
			names = append(names, r.Configuration)
		}
		of[r.Configuration] = append(of[r.Configuration], r)
	}
	own = of[q.Configuration]
	for _, name := range names {
		changes = append(changes, changeOf(of[name], own, q, name))
	}
	return own, changes
}

func changeOf(before, now []Run, q Question, from string) Change {
	c := Change{From: from, To: q.Configuration}
	if q.Stand == nil {
		c.Refused = "give the stand's table (report --table): both are held against it"
		return c
	}
	q = q.clean()
	one := func(runs []Run) *installed {
		clean := make([]Run, len(runs))
		for i := range runs {
			clean[i] = runs[i].clean()
		}
		points, _, _ := evidence(clean, q)
		in := newInstalled(q.Stand, hovers(points))
		in.mean = true
		return in
	}
	a, b := one(before), one(now)
	c.Hovers = [2]int{len(a.up), len(b.up)}
	if len(a.up) < withTable || len(b.up) < withTable {
		c.Refused = fmt.Sprintf("it takes %d hovers of each that the table's rows reach, and there are %d and %d", withTable, len(b.up), len(a.up))
		return c
	}
	// At one thrust: in the middle of all hovers.
	at := 0.0
	for _, p := range slices.Concat(a.up, b.up) {
		at += math.Log(p.Thrust/float64(p.Motors)) / float64(len(a.up)+len(b.up))
	}
	at = math.Exp(at)
	rng := rand.New(rand.NewPCG(3, uint64(len(a.up)+len(b.up))))
	var was, is, share []float64
	for range draws {
		d := q.Stand.draw(rng)
		x, y := a.under(d, rng), b.under(d, rng)
		was, is = append(was, at/x.bare(at)), append(is, at/y.bare(at))
		share = append(share, is[len(is)-1]/was[len(was)-1]-1)
	}
	c.Before, c.Now, c.Share = interval(was), interval(is), interval(share)
	return c
}
