package hazard

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"downhaul/interlock/records/stopping"
	"downhaul/interlock/sense"
	"downhaul/rules/card"
)

const pound = 0.45359237 // kg, by definition

func cardOf(t *testing.T, text string) *card.Card {
	t.Helper()
	c, faults := card.Read("card.toml", []byte("version = 1\nunits = \"imperial\"\n"+text))
	if c == nil {
		t.Fatal(faults)
	}
	return c
}

// doubtsOf is what is doubtful in a card alone, with what follows from it.
func doubtsOf(c *card.Card) (out []string) {
	_, doubts := Look(&sense.Files{Card: c}, stopping.Times{}, nil, time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC))
	for _, d := range doubts {
		out = append(out, d.Wrong)
	}
	return out
}

func liftCard(thrust, losses, mass, ballast string) string {
	return fmt.Sprintf("[craft]\nname = \"c\"\nmass = %q\n[motors]\ncount = 8\nthrust = %q\nlosses = %q\n[[step]]\nname = \"one\"\nballast = %q\n",
		mass, thrust, losses, ballast)
}

// Facts of the trade, common practice with no source: eight motors of 54 lbf
// less 10 to 15 % less 130 lb of structure leave about 240 lb; eight of 35 lbf
// less 5 to 10 % less 100 lb leave about 160 lb.
func TestLiftBudgetOfTheTrade(t *testing.T) {
	for _, c := range []struct {
		thrust, losses, structure string
		low, high, about          float64
	}{
		{"54 lbf", "10 % to 15 %", "130 lb", 8*54*0.85 - 130, 8*54*0.90 - 130, 240},
		{"35 lbf", "5 % to 10 %", "100 lb", 8*35*0.90 - 100, 8*35*0.95 - 100, 160},
	} {
		l, ok := liftOf(cardOf(t, liftCard(c.thrust, c.losses, c.structure, "0 lb")))
		if !ok {
			t.Fatal("no budget")
		}
		// A pound-force lifts a pound at standard gravity, by definition.
		near(t, "low", l.Left.Low/pound, c.low, 1e-6)
		near(t, "high", l.Left.High/pound, c.high, 1e-6)
		if c.about < l.Left.Low/pound || c.about > l.Left.High/pound {
			t.Errorf("about %g lb is not within %g to %g", c.about, l.Left.Low/pound, l.Left.High/pound)
		}
	}
}

func TestLiftBudgetSaysWhatIsLeft(t *testing.T) {
	for _, c := range []struct{ ballast, says, warning string }{
		{"0 lb", "237 lb to 258 lb left, thrust 2.82 to 2.99 times the weight", ""},
		{"200 lb", "37.2 lb to 58.8 lb left, thrust 1.11 to 1.17 times", "less than 1.2 leaves little to steer with"},
		{"250 lb", "-12.8 lb to 8.8 lb left", "with the greater losses the motors do not lift it"},
		{"300 lb", "41.2 lb to 62.8 lb too little left", "the motors do not lift it"},
	} {
		crd := cardOf(t, liftCard("54 lbf", "10 % to 15 %", "130 lb", c.ballast))
		says, l := Card(crd)
		warnings := doubtsOf(crd)
		text := strings.Join(says, "\n")
		if !strings.Contains(text, c.says) || !strings.Contains(text, "promises more than the craft lifts") || l == nil {
			t.Errorf("%s: %q, want %q", c.ballast, text, c.says)
		}
		if got := strings.Join(warnings, "\n"); !strings.Contains(got, c.warning) || (c.warning == "") != (got == "") {
			t.Errorf("%s warns %q, want %q", c.ballast, got, c.warning)
		}
	}
	says, l := Card(cardOf(t, "[craft]\nname = \"c\"\nmass = \"1 lb\"\n[[step]]\nname = \"one\"\nballast = \"0 lb\"\n"))
	if l != nil || !strings.Contains(says[0], "not known") {
		t.Errorf("a card without motors has a budget: %q", says)
	}
}

// A motor counts only up to where the rig saw it run clean.
func TestLiftCountsCleanThrustOnly(t *testing.T) {
	c := cardOf(t, "[craft]\nname = \"c\"\nmass = \"130 lb\"\n[motors]\ncount = 8\nlosses = \"0 % to 0 %\"\n[motors.rig]\nreading = \"27 lbf\"\nlever = 2\nvolts = \"48 V\"\nclean_to = \"50 lbf\"\n[[step]]\nname = \"one\"\nballast = \"0 lb\"\n")
	says, l := Card(c)
	near(t, "left", l.Left.Low/pound, 8*50-130, 1e-6)
	if !strings.Contains(strings.Join(says, "\n"), "Of 54 lbf a motor only 50 lbf is counted") {
		t.Errorf("it is not said: %q", says)
	}
}

func TestGeometryOfTheMotors(t *testing.T) {
	place := func(n int, ahead, right, spin string) string {
		return fmt.Sprintf("[[motor]]\nnumber = %d\nahead = %q\nright = %q\nspin = %q\n", n, ahead, right, spin)
	}
	base := "[craft]\nname = \"c\"\nmass = \"10 lb\"\n[motors]\ncount = 2\n"
	end := "[[step]]\nname = \"one\"\nballast = \"0 lb\"\n"
	good := doubtsOf(cardOf(t, base+place(1, "1 ft", "0 ft", "cw")+place(2, "-1 ft", "0 ft", "ccw")+end))
	if len(good) != 0 {
		t.Errorf("a good frame is warned of: %q", good)
	}
	bad := doubtsOf(cardOf(t, base+place(1, "1 ft", "1 ft", "cw")+place(2, "-0.8 ft", "-1 ft", "cw")+end))
	if len(bad) != 2 || !strings.Contains(bad[0], "turn by itself") || !strings.Contains(bad[1], "0.1 ft ahead and 0 ft to the right") {
		t.Errorf("warnings %q", bad)
	}
}

// A motor counts with no more than it ran clean with; the heaviest step is one that
// carries something.
func TestWhatCountsOfACard(t *testing.T) {
	for _, c := range []struct{ thrust, clean, want float64 }{{200, 190, 190}, {200, 0, 200}, {200, 210, 200}} {
		if got := usable(&card.Motors{Thrust: c.thrust, Rig: card.Rig{CleanTo: c.clean}}); got != c.want {
			t.Errorf("thrust %g, clean to %g: %g, want %g", c.thrust, c.clean, got, c.want)
		}
	}
	c := &card.Card{Craft: card.Craft{Mass: 31}, Steps: []card.Step{{}, {Ballast: 10}, {Ballast: 4}}}
	if got := Heaviest(c); got != 41 {
		t.Errorf("heaviest %g", got)
	}
}
