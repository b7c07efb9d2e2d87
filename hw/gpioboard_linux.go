package hw

import (
	"context"
	"errors"
	"fmt"
	"os"
	"time"
)

// gpio is a board on the lines of this computer. How each kind of line is asked
// for, and why:
//
// Outputs are requests of the kernel's own (version 2 of its GPIO interface), one
// each: low in the very call that makes them outputs; an error keeps its number;
// nothing is ever read back from an output (a library's Read of an output may make
// it an input with a pull-up, which could close the relay), and a write after Close
// is refused.
//
// Inputs are one request a chip, because one call then reads all levels at one
// instant and a failed read is an error, not a plausible level, and because buttons
// are debounced.
//
// The anemometer is a request with the kernel's times and numbers of its edges
// and the largest buffer; waiting ends with its context, with Close and, within
// lookForChip, with the chip.
type gpio struct {
	now              func() time.Duration
	relay, heartbeat *heldOutput
	buzzer, lamp     *heldOutput
	inputs           []inputGroup
	edge             edgeRequest // nil without an anemometer
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

// lookForChip is how often a line without edges is looked at: a calm is silent,
// and so is a chip that is gone.
const lookForChip = time.Second

// Edges calls fn for every edge of the anemometer; see Board.
func (g *gpio) Edges(ctx context.Context, fn func(Edge)) error {
	if g.edge == nil {
		<-ctx.Done()
		return nil
	}
	// The context's end moves the deadline into the past. It cannot be lost:
	// either the context is done before it is looked at below, or the move
	// comes after the deadline that was set before looking.
	defer context.AfterFunc(ctx, func() { _ = g.edge.deadline(time.Unix(1, 0)) })()
	buf := make([]byte, 64*eventSize)
	for {
		if err := g.edge.deadline(time.Now().Add(lookForChip)); err != nil {
			return edgeError(err)
		}
		if ctx.Err() != nil {
			return nil
		}
		n, err := g.edge.read(buf)
		switch {
		case err == nil && n > 0:
			if err := g.edges.take(buf[:n], g.now(), fn); err != nil {
				return edgeError(err)
			}
		case ctx.Err() != nil:
			return nil
		case errors.Is(err, os.ErrDeadlineExceeded):
			if err := g.edge.alive(); err != nil {
				return edgeError(err)
			}
		case err != nil:
			return edgeError(err)
		default:
			return edgeError(errors.New("the kernel gave no event and no error"))
		}
	}
}

func edgeError(err error) error {
	if errors.Is(err, os.ErrClosed) {
		err = ErrClosed
	}
	return fmt.Errorf("wait for edges: %w%s", err, mend(err))
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

// Close makes the board inert and lets the lines go. From then on their levels
// are the chip driver's own affair: the kernel keeps them only while they are
// held. A second Close returns ErrClosed.
func (g *gpio) Close() error {
	if g.closed {
		return ErrClosed
	}
	return errors.Join(g.Inert(), g.release())
}

// release lets go of everything that is held.
func (g *gpio) release() error {
	g.closed = true
	var errs []error
	for _, o := range []*heldOutput{g.relay, g.heartbeat, g.buzzer, g.lamp} {
		if o != nil {
			errs = append(errs, o.release())
		}
	}
	for _, in := range g.inputs {
		errs = append(errs, in.req.close())
	}
	if g.edge != nil {
		errs = append(errs, g.edge.close())
	}
	if g.cell != nil {
		errs = append(errs, g.cell.close())
	}
	return errors.Join(errs...)
}
