package rehearsal

import (
	"context"
	"errors"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"

	"downhaul/hw"
	"downhaul/hw/virtual"
	"downhaul/interlock"
	"downhaul/interlock/day/intake"
	"downhaul/interlock/model/benchboard"
	"downhaul/interlock/pad"
	"downhaul/interlock/records/ledger"
)

// Pins is the real board of a pad in a rehearsal. Outputs and input lines are its own;
// anemometer and load cell are models, as the craft is. What its real chain does is real,
// and told. Every method may be called from any goroutine.
type Pins struct {
	lines   [interlock.LineCount]intake.LineConfig
	sensors *virtual.Board
	// Ended is closed with Cut.
	Ended chan struct{}
	// Faulted takes the faults of the real chain as they come. What it has no room for
	// is counted in Missed.
	Faulted chan ChainFault
	Missed  atomic.Int64
	closed  atomic.Bool

	mu    sync.Mutex // whoever cuts is another goroutine than the guard's loop
	real  hw.Board
	relay bool
	why   error
}

// ChainFault is a fault of the real chain in a rehearsal; see ledger.Book.Took.
type ChainFault struct {
	Session string // its name
	At      time.Duration
	Reason  interlock.Reason
	From    interlock.State
}

// NewPins takes over the opened real board of a pad; now is the monotonic time since.
func NewPins(p *pad.Pad, real hw.Board, now func() time.Duration) (*Pins, error) {
	c := benchboard.Config(p, now)
	c.Socket = ""
	sensors, err := virtual.Open(c)
	if err != nil {
		return nil, err
	}
	return &Pins{lines: p.Intake().Lines, sensors: sensors, real: real, Ended: make(chan struct{}), Faulted: make(chan ChainFault, 64)}, nil
}

// Open opens the pins as the board of a rehearsal's pad file; see guard.OpenVirtual.
func (p *Pins) Open(of *pad.Pad, _ func() time.Duration) (hw.Board, error) {
	if of.Board.Kind != pad.Rehearsal {
		return nil, errors.New("only the pad file of a rehearsal may have a modelled craft on real pins")
	}
	return p, nil
}

// Cut opens the relay at once and for good, stops the heartbeat, and says why. It writes
// the pin itself: the guard hears of it with its next write.
func (p *Pins) Cut(why error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.why != nil {
		return
	}
	p.why, p.relay = why, false
	if err := p.real.Relay().Set(false); err != nil {
		p.why = errors.Join(why, err)
	}
	close(p.Ended)
}

// Why returns why the rehearsal was cut off, nil while it was not.
func (p *Pins) Why() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.why
}

// powerOn reports whether power would reach the rotors: by the mirror contact or, without
// one, by the relay and the emergency stop.
func (p *Pins) powerOn() bool { return p.closed.Load() }

// mirror reports whether a mirror contact shows whether the contactor is closed.
func (p *Pins) mirror() bool { return p.lines[interlock.Readback].Fitted }

// Levels reads the real input lines; see hw.Board.
func (p *Pins) Levels() (uint32, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	levels, err := p.real.Levels()
	if err == nil {
		p.closed.Store(p.power(levels))
	}
	return levels, err
}

// Waits is what the real board reports edges by; see hw.Board.
func (p *Pins) Waits() []int { return p.real.Waits() }

// Passed takes the real board's edges; see hw.Board.
func (p *Pins) Passed() (low, high uint32) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.real.Passed()
}

func (p *Pins) power(levels uint32) bool {
	if p.mirror() {
		return p.on(levels, interlock.Readback)
	}
	for _, stop := range []interlock.Line{interlock.EStopA, interlock.EStopB} {
		if p.lines[stop].Fitted && !p.on(levels, stop) {
			return false
		}
	}
	return p.relay
}

// on reports whether a line is on, in the meaning that interlock.Line gives it.
func (p *Pins) on(levels uint32, l interlock.Line) bool {
	return (levels>>l&1 == 1) != p.lines[l].Invert
}

// Pressed reports whether a button is pressed now.
func (p *Pins) Pressed(l interlock.Line) (bool, error) {
	levels, err := p.Levels()
	return err == nil && p.on(levels, l), err
}

// pin is an output line of the real board.
type pin struct {
	p    *Pins
	line func(hw.Board) hw.Output
	// chain reports whether it is one of those that hold the contactor closed.
	chain, relay bool
}

// Set drives the line; see hw.Output. Once the rehearsal is cut off, a line of the chain
// takes nothing but the relay's opening.
func (o pin) Set(on bool) error {
	o.p.mu.Lock()
	defer o.p.mu.Unlock()
	if o.chain && o.p.why != nil && (on || !o.relay) {
		return o.p.why
	}
	err := o.line(o.p.real).Set(on)
	if o.relay {
		o.p.relay = on && err == nil
	}
	return err
}

// Relay is the real output to the guard relay.
func (p *Pins) Relay() hw.Output { return pin{p, hw.Board.Relay, true, true} }

// Heartbeat is the real output to the window watchdog.
func (p *Pins) Heartbeat() hw.Output { return pin{p, hw.Board.Heartbeat, true, false} }

// Buzzer is the real output to the buzzer.
func (p *Pins) Buzzer() hw.Output { return pin{p, hw.Board.Buzzer, false, false} }

// Lamp is the real output to the lamp.
func (p *Pins) Lamp() hw.Output { return pin{p, hw.Board.Lamp, false, false} }

// saw takes what the guard decides, on its loop. Of the faults of the chain those are not
// real that the modelled rotors bring, behind a contactor that shows itself open, and a
// contactor that did not close because the rehearsal was cut off.
func (p *Pins) saw(e interlock.Effect, folder string) {
	switch {
	case !ledger.Seen(&e),
		e.Reason == interlock.ReasonPowerRemains && !p.closed.Load(),
		e.Reason == interlock.ReasonReadbackNot && p.Why() != nil:
		return
	}
	select {
	case p.Faulted <- ChainFault{filepath.Base(folder), e.At, e.Reason, e.From}:
	default:
		p.Missed.Add(1)
	}
}

// Edges gives the pulses of the modelled anemometer; see hw.Board.
func (p *Pins) Edges(dst []hw.Edge) ([]hw.Edge, error) { return p.sensors.Edges(dst) }

// Counts gives the conversions of the modelled load cell; see hw.Board.
func (p *Pins) Counts(ctx context.Context, fn func(hw.Count)) error {
	return p.sensors.Counts(ctx, fn)
}

// Inert makes the real board inert; see hw.Board.
func (p *Pins) Inert() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.relay = false
	return p.real.Inert()
}

// Close makes the real board inert and lets its lines go.
func (p *Pins) Close() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.relay = false
	return errors.Join(p.real.Close(), p.sensors.Close())
}
