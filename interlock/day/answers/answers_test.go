package answers

import (
	"strings"
	"testing"
)

// A tool beside a newer guard says so: half of what such a guard tells would be
// shown as zeros.
func TestNewerGuardIsNotMisread(t *testing.T) {
	for _, c := range []struct {
		reply Reply
		says  string
	}{
		{Reply{Error: "too many"}, "the guard says: too many"},
		{Reply{OK: true}, ""},
		{Reply{OK: true, Seen: &Seen{Schema: SeenSchema}}, ""},
		{Reply{OK: true, Seen: &Seen{Schema: SeenSchema + 1}}, "same version"},
	} {
		if err := c.reply.Err(); (err == nil) != (c.says == "") || err != nil && !strings.Contains(err.Error(), c.says) {
			t.Errorf("%+v: %v, want %q", c.reply, err, c.says)
		}
	}
}
