package rounding

import (
	"math"
	"strconv"
	"strings"
	"testing"

	"downhaul/rules"
)

func TestThreeDigits(t *testing.T) {
	for _, c := range []struct {
		si   float64
		unit string
		way  Way
		want string
	}{
		{13.2942, "m/s", Near, "13.3 m/s"}, {0.96648, "s", Near, "0.966 s"}, {22241.108, "lbf", Near, "5000 lbf"}, {0, "m", Near, "0 m"},
		{1234.6, "N", Near, "1235 N"}, {0.01234, "m", Near, "0.0123 m"}, {-2.3456, "m", Near, "-2.35 m"}, {109.4, "m", Near, "109 m"}, {1.5, "no unit", Near, "1.5"},
		{5.761, "m", Up, "5.77 m"}, {5.76, "m", Up, "5.76 m"}, {12.34, "m", Up, "12.4 m"}, {100.2, "m", Up, "101 m"}, {7, "m", Up, "7 m"}, {0, "m", Up, "0 m"},
		{9.996, "m", Up, "10 m"}, {1.6*(3+0.05+0.02) + 0.85, "m", Up, "5.77 m"},
		{5.769, "m/s", Down, "5.76 m/s"}, {5.76, "m/s", Down, "5.76 m/s"}, {2200, "N", Down, "2200 N"}, {999.9, "N", Down, "999 N"}, {-0.4, "kg", Down, "-0.4 kg"},
		{-2.3456, "kg", Down, "-2.35 kg"}, {-2.3456, "kg", Up, "-2.34 kg"},
	} {
		if got := Show(c.si, c.unit, 3, c.way); got != c.want {
			t.Errorf("%g %s: %s, want %s", c.si, c.unit, got, c.want)
		}
	}
	if got := Show(math.NaN(), "m", 3, Near); got != rules.Format(math.NaN(), "m") {
		t.Errorf("no number: %s", got)
	}
}

// What is left rounds down; what is past a limit is as far past it as the reading beside it
// shows: 11.35 m/s at a limit of 8 reads 11.4, and 3.4 past it.
func TestHeadroomGoesWithItsReading(t *testing.T) {
	for si, want := range map[float64]string{3.36: "3.3 m/s", 0.04: AtLimit, -0.04: AtLimit, -3.36: "-3.4 m/s", -3.34: "-3.3 m/s"} {
		if got := Headroom(si, "m/s"); got != want {
			t.Errorf("%g: %s, want %s", si, got, want)
		}
	}
}

func TestCoarse(t *testing.T) {
	for _, c := range []struct {
		si   float64
		unit string
		way  Way
		want string
	}{{486, "N", Near, "490 N"}, {486, "N", Down, "480 N"}, {486, "N", Up, "490 N"}, {0.0486, "m", Near, "0.049 m"}, {6.75, "m", Down, "6.7 m"}, {2200, "N", Down, "2200 N"}} {
		if got := Coarse(c.si, c.unit, 2, c.way); got != c.want {
			t.Errorf("%g: %s, want %s", c.si, got, c.want)
		}
	}
}

// In every unit, what is read back from the text is not on the dangerous side, and
// no farther off than its last digit.
func TestNoUnitRoundsToTheDangerousSide(t *testing.T) {
	for _, kind := range []rules.Kind{rules.Length, rules.Speed, rules.Force, rules.Mass, rules.Duration, rules.Voltage, rules.Ratio} {
		for _, unit := range kind.Units() {
			for si := 0.0137; si < 1e5; si *= 1.37 {
				for _, way := range []Way{Up, Down} {
					number, _, _ := strings.Cut(Show(si, unit, 3, way), " ")
					got, err := strconv.ParseFloat(strings.TrimSuffix(number, "%"), 64)
					if err != nil {
						t.Fatal(err)
					}
					exact, _ := rules.Convert(si, unit)
					off := (got - exact) / exact
					if way == Down {
						off = -off
					}
					if off < -1e-9 || off > 0.01 && math.Abs(got-exact) > 1e-8 && exact < 100 || off > 0.011 && exact >= 100 {
						t.Errorf("%v: %v %s is shown as %v", way, exact, unit, got)
					}
				}
			}
		}
	}
}
