package hazard

import (
	"strings"
	"testing"
	"time"

	"downhaul/interlock/records/stopping"
	"downhaul/interlock/sense"
	"downhaul/rules/card"
)

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
		crd, faults := card.Read("card.toml", []byte(text))
		if err := faults.Err(); err != nil {
			t.Fatal(err)
		}
		refused, _ := Sense(&sense.Files{Card: crd, CardFile: sense.Source{Name: "card.toml", Text: []byte(text)}}, stopping.Times{}, nil, time.Now())
		got := ""
		if len(refused) > 0 {
			got = refused.Error()
		}
		if !strings.Contains(got, c.want) || (c.want == "") != (got == "") {
			t.Errorf("%q: got %s\nwant %s", c.places, got, c.want)
		}
	}
}
