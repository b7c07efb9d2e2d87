package prove

import (
	"strings"
	"testing"
)

// widePad has every device, and values that the craft names.
const widePad = `version = 1
title   = "Proof pad"
duty    = "guard"
log_folder = "/tmp/proof"
socket     = "/tmp/proof/guard.sock"

[craft]
system      = 7
component   = 1
radius      = "1.7 m"
motors      = 8
output_idle = "1100 us"
output_full = "1900 us"

[reach]
how  = "wired pair"

[stop]
measured = "1.2 s"
method   = "video"
date     = "2031-05-03"
by       = "AB"

[height]
vote         = ["local", "range"]
rule         = "highest"
disagreement = "1 m"
error_height     = "0.3 m"
error_climb      = "0.2 m/s"
reaction         = "300 ms"
thrust_to_weight = 1.8

[anchor]
north = "3 m"
east  = "-2 m"

[[link]]
kind    = "serial"
device  = "/dev/serial/by-id/x"
baud    = 57600

[packs]
source = "battery_status"
cells  = 12
floor  = "40 V"
count  = 2

[wind]
slope           = "0.62 m"
offset          = "0.27 m/s"
height          = "3 m"
rotor_height    = "6 m"
method          = "log"
roughness       = "0.03 m"

[load_cell]
zero              = 84000
newtons_per_count = -0.0025
rate              = "80 Hz"

[[named]]
name    = "hyd"
channel = "told1"

[board]
kind   = "virtual"
socket = "/tmp/proof/board.sock"

[absent]
hold = "two people"
`

// wideRule makes a rule from a few words; a controlled stop needs a grace.
func wideRule(name, watch, limit, more string) string {
	return "[[rule]]\nname = \"" + name + "\"\nwatch = \"" + watch + "\"\n" + limit + "\n" + more + "\n"
}

const now, soon = "stop = \"immediate\"", "stop = \"controlled\"\ngrace = \"6 s\""

// wide is an envelope of many forms and channels.
func wide() string {
	return "version = 1\ntitle = \"many\"\n" + strings.Join([]string{
		wideRule("ceiling", "craft.apex", `above = "7 m"`, now),
		wideRule("height", "craft.height", `above = "8 m"`+"\nlasting = \"600 ms\"", now),
		wideRule("local height", "craft.height.local", `above = "9 m"`, now),
		wideRule("climb", "craft.climb", `above = "3 m/s"`, soon),
		wideRule("climbs fast", "craft.height", `rising_faster = "2.5 m/s"`, soon),
		wideRule("sinks fast", "craft.height", `falling_faster = "2.5 m/s"`, soon),
		wideRule("tilt", "craft.tilt", `above = "35 deg"`+"\ncaution = \"25 deg\"\nlasting = \"250 ms\"\nwhile = \"airborne\"", now),
		wideRule("roll", "craft.roll", "outside = [\"-30 deg\", \"30 deg\"]\nlasting = \"150 ms\"", now),
		wideRule("drift", "craft.distance", `above = "5 m"`, soon),
		wideRule("slant", "craft.slant_range", `above = "9 m"`, soon),
		wideRule("sway", "craft.sway", `above = "2 m"`, soon),
		wideRule("floor", "pack.lowest_cell", `below = "3.45 V"`+"\nlasting = \"1.5 s\"", soon),
		wideRule("floor 2", "pack2.voltage", `below = "42 V"`+"\nlasting = \"1.5 s\"", soon),
		wideRule("mean cell", "pack.mean_cell", `below = "3.5 V"`, soon),
		wideRule("spread", "pack.cell_spread", `above = "100 mV"`, soon),
		wideRule("current", "pack.current", `above = "150 A"`, soon),
		wideRule("headroom", "motor.headroom", `below = "8 %"`+"\nlasting = \"1 s\"", soon),
		wideRule("uneven", "motor.spread", `above = "40 %"`, soon),
		wideRule("overspeed", "rotor.speed", `above = "6000 rpm"`, now),
		wideRule("overload", "tether.tension", `above = "1800 N"`+"\nlasting = \"40 ms\"", now),
		wideRule("snatch", "tether.tension", `rising_faster = "3 kN/s"`, now),
		wideRule("jerk", "tether.tension_rate", `above = "4 kN/s"`+"\nlasting = \"150 ms\"\ncaution = \"3 kN/s\"", now),
		wideRule("jerks", "tether.tension_rate", `outside = ["-2 kN/s", "2 kN/s"]`+"\nlasting = \"200 ms\"", soon),
		wideRule("climbs on", "craft.height.local", `rising_faster = "2 m/s"`+"\nlasting = \"1 s\"\ndeadband = \"0.2 m/s\"", now),
		wideRule("draws more", "pack.current", `rising_faster = "4 A/s"`+"\nlasting = \"5 s\"", "stop = \"none\""),
		wideRule("draws less", "pack.current", `falling_faster = "4 A/s"`+"\nlasting = \"5 s\"\ndeadband = \"0.5 A/s\"", soon),
		wideRule("gust", "wind.gust3s", `above = "8 m/s"`+"\ncaution = \"6 m/s\"", soon),
		wideRule("wind up there", "wind.rotor", `above = "12 m/s"`, soon),
		wideRule("lag", "link.lag", `above = "250 ms"`, now),
		wideRule("age", "link.age", `above = "400 ms"`, now),
		wideRule("loss", "link.loss", `above = "20 %"`, soon),
		wideRule("pressure", "told1", `below = 40`, soon),
		wideRule("state", "craft.status", `is = 6`, now),
		wideRule("turns fast", "craft.yaw", `rising_faster = "40 deg/s"`+"\nwhile = \"airborne\"", now),
		wideRule("hot at last", "pack.temperature", `above = "60 degC"`+"\nwhile = \"armed\"\nlasting = \"3 s\"", "stop = \"none\""),
		wideRule("worn pack", "pack.resistance", `above = "60 mohm"`, soon),
		wideRule("worn pack, warned", "pack.resistance", `outside = ["10 mohm", "50 mohm"]`, "stop = \"none\""),
		wideRule("empty", "pack.resting", `below = "45 V"`+"\nlasting = \"3 s\"", soon),
		wideRule("warm", "esc.temperature", `above = "80 degC"`, "stop = \"none\""),
		wideRule("shakes", "craft.vibration", `above = "30 m/s2"`, "stop = \"none\""),
	}, "")
}

