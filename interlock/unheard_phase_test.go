package interlock

import (
	"slices"
	"testing"
	"time"

	"downhaul/rules"
)

// A phase that begins because the word of it is too old: whether the silence of the
// craft is behind that goes by this word, and not by the channel of the rule that comes
// into force, whatever place the rule has in its file. Here the word of armed had
// stopped 1.5 s before the craft fell silent, so the silence is not behind it.
func TestPhaseThatAnOldWordBegins(t *testing.T) {
	const head = "version = 1\ntitle = \"t\"\n"
	const thrust = `
[[rule]]
name = "thrust"
watch = "motor.highest"
below = "5 %"
while = "armed"
stale_after = "2 s"
stop = "immediate"
`
	for _, envelope := range []string{head + thrust + overloadRule, head + overloadRule + thrust} {
		r := newRig(t, envelope, func(s *Site) { s.LinkStale = 6 * time.Second })
		r.set(rules.Tension, 500, rules.Good)
		r.live()
		r.take()
		r.silence(rules.CraftArmed)
		r.run(1500 * time.Millisecond)
		r.frames = false
		for i := range r.values {
			r.values[i].silent = r.values[i].silent || r.values[i].id != rules.Tension
		}
		r.run(1100 * time.Millisecond)
		if got, want := r.trips(), []string{"trip 1 first-out, immediate: past a limit [thrust] at 0, limit 0.05"}; !slices.Equal(got, want) {
			t.Errorf("%q, want %q", got, want)
		}
	}
}
