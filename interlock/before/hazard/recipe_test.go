package hazard

import (
	"fmt"
	"strings"
	"testing"
)

// What keeps a step from a go is said before anybody flies for it: each card lacks one
// thing, and the last lacks none.
func TestCardSaysWhatAGoWants(t *testing.T) {
	const text = "[craft]\nname = \"c\"\nmass = \"%s\"\n[motors]\ncount = 8\nthrust = \"50 lbf\"\nlosses = \"0 %% to 0 %%\"\n" +
		"[[step]]\nname = \"one\"\nballast = \"0 lb\"\n[[step]]\nname = \"two\"\nballast = \"%s\"\n[[step]]\nname = \"three\"\nballast = \"%s\"\n%s"
	for _, c := range []struct{ mass, two, three, more, want string }{
		{"150 lb", "5 lb", "30 lb", "", `Step "three" gets no go by this card: the steps before it are not 8 % of mass apart`},
		{"150 lb", "20 lb", "80 lb", "", `Step "three" gets no go by this card: it is more than 30 % heavier than any step before: put one of at most 71 lb`},
		{"60 lb", "10 lb", "20 lb", "", `takes some 42 % of output, and full output is too far from less than 45 %`},
		{"200 lb", "40 lb", "70 lb", "", `full static thrust is 48 % over its weight, and 50 % are required`},
		{"200 lb", "40 lb", "70 lb", `reserve = "40 %"`, `Step "three" gets a go only after three hovers of 20 s or more at two lighter ballasts`},
		{"150 lb", "20 lb", "40 lb", `hover = "60 s"`, `Step "three" gets a go only after three hovers of 60 s or more`},
	} {
		says, _ := Card(cardOf(t, fmt.Sprintf(text, c.mass, c.two, c.three, c.more)))
		if got := strings.Join(says, "\n"); !strings.Contains(got, c.want) {
			t.Errorf("%+v: got\n%s", c, got)
		}
		// Whose start asks for a go is said, so that nobody flies for one in vain, and nobody
		// takes a step that asks for none for held back.
		asks := strings.Contains(c.more, "reserve")
		if none := strings.Count(strings.Join(says, "\n"), "Its start asks for none"); none != map[bool]int{false: 2, true: 1}[asks] {
			t.Errorf("%+v: %d of two steps are told to ask for no go", c, none)
		}
		// The first step after one flight never has two ballasts behind it.
		if got := strings.Join(says, "\n"); !strings.Contains(got, `Step "two" gets no go by this card`) {
			t.Errorf("%+v: step two: got\n%s", c, got)
		}
	}
}
