package hw

import (
	"errors"
	"fmt"
)

// heldOutput is an output: a request of its own, written and never read. One
// that the pad has not got has no pin, and setting it does nothing.
type heldOutput struct {
	what string
	pin  Pin
	req  lineRequest // nil once let go
}

// Set drives the line; see Output.
func (o *heldOutput) Set(on bool) error {
	if !o.pin.Fitted() {
		return nil
	}
	if o.req == nil {
		return fmt.Errorf("set %s: %w", o.what, ErrClosed)
	}
	var bits uint64
	if on {
		bits = 1
	}
	if err := o.req.set(1, bits); err != nil {
		return fmt.Errorf("set %s on %s: %w%s", o.what, o.pin, err, mend(err))
	}
	return nil
}

// release lets the line go, low as far as we can tell.
func (o *heldOutput) release() error {
	if o.req == nil {
		return nil
	}
	err := errors.Join(o.Set(false), o.req.close())
	o.req = nil
	return err
}
