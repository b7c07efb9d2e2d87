package emulated

import (
	"errors"
	"fmt"
	"sync"
	"time"

	"downhaul/hw/virtual"
)

// Outside is everything around the board: the modelled kill chain, the crew's
// hands on its contacts, and a record of what the output pins did. It knows the
// board by its pins alone.
type Outside struct {
	pins map[string]int // of the chip, by the name of the line

	mu      sync.Mutex
	m       *Machine
	began   time.Time
	chain   *virtual.Chain
	mirror  bool // as last driven
	stopped [2]bool
	history []virtual.OutputEdge
	beats   []time.Duration
	relay   bool
	holding bool
	power   bool
	err     error
	turning chan struct{} // closed to stop the anemometer
	turned  sync.WaitGroup
	moved   chan struct{} // wakes the goroutine that waits for the chain's times
	gone    chan struct{}
}

// NewOutside is the surroundings of a board whose lines are on those pins.
// Contacts are wired to pull their pin high when closed. What a chain is, see
// hw.Chain; longestGap is what its watchdog bears.
func NewOutside(pins map[string]int, longestGap time.Duration) (*Outside, error) {
	chain, err := virtual.NewChain(virtual.ChainConfig{LongestGap: longestGap, Bounce: virtual.SignalBounce})
	if err != nil {
		return nil, err
	}
	return &Outside{pins: pins, began: time.Now(), chain: chain, moved: make(chan struct{}, 1), gone: make(chan struct{})}, nil
}

// now is the time that the chain and the records go by.
func (o *Outside) now() time.Duration { return time.Since(o.began) }

// Attach wires everything to the machine: emergency stop not pressed, buttons
// not pressed, every other contact open, contactor open.
func (o *Outside) Attach(m *Machine) error {
	o.mu.Lock()
	o.m, o.mirror = m, !o.chain.Mirror() // so that it is driven now
	o.follow()
	o.mu.Unlock()
	go o.wait()
	var errs []error
	for _, name := range []string{"estop_a", "estop_b"} {
		errs = append(errs, o.Contact(name, true))
	}
	return errors.Join(errs...)
}

// Detach stops what Attach and Turn began.
func (o *Outside) Detach() {
	o.Turn(0)
	close(o.gone)
}

// Changed takes a change of an output pin; it is a Config's Changed.
func (o *Outside) Changed(at time.Time, pin int, high bool) {
	o.mu.Lock()
	defer o.mu.Unlock()
	name := ""
	for _, out := range []string{"relay", "heartbeat", "buzzer"} {
		if n, ok := o.pins[out]; ok && n == pin {
			name = out
		}
	}
	now := at.Sub(o.began)
	o.advance(now)
	switch name {
	case "":
		return
	case "relay":
		o.relay = high
		o.chain.SetRelay(now, high)
	case "heartbeat":
		o.beats = append(o.beats, now)
		o.chain.Beat(now)
	}
	if name != "heartbeat" {
		o.history = append(o.history, virtual.OutputEdge{Line: name, On: high, At: now})
	}
	o.note(now)
	o.follow()
	select {
	case o.moved <- struct{}{}:
	default:
	}
}

// advance lets the chain do what is due by itself, each at its own time. The
// caller holds mu.
func (o *Outside) advance(now time.Duration) {
	for t := o.chain.Next(); t <= now; t = o.chain.Next() {
		o.chain.Advance(t)
		o.note(t)
	}
	o.chain.Advance(now)
	o.follow()
}

func (o *Outside) note(at time.Duration) {
	if h := o.chain.Holding(); h != o.holding {
		o.holding = h
		o.history = append(o.history, virtual.OutputEdge{Line: "watchdog", On: h, At: at})
	}
	if p := o.chain.PowerOn(); p != o.power {
		o.power = p
		o.history = append(o.history, virtual.OutputEdge{Line: "contactor", On: p, At: at})
	}
}

