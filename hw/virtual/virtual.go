package virtual

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"downhaul/hw"
	"downhaul/hw/localsocket"
)

// Config sets up a virtual board.
type Config struct {
	// Inputs names the input lines in the order of Levels, at most 32. Known
	// are estop_a, estop_b, gate (contacts, closed at rest), hold, reset,
	// start, end (buttons, not pressed at rest), readback (follows the mirror
	// contact: closed circuit is contactor OPEN), anemometer and wind_loop (closed
	// while the anemometer's wire is whole); any other name is a plain contact,
	// open at rest.
	Inputs []string
	// NormallyClosed names buttons whose contact opens when pressed, and plain
	// contacts that are closed at rest.
	NormallyClosed []string
	// ClosedLow names lines that a closed contact pulls low. On every other
	// line a closed contact is high; an open contact and a broken wire read
	// alike, as the opposite.
	ClosedLow []string
	// Now is the monotonic time since the board was opened. It must not be nil,
	// must not run back and must not call the board.
	Now       func() time.Duration
	Chain     ChainConfig
	Converter ConverterConfig
	// Socket is the path of the unix-domain socket on which other processes
	// can see and work the board; empty is none. The board starts goroutines
	// only for it.
	Socket string
}

// Board is a board in memory, with the kill chain that hangs on it, for
// rehearsal. It has no safety function. Every method may be called from any
// goroutine. Everything modelled happens at exact times of Now, whenever it is
// looked at.
type Board struct {
	cfg    Config
	done   chan struct{}
	server *localsocket.Server

	mu        sync.Mutex
	at        time.Duration // the latest instant everything was advanced to
	closed    bool
	chain     *Chain
	contacts  []contact
	wired     int // how many of contacts are inputs
	rotor     rotor
	converter converter
	out       [4]outputState
	trace     ring
	beats     ring
	watchdog  bool // as last noted in the trace
	power     bool // as last noted in the trace

	inputsFail, outputsFail bool
}

type outputState struct {
	on    bool
	moved bool
	at    time.Duration // of the last change; valid if moved
}

// line numbers the outputs.
type line int

const (
	relayLine line = iota
	heartbeatLine
	buzzerLine
	lampLine
)

var lineNames = [4]string{"relay", "heartbeat", "buzzer", "lamp"}

// Open opens a virtual board, inert and with every contact at rest. A
// socket that another living board holds is refused.
func Open(cfg Config) (*Board, error) {
	v, err := newBoard(cfg)
	if err != nil {
		return nil, fmt.Errorf("open virtual board: %w", err)
	}
	if cfg.Socket != "" {
		if v.server, err = serve(v, cfg.Socket); err != nil {
			return nil, fmt.Errorf("open virtual board: %w", err)
		}
	}
	return v, nil
}

func newBoard(cfg Config) (*Board, error) {
	if cfg.Now == nil {
		return nil, errors.New("no clock; set Now to the monotonic time since opening")
	}
	cfg.Inputs = slices.Clone(cfg.Inputs)
	contacts, err := newContacts(cfg)
	if err != nil {
		return nil, err
	}
	chain, err := NewChain(cfg.Chain)
	if err != nil {
		return nil, err
	}
	converter, err := newConverter(cfg.Converter)
	if err != nil {
		return nil, err
	}
	v := &Board{
		cfg: cfg, done: make(chan struct{}), chain: chain, converter: converter,
		contacts: contacts, wired: len(cfg.Inputs),
		trace: newRing(traceKept), beats: newRing(beatsKept),
	}
	if i := slices.Index(cfg.Inputs, lineAnemometer); i >= 0 {
		v.rotor.low = contacts[i].low
	}
	return v, nil
}

// tick brings the model to now. The caller holds mu, and read the clock before it
// took that: a lock is held for memory alone, and Now is the caller's own code.
func (v *Board) tick(now time.Duration) error {
	if v.closed {
		return hw.ErrClosed
	}
	v.advance(now)
	return nil
}

