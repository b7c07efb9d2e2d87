package hazard

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"downhaul/interlock/records/stopping"
	"downhaul/interlock/sense"
	"downhaul/rules/card"
)

// Motors that all stand near the middle of a craft of that radius would have their rotors
// turn in each other: most often feet that were written as metres.
func TestMotorsTooNearTheMiddle(t *testing.T) {
	for _, c := range []struct {
		arm  float64
		want bool
	}{{1, false}, {0.5, false}, {0.3, true}, {0.1, true}} {
		a, b := fmt.Sprintf("%.2f %.2f", c.arm, c.arm/10), fmt.Sprintf("%.2f %.2f", c.arm/10, c.arm)
		neg := func(s string) string { return "-" + strings.ReplaceAll(s, " ", " -") }
		text := framed("radius = \"1.4 m\"", a+" cw", b+" ccw", neg(a)+" cw", neg(b)+" ccw")
		crd, faults := card.Read("card.toml", text)
		if crd == nil {
			t.Fatal(faults)
		}
		_, doubts := Sense(&sense.Files{Card: crd, CardFile: sense.Source{Name: "card.toml", Text: text}}, stopping.Times{}, nil, time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC))
		if got := strings.Contains(doubts.Error(), "rotors would turn in each other"); got != c.want {
			t.Errorf("arms of %v m: %v", c.arm, doubts)
		}
	}
}

// framed is a card with those motors; each place is "ahead right spin", in m.
func framed(craft string, places ...string) []byte {
	var b strings.Builder
	fmt.Fprintf(&b, "version = 1\n[craft]\nname = \"c\"\nmass = \"10 kg\"\n%s\n[motors]\ncount = %d\n", craft, len(places))
	for i, p := range places {
		f := strings.Fields(p)
		fmt.Fprintf(&b, "[[motor]]\nnumber = %d\nahead = \"%s m\"\nright = \"%s m\"\nspin = %q\n", i+1, f[0], f[1], f[2])
	}
	b.WriteString("[[step]]\nname = \"one\"\nballast = \"0 kg\"\n")
	return []byte(b.String())
}

func TestLayoutsThatNoCraftHasAreRefused(t *testing.T) {
	for _, c := range []struct {
		craft  string
		places []string
		want   string
	}{
		{"", []string{"1 1 cw", "-1 1 ccw", "-1 -1 cw", "1 -1 ccw"}, ""},
		// One above the other, two rows, a frame of three.
		{"", []string{"1 0 cw", "1 0 ccw", "-1 0 cw", "-1 0 ccw"}, ""},
		{"", []string{"0.5 1 cw", "0.5 -1 ccw", "-1 0 cw"}, ""},
		{"", []string{"1 0 cw", "-0.9 0.03 ccw"}, ""},
		{"", []string{"1 1 cw", "2 1 ccw", "2 -1 cw", "1 -1 ccw"},
			`card.toml:10: motor[1].ahead: every motor stands ahead of the middle, by 1 m or more: such a craft cannot be level (got "1 m"); measure from the middle of the craft; behind it and to its left are negative`},
		{"", []string{"1 -1 cw", "-1 -1 ccw", "-1 -2 cw", "1 -2 ccw"},
			`card.toml:11: motor[1].right: every motor stands to the left of the middle, by 1 m or more: such a craft cannot be level (got "-1 m"); measure from the middle of the craft; behind it and to its left are negative`},
		{"", []string{"1 0 cw", "0 1 ccw", "1 1 cw"},
			`card.toml:10: motor[1].ahead: every motor stands ahead of and to the right of the middle, by 0.7071 m or more: such a craft cannot be level (got "1 m"); measure from the middle of the craft; behind it and to its left are negative`},
		{"", []string{"1 1 cw", "-1 1 ccw", "-1 -1 cw", "-1 -1.01 cw"},
			`card.toml:24: motor[4].number: stands where motor 3 stands and turns the same way (got the number 4); mend the place, or the spin if one hangs below the other`},
		{"radius = \"1.2 m\"", []string{"1 0.5 cw", "-1 0.5 ccw", "-1 -0.5 cw", "0.5 -1.5 ccw"},
			`card.toml:26: motor[4].right: the motor stands 1.581 m from the middle, outside the craft's radius of 1.2 m (got "-1.5 m"); measure from the middle of the craft, or mend radius or width under [craft]`},
		// One slip of the unit or of the radius is told once, at the motor that is farthest out.
		{"radius = \"1.2 m\"", []string{"10 10 cw", "-10 10 ccw", "-10 -11 cw", "10 -10 ccw"},
			`card.toml:21: motor[3].right: the motor stands 14.87 m from the middle, outside the craft's radius of 1.2 m, and 3 others with it (got "-11 m"); measure`},
		// What could not be read is told once, and nothing is made of it.
		{"", []string{"1 1 cw", "2 1 ccw", "2 - cw"}, `card.toml:21: motor[3].right: does not begin with a number`},
	} {
		text := framed(c.craft, c.places...)
		crd, faults := card.Read("card.toml", text)
		if crd != nil {
			faults, _ = Sense(&sense.Files{Card: crd, CardFile: sense.Source{Name: "card.toml", Text: text}}, stopping.Times{}, nil, time.Time{})
		}
		got := ""
		if len(faults) > 0 {
			got = faults.Error()
		}
		if c.want == "" && got != "" || !strings.HasPrefix(got, c.want) || strings.Contains(got, "\n") {
			t.Errorf("%q\n got %s\nwant %s", c.places, got, c.want)
		}
	}
}

// The middle is among the motors exactly when no line through it has all of
// them on one side; here every degree is tried.
func TestOutsideAgreesWithEveryDirection(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		var m card.Motors
		coordinate := rapid.Float64Range(-2, 2)
		for i := range rapid.IntRange(2, 9).Draw(r, "motors") {
			m.Places = append(m.Places, card.Place{Number: i + 1, Ahead: coordinate.Draw(r, "ahead"), Right: coordinate.Draw(r, "right")})
		}
		most := math.Inf(-1)
		for d := range 3600 {
			s, c := math.Sincos(float64(d) * math.Pi / 1800)
			least := math.Inf(1)
			for _, p := range m.Places {
				least = min(least, c*p.Ahead+s*p.Right)
			}
			most = max(most, least)
		}
		by, ahead, right := beside(&m)
		if most > 1e-9 && (by < most-1e-9 || by > most+0.003*LongestArm(&m)) {
			r.Errorf("outside by %g, by trying %g", by, most)
		}
		if most < -0.003*LongestArm(&m) && by > 1e-9 {
			r.Errorf("outside by %g toward %g, %g; by trying never, %g", by, ahead, right, most)
		}
	})
}
