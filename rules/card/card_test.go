package card

import (
	"crypto/sha256"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"downhaul/rules"
)

func example(t testing.TB) []byte {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("testdata", "card.toml"))
	if err != nil {
		t.Fatal(err)
	}
	return text
}

func mustRead(t testing.TB, text []byte) *Card {
	t.Helper()
	c, faults := Read("card.toml", text)
	if faults != nil {
		t.Fatal(faults)
	}
	return c
}

func TestReadWholeCard(t *testing.T) {
	c := mustRead(t, example(t))
	if c.Craft != (Craft{Name: "Eight", Mass: 31, Structure: 22, Radius: 1.4}) || c.Units != "metric" {
		t.Errorf("craft %+v, units %q", c.Craft, c.Units)
	}
	m := &c.Motors
	// Lever and scale: thrust is reading times lever, 80 N · 2.5.
	if m.Count != 2 || m.Thrust != 200 || !m.HasLosses || m.LossLow != 0.1 || m.LossHigh != 0.15 || m.Rig.Volts != 48 {
		t.Errorf("motors %+v", *m)
	}
	if len(m.Places) != 2 || m.Places[0].Right != -0.4 || m.Places[1].Spin != CounterClockwise {
		t.Errorf("places %+v", m.Places)
	}
	if p, ok := c.Pack("a1"); !ok || p.Cells != 14 || p.Capacity != 22*3600 || p.Mass != 4.5 {
		t.Errorf("pack %+v", p)
	}
	s, ok := c.Step("EMPTY hover")
	if !ok || s.Kind != Flight || len(s.Needs) != 2 || s.Shown.Packs[0] != "A1" || math.Abs(s.Shown.Wind-4.4704) > 1e-12 {
		t.Errorf("step %+v", s)
	}
	if s, _ := c.Step("first power-up"); s.Kind != Ground || s.Needs[0] != "blade clearance" {
		t.Errorf("a need is not as the card spells it: %+v", s)
	}
	last := &c.Steps[5]
	// The SHA-256 of nothing at all (NIST, secure hashing examples).
	if last.Envelope != "heavy.toml" || last.EnvelopeHash[0] != 0xe3 || last.EnvelopeHash[31] != 0x55 || last.Shown.Hover != time.Minute || last.Shown.Reserve != 0.2 {
		t.Errorf("step %+v", last)
	}
}

// What Unmet holds against the facts is not the crew's to see to as well.
func TestForCrewIsWhatNobodyHolds(t *testing.T) {
	c := mustRead(t, example(t))
	hover, ballast := &c.Steps[3], &c.Steps[5]
	for _, row := range []struct {
		got  []string
		want string
	}{
		{hover.ForCrew(false), "keep-out empty"},
		{hover.ForCrew(true), "wind at most 10 mph, by the pad's own anemometer; keep-out empty"},
		{ballast.ForCrew(false), ""},
	} {
		if got := strings.Join(row.got, "; "); got != row.want {
			t.Errorf("got %q, want %q", got, row.want)
		}
	}
}

func TestExampleForTheFieldHolds(t *testing.T) {
	name := filepath.Join("..", "..", "deploy", "card.example.toml")
	text, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	c, faults := Read(name, text)
	if faults != nil {
		t.Fatal(faults)
	}
	if len(c.Motors.Places) != c.Motors.Count || !c.Motors.Rig.Measured || !c.Motors.HasLosses {
		t.Errorf("the example leaves out what it is there to show: %+v", c.Motors)
	}
	stop, ok := c.Step("stop test")
	if !ok || !stop.Stopping || stop.TieDownPull == 0 {
		t.Fatalf("the example has no stop test: %+v", stop)
	}
	limits, err := os.ReadFile(filepath.Join("..", "..", "deploy", stop.Envelope))
	if err != nil {
		t.Fatal(err)
	}
	if sha256.Sum256(limits) != stop.EnvelopeHash || strings.Contains(string(limits), `"craft.apex"`) {
		t.Error("the stop test's limits are others than the card's, or watch craft.apex")
	}
	// Half of an even count turns each way, or the craft would spin.
	turns := 0
	for _, p := range c.Motors.Places {
		if p.Spin == Clockwise {
			turns++
		}
	}
	if 2*turns != c.Motors.Count {
		t.Errorf("%d of %d turn clockwise", turns, c.Motors.Count)
	}
}

