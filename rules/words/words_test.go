package words

import (
	"os"
	"strings"
	"testing"

	"downhaul/rules"
	"downhaul/rules/card"
)

func TestSentences(t *testing.T) {
	want := []string{
		"Power off at once if craft.apex is above 7 m. No good value for 300 ms: power off at once.",
		"Bring it down, power off when down or after 20 s, if pack.voltage is below 21 V for 1 s; caution below 22 V. No good value for 2.5 s: bring it down, power off when down or after 10 s.",
		"Caution only if craft.yaw is outside -60 deg to 60 deg; caution outside -40 deg to 40 deg. No good value for 200 ms: caution only.",
		"Power off at once if tether.tension rises faster than 5 kN/s (over 100 ms). No good value for 50 ms: power off at once.",
		"While airborne: Caution only if craft.status is not 4. No good value for 2.5 s: caution only.",
		"While armed: Caution only if craft.landed is true. No good value for 1.5 s: caution only.",
		"To start, wind.peak10min must be 15 mph or less. No good value for 3 s: no start.",
		"To start, supply.left must be 80 % or more. No good value for 2.5 s: no start.",
	}
	text, err := os.ReadFile("../testdata/small.toml")
	if err != nil {
		t.Fatal(err)
	}
	e, faults := rules.ReadEnvelope("small.toml", text)
	if err := faults.Err(); err != nil {
		t.Fatal(err)
	}
	var got []string
	for i := range e.Rules {
		got = append(got, Rule(&e.Rules[i]))
	}
	for i := range e.Permissives {
		got = append(got, Permissive(&e.Permissives[i]))
	}
	for i := range want {
		if got[i] != want[i] {
			t.Errorf("sentence %d\n got: %s\nwant: %s", i+1, got[i], want[i])
		}
	}
}

func TestSteps(t *testing.T) {
	text, err := os.ReadFile("../card/testdata/card.toml")
	if err != nil {
		t.Fatal(err)
	}
	c, faults := card.Read("card.toml", text)
	if err := faults.Err(); err != nil {
		t.Fatal(err)
	}
	s := &c.Steps[3]
	if got, want := Step(s, c), "empty hover: 0 kg of ballast, 31 kg in all; first: first power-up, fasteners, wind at most 10 mph, packs A1, keep-out empty."; got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	if got, want := Step(&c.Steps[0], c), "blade clearance: inspection; at least 40 mm; counts for 1 d."; got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	if got, want := strings.Join(Conditions(&c.Steps[5]), "; "), "a steady hover of 60 s at the step before; lift reserve of 20 % in the last report; no trip in the last run"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
}

// A reading that passed a limit reads otherwise than it, by no more digits than that takes;
// one that four decimals do not tell from it is said to be past it.
func TestPastReadsOtherwiseThanItsLimit(t *testing.T) {
	for _, c := range []struct {
		value, limit float64
		unit, want   string
		caution      bool
	}{
		{4500.3, 4500, "kN", "4.5003 kN, limit 4.5 kN", false},
		{4521, 4500, "kN", "4.52 kN, limit 4.5 kN", false},
		{6.0003, 6, "m", "6.0003 m, limit 6 m", false},
		{3.4496, 3.45, "V", "3.4496 V, limit 3.45 V", false},
		{8.9412, 8.9408, "mph", "20.001 mph, limit 20 mph", false},
		{6 + 1e-9, 6, "m", "just past its limit, 6 m", false},
		{4.5004, 4.5, "m", "4.5004 m, caution from 4.5 m", true},
		{4.5, 4.5, "m", "at its caution, 4.5 m", true},
	} {
		if got := Past(c.value, c.limit, c.unit, c.caution); got != c.want {
			t.Errorf("%v past %v %s: %q, want %q", c.value, c.limit, c.unit, got, c.want)
		}
	}
	// A rule without an upper limit has 0 there, and calm stays calm.
	if got := rules.Reading(0.02, "m/s", 8, 0); got != "0 m/s" {
		t.Errorf("calm reads %q", got)
	}
}
