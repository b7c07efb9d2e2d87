package hw

import (
	"errors"
	"fmt"
	"time"
)

// gpio is a board on the lines of this computer; OpenGPIO says how each is asked for.
type gpio struct {
	now              func() time.Duration
	relay, heartbeat *heldOutput
	buzzer, lamp     *heldOutput
	inputs           []inputGroup
	sampled          []string    // inputs on chips that report no edges
	edge             lineRequest // of the anemometer; nil without one
	edges            edges
	cell             converterReader // nil without a load cell
	rate             float64         // conversions a second
	closed           bool
}

// inputGroup is the inputs of one chip.
type inputGroup struct {
	chip string
	req  lineRequest
	mask uint64
	bits []int // place in Levels of each line of the request
	events
}

// Relay is the output to the guard relay.
func (g *gpio) Relay() Output { return g.relay }

// Heartbeat is the output to the window watchdog.
func (g *gpio) Heartbeat() Output { return g.heartbeat }

// Buzzer is the output to the buzzer.
func (g *gpio) Buzzer() Output { return g.buzzer }

// Lamp is the output to the lamp.
func (g *gpio) Lamp() Output { return g.lamp }

// Levels reads every input now, with one call a chip; see Board.
func (g *gpio) Levels() (uint32, error) {
	if g.closed {
		return 0, fmt.Errorf("read inputs: %w", ErrClosed)
	}
	var levels uint32
	for i := range g.inputs {
		in := &g.inputs[i]
		bits, err := in.req.values(in.mask)
		if err != nil {
			return 0, fmt.Errorf("read inputs of %s: %w%s", in.chip, err, mend(err))
		}
		for k, bit := range in.bits {
			levels |= uint32(bits>>k&1) << bit
		}
	}
	return levels, nil
}

// Inert makes the board inert; see Board. The heartbeat keeps its level: one
// more edge could only lengthen the watchdog's hold.
func (g *gpio) Inert() error {
	var errs []error
	for _, o := range []Output{g.relay, g.buzzer, g.lamp} {
		errs = append(errs, o.Set(false))
	}
	return errors.Join(errs...)
}
