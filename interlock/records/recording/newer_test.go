package recording

import (
	"bytes"
	"strings"
	"testing"
)

// A recording that a newer program wrote in another form is refused with what to do,
// and never read as a capture of somebody else: half of it would be left out in
// silence.
func TestNewerRecordingIsRefused(t *testing.T) {
	text := short(t)
	for was, is := range map[string]string{
		"downhaul recording 1":                "downhaul recording 2",
		"form 1: pulse edges of":              "form 2: pulse edges of",
		"form 1: decisions of the engine":     "form 7: decisions of the engine",
		"form 1: MAVLink bytes of a stream, ": "form 2: MAVLink bytes of a stream, ",
	} {
		newer := bytes.Replace(text, []byte(was), []byte(is), 1)
		if bytes.Equal(newer, text) {
			t.Fatalf("%q does not stand in a recording", was)
		}
		r, err := OpenReader(bytes.NewReader(newer))
		if err == nil {
			_, err = read(t, r)
		}
		if err == nil || !strings.Contains(err.Error(), "newer version") {
			t.Errorf("%q: %v", is, err)
		}
		r, err = OpenReader(bytes.NewReader(newer), PastDamage())
		if err == nil {
			_, err = read(t, r)
		}
		if err == nil || !strings.Contains(err.Error(), "newer version") {
			t.Errorf("%q, past damage: %v", is, err)
		}
	}
}
