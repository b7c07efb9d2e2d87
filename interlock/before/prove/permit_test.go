package prove

import (
	"strings"
	"testing"
)

// startRow is one condition of a start.
func startRow(name, watch, holds string) string {
	return "[[permissive]]\nname = \"" + name + "\"\nwatch = \"" + watch + "\"\n" + holds + "\n"
}

// Each form of condition, on what the pad measures, on what the craft tells and
// on what is worked out, is shown to hold a start back alone, to the step.
func TestEveryFormOfStartConditionIsProved(t *testing.T) {
	rows := []string{
		startRow("calm", "wind.peak10min", `below = "15 mph"`),
		startRow("wind at all", "wind.speed", `above = "1 m/s"`),
		startRow("full", "pack.voltage", `above = "47 V"`),
		startRow("rested", "pack.resting", `above = "48 V"`),
		startRow("cool", "pack.temperature", `outside = ["30 degC", "40 degC"]`),
		startRow("slack", "tether.tension", `below = "100 N"`),
		startRow("well", "craft.status", `is = 3`),
		startRow("not ill", "told1", `is_not = 4`),
		startRow("on the ground", "craft.landed", `is = true`),
		startRow("idle", "motor.highest", `below = "5 %"`),
		startRow("low", "craft.height", `below = "20 cm"`),
	}
	r := report(t, setupOf(t, []byte("version = 1\ntitle = \"starts\"\n"+wideRule("tilt", "craft.tilt", `above = "35 deg"`, now)+strings.Join(rows, "")), []byte(widePad)))
	for _, f := range faults(r) {
		t.Error(f)
	}
	got := map[string]Case{}
	for _, c := range r.Starts {
		t.Log(c.Name, c.Outcome, c.Says)
		if old, twice := got[c.Name]; !twice || old.Outcome == Pass {
			got[c.Name] = c
		}
	}
	for name, says := range map[string]string{
		"calm": "15.00000", "wind at all": "0.99999", "full": "46.999 V", "rested": "47.99", "cool": "39.99 degC",
		"slack": "100.0025 N", "well": "alone", "not ill": "4 alone", "on the ground": "false alone",
	} {
		for _, c := range []string{name, name + ", lost while live", name + ", silent"} {
			if got[c].Outcome != Pass {
				t.Errorf("%s: %s: %s", c, got[c].Outcome, got[c].Says)
			}
		}
		if !strings.Contains(got[name].Says, says) {
			t.Errorf("%s: %s, without %q", name, got[name].Says, says)
		}
	}
}

// A value a hair from its limit has digits that tell a person nothing; one step of a coarse
// field away it has.
func TestHairOfALimit(t *testing.T) {
	for _, c := range []struct {
		v, limit float64
		unit     string
		want     bool
	}{{5.500002, 5.5, "m/s", true}, {5.51, 5.5, "m/s", false}, {3.899, 3.9, "V", false}, {5.5, 5.5, "m/s", false}, {1800.0025, 1800, "N", true}, {1, 1.0000001, "", false}} {
		if got := Hair(c.v, c.limit, c.unit); got != c.want {
			t.Errorf("%v of %v %s: %v", c.v, c.limit, c.unit, got)
		}
	}
}
