package card

import (
	"fmt"
	"strings"
	"testing"
)

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

// A step that is measured wants places in which a lean can be told.
func TestPlacesInWhichNoLeanShowsCannotBeMeasured(t *testing.T) {
	square := []string{"1 1 cw", "-1 1 ccw", "-1 -1 cw", "1 -1 ccw"}
	for _, c := range []struct {
		old, new string
		places   []string
		want     string
	}{
		{"", "", square, ""},
		{"number = 3", "number = 17", square, "nothing can be measured: motor 17 is past output 16, the last that telemetry tells of"},
		{"", "", []string{"1 -1 cw", "0 0.01 ccw", "-1 1 cw"}, "nothing can be measured: the motors stand in one line, and a lean along it cannot be told from none"},
		{"", "", square[:2], "step[1].measured_by: nothing can be measured: the card does not say where the motors stand"},
	} {
		text := strings.Replace(string(framed("", c.places...)), c.old, c.new, 1)
		text = strings.Replace(text, "ballast = \"0 kg\"", "kind = \"ground\"\nmeasured_by = \"tilt\"\npass = \"good\"", 1)
		_, faults := Read("card.toml", []byte(text))
		got := ""
		if len(faults) > 0 {
			got = faults.Error()
		}
		if !strings.Contains(got, c.want) || (c.want == "") != (got == "") {
			t.Errorf("%q: got %s\nwant %s", c.places, got, c.want)
		}
	}
}
