package bench

import (
	"slices"
	"testing"

	"downhaul/rules"
)

// Rules of one name are the same whatever they say; of the others those that do
// the same in all are, in order; and a rule that differs in anything is another.
func TestPairsTellsWhatWasOnlyRenamed(t *testing.T) {
	row := func(name, rest string) string {
		return "[[rule]]\nname = \"" + name + "\"\nwatch = \"craft.tilt\"\n" + rest + "\n"
	}
	const base = "above = \"35 deg\"\ncaution = \"25 deg\"\nlasting = \"100 ms\"\nstop = \"controlled\"\ngrace = \"5 s\""
	of := func(rows ...string) *rules.Envelope {
		text := ""
		for _, r := range rows {
			text += r
		}
		return envelope(t, text)
	}
	for _, c := range []struct {
		what string
		a, b *rules.Envelope
		want []Pair
	}{
		{"the same", of(row("x", base), row("y", base)), of(row("x", base), row("y", base)), []Pair{{0, 0}, {1, 1}}},
		{"in another order", of(row("x", base), row("y", base)), of(row("y", base), row("x", base)), []Pair{{0, 1}, {1, 0}}},
		{"renamed", of(row("x", base), row("y", base)), of(row("new", base), row("y", base)), []Pair{{0, 0}, {1, 1}}},
		{"two renamed", of(row("x", base), row("y", base)), of(row("p", base), row("q", base)), []Pair{{0, 0}, {1, 1}}},
		{"one of two left", of(row("x", base), row("y", base)), of(row("q", base)), []Pair{{0, 0}, {1, -1}}},
		{"renamed and one more", of(row("x", base)), of(row("p", base), row("q", base)), []Pair{{0, 0}, {-1, 1}}},
		{"one name, another limit", of(row("x", base)), of(row("x", "above = \"30 deg\"\nstop = \"immediate\""), row("q", base)), []Pair{{0, 0}, {-1, 1}}},
		{"the unit is written otherwise", of(row("x", "above = \"2 rad\"\nstop = \"immediate\"")), of(row("q", "above = \"2.0 rad\"\nstop = \"immediate\"")), []Pair{{0, 0}}},
	} {
		if got := Pairs(c.a, c.b); !slices.Equal(got, c.want) {
			t.Errorf("%s: %v, want %v", c.what, got, c.want)
		}
	}
	// Anything that decides makes another rule of it.
	for _, other := range []string{
		"above = \"36 deg\"\ncaution = \"25 deg\"\nlasting = \"100 ms\"\nstop = \"controlled\"\ngrace = \"5 s\"",
		"above = \"35 deg\"\ncaution = \"24 deg\"\nlasting = \"100 ms\"\nstop = \"controlled\"\ngrace = \"5 s\"",
		"above = \"35 deg\"\ncaution = \"25 deg\"\nlasting = \"200 ms\"\nstop = \"controlled\"\ngrace = \"5 s\"",
		"above = \"35 deg\"\ncaution = \"25 deg\"\nlasting = \"100 ms\"\nstop = \"immediate\"",
		"above = \"35 deg\"\ncaution = \"25 deg\"\nlasting = \"100 ms\"\nstop = \"controlled\"\ngrace = \"50 s\"",
		base + "\nwhile = \"airborne\"", base + "\ndeadband = \"3 deg\"", base + "\nstale_after = \"900 ms\"",
		base + "\nfrozen_after = 77", base + "\nwhen_missing = \"caution\"",
	} {
		if got := Pairs(of(row("x", base)), of(row("q", other))); !slices.Equal(got, []Pair{{0, -1}, {-1, 0}}) {
			t.Errorf("taken for the same rule: %q", other)
		}
	}
	watched := envelope(t, "[[rule]]\nname = \"q\"\nwatch = \"craft.roll\"\n"+base+"\n")
	if got := Pairs(of(row("x", base)), watched); got[0].B >= 0 {
		t.Error("another channel is taken for the same rule")
	}
}
