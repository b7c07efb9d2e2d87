package main

import (
	"fmt"
	"strings"

	"downhaul/interlock"
	"downhaul/interlock/day/answers/told"
	"downhaul/rules"
)

// follow notes the first thing that the guard does and the story does not
// know: a trip that neither gust nor runaway explains, a fault, or a start that
// is held back. It is called by the guard's loop.
func (d *demo) follow(env *rules.Envelope, f interlock.Effect) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.stray == nil && !d.inStory(env, f) {
		d.stray = &f
	}
}

// inStory reports whether the story accounts for an effect.
func (d *demo) inStory(env *rules.Envelope, f interlock.Effect) bool {
	switch f.Kind {
	case interlock.StateEffect:
		return f.State != interlock.Fault && !(f.From == interlock.Closing && f.State == interlock.Blocked) &&
			!(f.From == interlock.Ready && f.State == interlock.Blocked && f.Reason == interlock.ReasonPermissiveLost)
	case interlock.TripEffect:
		gust, runaway := d.moments.began()
		// A runaway may leave any limit, and which comes first is the craft's
		// matter; silence is never a part of the story.
		return f.Reason == interlock.ReasonRule && (runaway > 0 || gust > 0 && env.Rules[f.Rule].Name == "gust")
	}
	return true
}

// astray returns what ends the demo early, nil while all goes as told.
func (d *demo) astray(s *told.Status) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.stray == nil {
		return nil
	}
	f := *d.stray
	did, what := "tripped", interlock.FirstCause(d.env, f)
	if f.Kind == interlock.StateEffect {
		did, what = "went into fault", f.Reason.String()
		if f.State != interlock.Fault {
			did = "held the start back"
			if len(s.NotReady) > 0 {
				what = s.NotReady[0]
			}
		}
	}
	if late(f.Reason) {
		// The demo's craft and sensors never fall silent by themselves.
		return hint(fmt.Errorf("demo: this computer was too busy: a value came late and the guard %s, as it must: %s", did, what), hintFast)
	}
	return hint(fmt.Errorf("demo: the guard %s, which the story does not tell of: %s", did, what), hintFast)
}

const hintFast = "close other programs and try again, or use --fast: it makes the same decisions without waiting"

// late reports whether a reason is something that did not come in time.
func late(r interlock.Reason) bool {
	switch r {
	case interlock.ReasonRuleMissing, interlock.ReasonStalled, interlock.ReasonPinsSilent, interlock.ReasonLink, interlock.ReasonThenSilent,
		interlock.ReasonHeightLost, interlock.ReasonReadbackNot, interlock.ReasonPermissiveLost:
		return true
	}
	return false
}

// inVain returns why the crew gives up waiting.
func inVain(waiting string, s *told.Status) error {
	why := "nothing holds it back"
	if len(s.NotReady) > 0 {
		why = strings.Join(s.NotReady, "; ")
	}
	return hint(fmt.Errorf("demo: the crew waited %v for %s; the guard is %s: %s", patience, waiting, s.State, why), hintFast)
}