// advance brings the chain to now, noting its changes at their own times. A
// time before the latest counts as the latest.
func (v *Board) advance(now time.Duration) {
	for t := v.chain.Next(); t <= now; t = v.chain.Next() {
		v.chain.Advance(t)
		v.at = max(v.at, t)
		v.note()
	}
	v.at = max(v.at, now)
	v.chain.Advance(v.at)
	for i := range v.contacts[:v.wired] {
		c := &v.contacts[i]
		if is := c.high(v.circuit(c)); !c.known || is != c.was {
			c.was, c.since, c.known = is, v.at, true
		}
	}
}

// note puts what changed in the chain at v.at into the trace.
func (v *Board) note() {
	if h := v.chain.Holding(); h != v.watchdog {
		v.watchdog = h
		v.trace.put(OutputEdge{"watchdog", h, v.at})
	}
	if p := v.chain.PowerOn(); p != v.power {
		v.power = p
		v.trace.put(OutputEdge{"contactor", p, v.at})
	}
}

type virtualOutput struct {
	v *Board
	l line
}

// Set drives the line; see Output.
func (o virtualOutput) Set(on bool) error {
	now := o.v.cfg.Now()
	o.v.mu.Lock()
	defer o.v.mu.Unlock()
	return o.v.set(now, o.l, on)
}

// set drives a line at now. The caller holds mu.
func (v *Board) set(now time.Duration, l line, on bool) error {
	if err := v.tick(now); err != nil {
		return fmt.Errorf("set %s: %w", lineNames[l], err)
	}
	if v.outputsFail {
		return fmt.Errorf("set %s: the line cannot be written (rehearsed fault); mend outputs", lineNames[l])
	}
	v.drive(l, on)
	return nil
}

func (v *Board) drive(l line, on bool) {
	o := &v.out[l]
	if o.on == on {
		return
	}
	*o = outputState{on: on, moved: true, at: v.at}
	edge := OutputEdge{lineNames[l], on, v.at}
	if l == heartbeatLine {
		v.beats.put(edge)
		v.chain.Beat(v.at)
	} else {
		v.trace.put(edge)
	}
	if l == relayLine {
		v.chain.SetRelay(v.at, on)
	}
	v.note()
}

// Relay is the output to the guard relay.
func (v *Board) Relay() hw.Output { return virtualOutput{v, relayLine} }

// Heartbeat is the output to the window watchdog.
func (v *Board) Heartbeat() hw.Output { return virtualOutput{v, heartbeatLine} }

// Buzzer is the output to the buzzer.
func (v *Board) Buzzer() hw.Output { return virtualOutput{v, buzzerLine} }

// Lamp is the output to the lamp.
func (v *Board) Lamp() hw.Output { return virtualOutput{v, lampLine} }

// Waits is empty: the lines are sampled.
func (v *Board) Waits() []int { return nil }

// Passed gives none.
func (v *Board) Passed() (low, high uint32) { return 0, 0 }

// Levels reads every input line now; see Board.
func (v *Board) Levels() (uint32, error) {
	now := v.cfg.Now()
	v.mu.Lock()
	defer v.mu.Unlock()
	if err := v.tick(now); err != nil {
		return 0, fmt.Errorf("read inputs: %w", err)
	}
	if v.inputsFail {
		return 0, errors.New("read inputs: the lines cannot be read (rehearsed fault); mend inputs")
	}
	v.rotor.advance(v.at)
	var bits uint32
	for i := range v.contacts[:v.wired] {
		if c := &v.contacts[i]; c.high(v.circuit(c)) {
			bits |= 1 << i
		}
	}
	return bits, nil
}

// circuit reports whether the contact, or what it follows, is closed. The caller
// holds mu.
func (v *Board) circuit(c *contact) bool {
	switch c.kind {
	case mirrorContact:
		return v.chain.Mirror()
	case rotorContact:
		return v.rotor.closed && !v.rotor.broken
	case loopContact:
		return !v.rotor.broken
	}
	return c.closed
}

