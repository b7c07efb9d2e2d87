package bench

import (
	"fmt"
	"time"

	"downhaul/interlock"
	"downhaul/rules"
)

// What a span is about.
const (
	aboutLimit   = iota // the rule's limit was left
	aboutSilence        // its channel was missing
	aboutCaution
	aboutCount
)

var aboutText = [aboutCount]string{"trip", "trip by silence", "caution"}

// span is one stretch in which a rule asked for its stop, or warned.
type span struct {
	from, to     time.Duration // to is rules.Never while it stands
	value, limit float64
	hasValue     bool
}

// spans collects, for every rule of an envelope, when it asked for a stop and
// when it warned. It takes the engine's own decisions; it judges nothing.
type spans struct {
	all  [][aboutCount][]span // by rule
	held int
}

// mostSpans bounds the memory of one engine's spans: some ten megabytes. Ours.
const mostSpans = 200_000

// tooMany is what goes wrong when they do not fit.
func (s *spans) tooMany() error {
	if s.held <= mostSpans {
		return nil
	}
	return fmt.Errorf("more than %d trips and cautions in one recording: what stands in so many places cannot be held against another; loosen stale_after or deadband, or cut the recording", mostSpans)
}

func newSpans(env *rules.Envelope) *spans {
	return &spans{all: make([][aboutCount][]span, len(env.Rules))}
}

func (s *spans) take(_ time.Duration, effects []interlock.Effect) {
	for i := range effects {
		f := &effects[i]
		if f.Rule < 0 {
			continue
		}
		about, begins := aboutLimit, false
		switch f.Kind {
		case interlock.TripEffect, interlock.ConsequenceEffect, interlock.ClearEffect:
			if begins = f.Kind != interlock.ClearEffect; begins && !f.Demands() {
				continue
			}
			if f.Reason == interlock.ReasonRuleMissing {
				about = aboutSilence
			}
		case interlock.CautionEffect:
			about, begins = aboutCaution, f.On
		default:
			continue
		}
		s.mark(f, about, begins)
	}
}

func (s *spans) mark(f *interlock.Effect, about int, begins bool) {
	list := s.all[f.Rule][about]
	open := len(list) > 0 && list[len(list)-1].to == rules.Never
	switch {
	case begins && !open:
		if s.held++; s.held <= mostSpans {
			s.all[f.Rule][about] = append(list, span{from: f.At, to: rules.Never, value: f.Value, limit: f.Limit, hasValue: f.HasValue})
		}
	case !begins && open:
		list[len(list)-1].to = f.At
	}
}
