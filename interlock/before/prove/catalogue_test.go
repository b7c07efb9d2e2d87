package prove

import (
	"fmt"
	"os"
	"strings"
	"testing"

	"downhaul/rules"
)

// everyChannel is a rule on each channel of the catalogue, a little past where
// it is on a calm day.
func everyChannel() string {
	text := "version = 1\ntitle = \"every channel\"\n"
	for id := rules.ChannelID(1); id < rules.ChannelCount; id++ {
		c := id.Channel()
		switch {
		case id > rules.Motor1Output+1 && id <= rules.Motor16Output, id > rules.Motor1Speed+1 && id <= rules.Motor16Speed,
			id >= rules.Pack2Voltage && id <= rules.Pack4CellSpread, id > rules.Told1+1 && id <= rules.Told8:
			continue // as the first
		case id == rules.Mean2 || id == rules.Mean10 || id == rules.Peak10 || id == rules.Lull10:
			continue // minutes each: long to prove
		}
		more := now
		if id%2 == 0 {
			more = "lasting = \"300 ms\"\n" + soon
		}
		limit := usual(id) + 1
		switch {
		case c.Kind == rules.Angle:
			limit = 0.6
		case id == rules.LinkLag:
			limit = 0.3
		case c.Derived && !strings.HasPrefix(c.Name, "pack"):
			limit = 8
		case c.Kind == rules.Ratio:
			limit = 0.9
		case strings.HasSuffix(c.Name, "lowest_cell"), id == rules.PackMeanCell:
			limit = 4.2
		case strings.HasSuffix(c.Name, "cell_spread"):
			limit = 0.3
		case id == rules.CraftSeverity:
			limit = 6
		}
		unit := rules.SIUnit(c.Kind)
		form := ""
		switch {
		case c.Kind == rules.Flag:
			form = fmt.Sprintf("is = %v", id != rules.CraftArmed)
		case c.Kind == rules.Ratio:
			form = "above = \"90 %\""
		case unit == "" || unit == "1":
			form = fmt.Sprintf("above = %g", limit)
		default:
			form = fmt.Sprintf("above = \"%g %s\"", limit, unit)
		}
		text += wideRule(c.Name, c.Name, form, more)
	}
	return text
}

// On the pad that feeds everything each channel of the catalogue is proved, or
// it is said why it cannot be; none fails, whichever it is.
func TestEveryChannelIsProvedOrSaysWhyNot(t *testing.T) {
	padText, err := os.ReadFile("../../../cmd/downhaul/proving/pad.toml")
	must(t, err)
	s := setupOf(t, []byte(everyChannel()), padText)
	r, own := wholly(t, s)
	for _, f := range faults(r, own...) {
		t.Error(f)
	}
	proved := 0
	for _, row := range r.Rules {
		if row.Outcome == Pass {
			proved++
			continue
		}
		if row.Why == "" {
			t.Errorf("%s: %s, and no reason", row.Rule, row.Outcome)
		}
		t.Logf("%s: %s", row.Rule, row.Why)
	}
	t.Logf("%d of %d, notes %q", proved, len(r.Rules), r.Notes)
	if proved < len(r.Rules)*8/10 {
		t.Errorf("only %d of %d channels were proved", proved, len(r.Rules))
	}
}