func TestManyFormsAndChannelsAreProved(t *testing.T) {
	r, own := wholly(t, setupOf(t, []byte(wide()), []byte(widePad)))
	for _, f := range faults(r, own...) {
		t.Error(f)
	}
	for _, row := range r.Rules {
		if row.Outcome != Pass {
			t.Errorf("%s: %s %s", row.Rule, row.Outcome, row.Why)
		}
		t.Log(row.Rule, row.Side, row.Outcome, row.Why, len(row.Cases), *p(row.Held), *p(row.Tripped), *p(row.Detect), *p(row.Budget), *p(row.Silence))
	}
	t.Log(r.Notes)
}

func p(v *float64) *float64 {
	if v == nil {
		v = new(float64)
	}
	return v
}

// Rules that no start can be made with, or no flight, are named with the
// reason, and take nothing away from the others.
func TestRulesInTheWayAreNamedAndTheOthersProved(t *testing.T) {
	r := report(t, setupOf(t, []byte("version = 1\ntitle = \"contrary\"\n"+strings.Join([]string{
		wideRule("roll", "craft.roll", `above = "30 deg"`, now),
		// Outputs must be idle before a start is taken.
		wideRule("never idle", "motor.highest", `below = "30 %"`, now),
		wideRule("stays down", "craft.landed", `is = false`, now),
		wideRule("low", "craft.height.local", `above = "3 m"`, now),
		wideRule("high", "craft.height.local", `above = "5 m"`, now),
	}, "")), []byte(widePad)))
	for _, f := range faults(r) {
		t.Error(f)
	}
	got := map[string]Row{}
	for _, row := range r.Rules {
		t.Log(row.Rule, row.Outcome, row.Why, row.Beside)
		got[row.Rule] = row
	}
	for name, want := range map[string][3]string{
		"roll":       {Pass, "", ""},
		"never idle": {NotProven, "no start can be made with it", ""},
		"low":        {Pass, "", ""},
		"high":       {Pass, "", `"low" trips`},
		"stays down": {Pass, "", ""},
	} {
		row := got[name]
		if row.Outcome != want[0] || !strings.Contains(row.Why, want[1]) || !strings.Contains(row.Beside, want[2]) {
			t.Errorf("%s: %s, %q, %q; want %q", name, row.Outcome, row.Why, row.Beside, want)
		}
	}
}

// The predicted apex grows with silence alone: its upper limit is reached in the
// midst between two samples, also where the limit is the upper of two.
func TestTheUpperOfTwoLimitsOfAPredictionActsBetweenSamples(t *testing.T) {
	for _, stop := range []string{now, "stop = \"none\"\nwhile = \"airborne\""} {
		r := report(t, setupOf(t, []byte("version = 1\ntitle = \"both\"\n"+wideRule("between", "craft.apex", `outside = ["-3 m", "9 m"]`, stop)), []byte(widePad)))
		for _, f := range faults(r) {
			t.Error(f)
		}
		if row := r.Rules[1]; row.Side != "above" || row.Outcome != Pass || row.Tripped == nil || *row.Tripped < 9 || *row.Tripped > 9.001 {
			t.Errorf("%s: %s %s, tripped at %v", row.Side, row.Outcome, row.Why, *p(row.Tripped))
		}
	}
}