func TestLimitJudgesTypedValues(t *testing.T) {
	least := Limit{Form: AtLeast, Kind: rules.Length, Value: 0.04, Unit: "mm"}
	most := Limit{Form: AtMost, Kind: rules.Length, Value: 0.04, Unit: "mm"}
	pass := Limit{Pass: "every bolt at its mark"}
	for _, c := range []struct {
		limit       Limit
		typed, text string
		keeps       bool
	}{
		{least, "40 mm", "40 mm", true}, {least, "39.9 mm", "39.9 mm", false}, {least, "2 in", "2 in", true}, {least, "4cm", "4 cm", true},
		{most, "40 mm", "40 mm", true}, {most, "41 mm", "41 mm", false},
		{pass, "pass", "pass", true}, {pass, " FAIL ", "fail", false},
	} {
		text, keeps, err := c.limit.Judge(c.typed)
		if err != nil || text != c.text || keeps != c.keeps {
			t.Errorf("%s against %s: %q, %v, %v", c.typed, c.limit.Wants(), text, keeps, err)
		}
	}
	for _, c := range []struct {
		limit Limit
		typed string
		want  string
	}{
		{least, "40 N", `N is a unit of force, and this takes length`}, {least, "pass", "does not begin with a number"},
		{pass, "yes", `the result is "pass" or "fail" (got "yes"); pass means: every bolt at its mark`},
	} {
		if _, keeps, err := c.limit.Judge(c.typed); err == nil || keeps || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %s", c.typed, err, c.want)
		}
	}
}

func FuzzRead(f *testing.F) {
	text := example(f)
	f.Add(text)
	f.Add(text[:len(text)/2])
	f.Add([]byte(strings.ReplaceAll(string(text), "\"", "")))
	f.Add([]byte(strings.ReplaceAll(string(text), "=", "= -")))
	f.Fuzz(func(t *testing.T, text []byte) {
		c, faults := Read("card.toml", text)
		if (c != nil) == (len(faults) > 0) {
			t.Fatalf("a card: %v, with %d faults", c != nil, len(faults))
		}
		for i, x := range faults {
			if x.Line < 1 || x.Wrong == "" || strings.ContainsAny(x.Error(), "\n\r") {
				t.Errorf("a poor fault: %q", x.Error())
			}
			if i > 0 && x.Line < faults[i-1].Line {
				t.Errorf("faults out of order: %v", faults)
			}
		}
		if c == nil {
			return
		}
		for i := range c.Steps {
			for _, need := range c.Steps[i].Needs {
				if before, ok := c.Step(need); !ok || before.Line >= c.Steps[i].Line {
					t.Errorf("%q needs %q, which is not an earlier step", c.Steps[i].Name, need)
				}
			}
		}
	})
}

// Where a card states no losses and no guard, none are taken off: the modelled craft of a
// rehearsal takes off what stands there.
func TestWithoutLossesNothingIsTakenOff(t *testing.T) {
	c, faults := Read("card.toml", []byte(strings.Replace("version = 1\n[craft]\nname = \"c\"\nmass = \"2 kg\"\n[[step]]\nname = \"one\"\nballast = \"0 kg\"\n", "[[step]]", "[motors]\ncount = 2\n[[motor]]\nnumber = 1\nahead = \"1 m\"\nright = \"1 m\"\nspin = \"cw\"\n[[motor]]\nnumber = 2\nahead = \"-1 m\"\nright = \"-1 m\"\nspin = \"cw\"\n[[step]]", 1)))
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	if m := c.Motors; m.HasLosses || m.LossLow != 0 || m.LossHigh != 0 || m.HasGuard || m.GuardLow != 0 || m.GuardHigh != 0 {
		t.Errorf("losses %v to %v, guard %v to %v", m.LossLow, m.LossHigh, m.GuardLow, m.GuardHigh)
	}
}
