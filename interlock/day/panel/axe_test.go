package panel

import (
	"errors"
	"strings"
	"testing"

	"downhaul/rules/architecture"
)

// No state of the page violates a rule of axe-core, alive on a desk and a phone, or dead.
func TestPageBarsNobody(t *testing.T) {
	if testing.Short() {
		t.Skip("takes several seconds; left out by -short")
	}
	axe := architecture.Axe(t)
	var w teller
	all := scenes()
	w.status.Store(all[0].status())
	p := served(t, w.ask, MostPages, MostFrom)
	for _, size := range sizes[1:3] {
		w.err.Store(nil)
		ctx := tab(t, "http://"+p.Address()+"/", size.width, size.height)
		eval[bool](t, ctx, axe+"; true")
		look := func(what string) {
			t.Helper()
			eval[bool](t, ctx, architecture.AxeRun)
			until(t, ctx, architecture.AxeOver)
			if found := eval[[]string](t, ctx, architecture.AxeFound); len(found) > 0 {
				t.Errorf("%s, %s:\n%s", size.name, what, strings.Join(found, "\n"))
			}
		}
		for _, c := range all {
			s := c.status()
			w.status.Store(s)
			shows(t, ctx, s)
			look(c.name)
		}
		gone := errors.New("nothing answers")
		w.err.Store(&gone)
		until(t, ctx, isDead)
		look("dead")
	}
}
