package hazard

import (
	"strings"
	"testing"

	"downhaul/interlock/pad"
)

func TestAgree(t *testing.T) {
	p, faults := pad.Read("pad.toml", []byte(padText)) // radius 1.4 m, thrust twice the weight
	if p == nil {
		t.Fatal(faults)
	}
	for _, c := range []struct{ radius, thrust, want string }{
		{"1.4 m", "76 N", ""}, // 8 · 76 N on 31 kg: exactly twice the weight is 608 N
		{"1.42 m", "76 N", ""},
		{"1.5 m", "76 N", "the craft's radius is 1.4 m in the pad file and 1.5 m"},
		{"1.4 m", "90 N", "by the test card it may be 2.37 times without ballast"},
		{"1.4 m", "50 N", ""}, // reads too high, within what lightest and losses leave
		{"1.4 m", "45 N", "reads too high, so that it trips early"},
	} {
		crd := cardOf(t, "[craft]\nname = \"c\"\nmass = \"31 kg\"\nradius = \""+c.radius+"\"\n[motors]\ncount = 8\nthrust = \""+c.thrust+"\"\n[[step]]\nname = \"one\"\nballast = \"0 lb\"\n")
		crd.Units = "metric"
		radius, full := agree(p, crd)
		got := radius + full
		if !strings.Contains(got, c.want) || (c.want == "") != (got == "") {
			t.Errorf("%+v: %q", c, got)
		}
	}
}
