package hazard

import (
	"fmt"
	"strings"
	"testing"
)

// Thrust goes with density. By the published standard atmosphere the air at 1500 m has
// 0.8638 of sea level's density, at 2000 m 0.8217 (engineeringtoolbox.com, international
// standard atmosphere), with 5.3 and 2.0 °C.
func TestLiftBudgetGoesWithTheAir(t *testing.T) {
	const text = "%s\n[craft]\nname = \"c\"\nmass = \"130 lb\"\n[motors]\ncount = 8\nlosses = \"0 %% to 0 %%\"\n[motors.rig]\nreading = \"27 lbf\"\nlever = 2\nvolts = \"48 V\"\n%s\n[[step]]\nname = \"one\"\nballast = \"0 lb\"\n"
	const sea = "15 °C, 0 m"
	say := func(a string) string {
		if a == "" {
			return ""
		}
		return fmt.Sprintf("air = %q", a)
	}
	for _, c := range []struct {
		rig, pad string
		share    float64
		says     string
	}{
		{sea, "5.25 °C, 1500 m", 0.8638, "errs low"},
		{sea, "2 °C, 2000 m", 0.8217, "errs low"},
		{sea, "45 °C, 1013.25 hPa", 288.15 / 318.15, "113 °F"},
		{sea, "-20 °C, 0 m", 1, "is not counted, which errs low"},
		{"", sea, 1, "errs high"},
		{sea, "", 1, "errs high"},
	} {
		says, l := Card(cardOf(t, fmt.Sprintf(text, say(c.pad), say(c.rig))))
		if l == nil {
			t.Fatal(says)
		}
		near(t, "thrust of "+c.rig+" at "+c.pad, l.Thrust.High/Gravity/pound, 8*54*c.share, 0.1)
		if !strings.Contains(strings.Join(says, "\n"), c.says) {
			t.Errorf("at %q: want %q, got %q", c.pad, c.says, says)
		}
	}
}