// follow drives the readback's pin by the mirror contact. The caller holds mu.
func (o *Outside) follow() {
	if o.m == nil || o.chain.Mirror() == o.mirror {
		return
	}
	o.mirror = o.chain.Mirror()
	if err := o.m.Set(o.pins["readback"], o.mirror); err != nil && o.err == nil {
		o.err = fmt.Errorf("drive the readback: %w", err)
	}
}

// wait brings the chain on at its own times.
func (o *Outside) wait() {
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		select {
		case <-o.gone:
			return
		case <-o.moved:
		case <-timer.C:
		}
		o.mu.Lock()
		o.advance(o.now())
		next := o.chain.Next()
		o.mu.Unlock()
		if next != virtual.Never {
			timer.Reset(next - o.now())
		}
	}
}

// Contact closes or opens a contact of the crew's: of the emergency stop, which
// stands in the coil's supply too, of the gate, or of a button.
func (o *Outside) Contact(name string, closed bool) error {
	o.mu.Lock()
	defer o.mu.Unlock()
	switch name {
	case "estop_a":
		o.stopped[0] = !closed
	case "estop_b":
		o.stopped[1] = !closed
	}
	now := o.now()
	o.advance(now)
	o.chain.SetStop(now, !o.stopped[0], !o.stopped[1])
	o.note(now)
	o.follow()
	pin, wired := o.pins[name]
	if !wired || o.m == nil {
		return nil
	}
	return o.m.Set(pin, closed)
}

// Fault brings a fault of the chain in or mends it.
func (o *Outside) Fault(f virtual.ChainFault, in bool) {
	o.mu.Lock()
	defer o.mu.Unlock()
	now := o.now()
	o.advance(now)
	o.chain.SetFault(now, f, in)
	o.note(now)
	o.follow()
}

// Turn turns the anemometer at hz pulses a second, 0 to stop it. The contact is
// closed for half of every pulse, and stands open: a line that is an output on the next
// pad would come up as it was driven.
func (o *Outside) Turn(hz float64) {
	o.mu.Lock()
	if o.turning != nil {
		close(o.turning)
		o.turning = nil
	}
	o.mu.Unlock()
	o.turned.Wait()
	pin, wired := o.pins["anemometer"]
	if hz == 0 || !wired {
		return
	}
	stop := make(chan struct{})
	o.mu.Lock()
	o.turning = stop
	m := o.m
	o.mu.Unlock()
	o.turned.Go(func() {
		half := time.Duration(float64(time.Second) / hz / 2)
		closed := false
		for due := time.Now(); ; due = due.Add(half) {
			select {
			case <-stop:
				_ = m.Set(pin, false)
				return
			case <-time.After(time.Until(due)):
			}
			closed = !closed
			if m.Set(pin, closed) != nil {
				return
			}
		}
	})
}

// PowerOn reports whether power reaches the rotors of the modelled craft.
func (o *Outside) PowerOn() bool {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.chain.PowerOn()
}

// RelayOn is the level of the relay's pin.
func (o *Outside) RelayOn() bool {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.relay
}

// Now is the time of the records.
func (o *Outside) Now() time.Duration { return o.now() }

// History is what relay, buzzer, watchdog and contactor did from a time on.
func (o *Outside) History(from time.Duration) []virtual.OutputEdge {
	o.mu.Lock()
	defer o.mu.Unlock()
	var out []virtual.OutputEdge
	for _, e := range o.history {
		if e.At >= from {
			out = append(out, e)
		}
	}
	return out
}

// Beats is the times of the heartbeat's edges from a time on.
func (o *Outside) Beats(from time.Duration) []time.Duration {
	o.mu.Lock()
	defer o.mu.Unlock()
	var out []time.Duration
	for _, at := range o.beats {
		if at >= from {
			out = append(out, at)
		}
	}
	return out
}

// Err is what went wrong on this side of the pins.
func (o *Outside) Err() error {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.err
}
