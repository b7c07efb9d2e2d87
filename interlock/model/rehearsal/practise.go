package rehearsal

import (
	"context"
	"errors"
	"fmt"
	"time"

	"downhaul/interlock/model/craftmodel"
	"downhaul/interlock/records/rehearsed"
)

// Practise is FlyLive on the pins of this set-up, made by OnPins, with all that is real of
// it put on record: every fault of the chain in the second in which it comes, and at the
// end every opening of the contactor. What could not be written leaves the rehearsal open
// in the ledger, which holds the next start back. It returns how many faults there were,
// and how often the contactor opened.
func (s *Setup) Practise(ctx context.Context, on *rehearsed.Rehearsal, name string, scenario *craftmodel.Scenario, told func(Line)) (r *Result, faults, openings int, err error) {
	pins := s.place.pins
	var unwritten error
	written := make(chan struct{})
	go func() {
		defer close(written)
		for f := range pins.Faulted {
			faults++
			unwritten = errors.Join(unwritten, on.Took(time.Now(), f.Session, f.At, f.Reason, f.From))
		}
	}()
	r, err = s.FlyLive(ctx, name, scenario, told)
	close(pins.Faulted)
	<-written
	if n := pins.Missed.Load(); n > 0 {
		unwritten = errors.Join(unwritten, fmt.Errorf("%d faults of the chain came faster than they could be written", n))
	}
	if unwritten != nil {
		return r, faults, 0, errors.Join(err, fmt.Errorf("the real chain's faults are not all in the ledger, so starts stay held back: %w", unwritten))
	}
	how := "ended by the crew"
	switch {
	case errors.Is(pins.Why(), errAlive):
		how = "cut off, since " + errAlive.Error()
	case pins.Why() != nil:
		how = "cut off, since the real link could not be listened to"
	case err != nil:
		how = "ended with an error"
	}
	if faults > 0 {
		how += fmt.Sprintf(", with faults of the chain (%d)", faults)
	}
	openings, unwritten = on.End(time.Now(), how)
	return r, faults, openings, errors.Join(err, unwritten)
}