// Edges gives the anemometer's edges, at most the newest 4096, with the loss counted on the
// first; see Board. At is the modelled time of the edge.
func (v *Board) Edges(dst []hw.Edge) ([]hw.Edge, error) {
	now := v.cfg.Now()
	v.mu.Lock()
	defer v.mu.Unlock()
	if v.closed {
		return dst, hw.ErrClosed
	}
	v.advance(now)
	return append(dst, v.rotor.take(v.at)...), nil
}

// TakeCounts gives the conversions up to now that were not given yet, by this
// or by Counts: the newest 4096.
func (v *Board) TakeCounts(now time.Duration) []hw.Count {
	v.mu.Lock()
	defer v.mu.Unlock()
	if v.closed {
		return nil
	}
	v.advance(now)
	return v.converter.take(v.at)
}

// lookAgain is the longest that Counts sleeps.
const lookAgain = 20 * time.Millisecond

// Counts calls fn for every conversion; see Board.
func (v *Board) Counts(ctx context.Context, fn func(hw.Count)) error {
	return v.pump(ctx, func(now time.Duration) {
		for _, c := range v.TakeCounts(now) {
			fn(c)
		}
	}, func() time.Duration {
		v.mu.Lock()
		defer v.mu.Unlock()
		return v.converter.next()
	})
}

func (v *Board) pump(ctx context.Context, give func(now time.Duration), next func() time.Duration) error {
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-v.done:
			return hw.ErrClosed
		case <-timer.C:
		}
		give(v.cfg.Now())
		timer.Reset(min(next()-v.cfg.Now(), lookAgain))
	}
}

// Trace gives the changes of relay, buzzer, lamp, watchdog and contactor, oldest
// first: the last 4096, and how many older ones were dropped.
func (v *Board) Trace() (edges []OutputEdge, dropped uint64) {
	now := v.cfg.Now()
	v.mu.Lock()
	defer v.mu.Unlock()
	_ = v.tick(now) // a closed board keeps its trace
	return v.trace.since(0)
}

// Beats gives the heartbeat's edges, oldest first: the last 1024, and how many
// older ones were dropped.
func (v *Board) Beats() (edges []OutputEdge, dropped uint64) {
	v.mu.Lock()
	defer v.mu.Unlock()
	return v.beats.since(0)
}

// PowerOn reports whether power reaches the rotors of the modelled craft now.
func (v *Board) PowerOn() bool {
	now := v.cfg.Now()
	v.mu.Lock()
	defer v.mu.Unlock()
	_ = v.tick(now) // a closed board's chain stays as it was left: open, or welded
	return v.chain.PowerOn()
}

// Inert makes the board inert; see Board. The heartbeat line keeps its level:
// one more edge could only lengthen the watchdog's hold.
func (v *Board) Inert() error {
	now := v.cfg.Now()
	v.mu.Lock()
	defer v.mu.Unlock()
	var errs []error
	for _, l := range []line{relayLine, buzzerLine, lampLine} {
		errs = append(errs, v.set(now, l, false))
	}
	return errors.Join(errs...)
}

// Close makes the board inert, lets the chain drop out, and takes the socket
// away. A rehearsed fault of the outputs does not keep it from closing. A
// second Close returns ErrClosed.
func (v *Board) Close() error {
	now := v.cfg.Now()
	v.mu.Lock()
	err := v.tick(now)
	if err == nil {
		for _, l := range []line{relayLine, buzzerLine, lampLine} {
			v.drive(l, false)
		}
		// Nobody will look again, so the contactor drops out now, at its time.
		v.advance(v.at + v.chain.watchdog.drop + v.chain.cfg.DropOut)
		v.closed = true
		close(v.done)
	}
	v.mu.Unlock()
	if err == nil && v.server != nil {
		err = v.server.Close()
	}
	return err
}
