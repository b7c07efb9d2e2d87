package hw

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"golang.org/x/sys/unix"
)

// lineKey is a line by its numbers, however it was named.
type lineKey struct {
	chip string // the kernel's name of the chip
	line uint32
}

// openChip is a chip while its lines are requested.
type openChip struct {
	chipDevice
	pinChip string // as in Pin
	name    string // the kernel's, the same for two names of one chip
	lines   uint32
}

// OpenGPIO opens the board's lines. Every output is low from the moment it is one. On an
// error nothing is held, and the error says which line, who holds it and how to mend it.
//
// Outputs are requests of the kernel's own, one each: low in the very call that makes them
// outputs, never read back (a library's Read may turn one into an input with a pull-up,
// which could close the relay), and a write after Close is refused. Inputs are one request a
// chip: all levels at one instant, and a failed read is an error, not a plausible level.
// The anemometer's is its own, with the kernel's times and numbers of its edges.
func OpenGPIO(cfg GPIOConfig) (Board, error) {
	b, err := openGPIO(cfg, parts{device{}, kernelTime, openLoadCell})
	if err != nil {
		return nil, fmt.Errorf("open the board: %w", err)
	}
	return b, nil
}

const defaultConsumer = "downhauld"

// parts are what the board stands on; tests put others in their place.
type parts struct {
	kernel   kernel
	clock    func() (time.Duration, error) // the kernel's monotonic clock
	loadCell func(LoadCellConfig) (converterReader, error)
}

// opening is a board while it is opened.
type opening struct {
	*gpio
	cfg   GPIOConfig
	parts parts
	chips map[string]*openChip
	taken map[lineKey]string // by which line of the board
}

func openGPIO(cfg GPIOConfig, with parts) (_ *gpio, err error) {
	if err := cfg.check(); err != nil {
		return nil, err
	}
	if cfg.Consumer == "" {
		cfg.Consumer = defaultConsumer
	}
	o := &opening{
		gpio: &gpio{now: cfg.Now, rate: cfg.LoadCell.Rate},
		cfg:  cfg, parts: with, chips: map[string]*openChip{}, taken: map[lineKey]string{},
	}
	defer func() {
		// The chips' own files are for requests only; the lines stay held.
		for _, c := range o.chips {
			err = errors.Join(err, c.close())
		}
		if err != nil {
			err = errors.Join(err, o.release())
		}
	}()
	// The relay first: whatever is wrong with another line, it is low by then.
	for _, out := range []struct {
		what string
		pin  Pin
		to   **heldOutput
	}{{"relay", cfg.Relay, &o.relay}, {"heartbeat", cfg.Heartbeat, &o.heartbeat}, {"buzzer", cfg.Buzzer, &o.buzzer}, {"lamp", cfg.Lamp, &o.lamp}} {
		if *out.to, err = o.holdOutput(out.what, out.pin); err != nil {
			return nil, err
		}
	}
	if err = o.holdInputs(); err != nil {
		return nil, err
	}
	if err = o.holdAnemometer(); err != nil {
		return nil, err
	}
	if cfg.LoadCell.Fitted {
		cell, err := with.loadCell(cfg.LoadCell)
		if err != nil {
			return nil, fmt.Errorf("load cell: %w", err)
		}
		o.cell = cell // only now: a failed one is nil of a type, which is not nil
	}
	return o.gpio, nil
}

// find opens the chip of a pin and finds its line, which nobody else of this
// board may have.
func (o *opening) find(what string, p Pin) (*openChip, uint32, error) {
	c := o.chips[p.Chip]
	if c == nil {
		d, err := o.parts.kernel.open(p.Chip)
		if err != nil {
			return nil, 0, fmt.Errorf("%s on %s: %w%s", what, p, err, mend(err))
		}
		c = &openChip{chipDevice: d, pinChip: p.Chip}
		o.chips[p.Chip] = c
		info, err := d.info()
		if err != nil {
			return nil, 0, fmt.Errorf("%s on %s: ask the chip: %w%s", what, p, err, mend(err))
		}
		c.name, c.lines = unix.ByteSliceToString(info.Name[:]), info.Lines
	}
	line := uint32(p.Line)
	if p.Name != "" {
		found := false
		for i := range c.lines {
			info, err := c.lineInfo(i)
			if err != nil {
				return nil, 0, fmt.Errorf("%s on %s: ask for line %d: %w%s", what, p, i, err, mend(err))
			}
			if unix.ByteSliceToString(info.Name[:]) != p.Name {
				continue
			}
			if found {
				return nil, 0, fmt.Errorf("%s on %s: two lines have that name (%d and %d); write the number", what, p, line, i)
			}
			found, line = true, i
		}
		if !found {
			return nil, 0, fmt.Errorf("%s on %s: no line of the chip has that name; write the number, from 0 to %d", what, p, int(c.lines)-1)
		}
	}
	if p.Line < 0 || line >= c.lines {
		return nil, 0, fmt.Errorf("%s on %s: the chip has lines 0 to %d; look up the line on the board's own chart", what, p, int(c.lines)-1)
	}
	key := lineKey{c.name, line}
	if other := o.taken[key]; other != "" {
		return nil, 0, fmt.Errorf("%s on %s: %s has the same line; give each a line of its own", what, p, other)
	}
	o.taken[key] = what
	return c, line, nil
}

// refused returns why the kernel did not give a line.
func refused(what string, p Pin, c *openChip, line uint32, err error) error {
	if errors.Is(err, unix.EBUSY) {
		who := "something else"
		if info, e := c.lineInfo(line); e == nil && unix.ByteSliceToString(info.Consumer[:]) != "" {
			who = fmt.Sprintf("%q", unix.ByteSliceToString(info.Consumer[:]))
		}
		return fmt.Errorf("%s on %s: the line is held by %s (%w); stop that, or use another line", what, p, who, err)
	}
	return fmt.Errorf("%s on %s: %w%s", what, p, err, mend(err))
}

// mend returns what to do about an error number of the kernel's.
func mend(err error) string {
	switch {
	case errors.Is(err, unix.ENOENT):
		return "; there is no such chip, see /dev/gpiochip*"
	case errors.Is(err, unix.EACCES), errors.Is(err, unix.EPERM):
		return "; put the user that runs the guard in the group that owns the chip"
	case errors.Is(err, unix.ENODEV), errors.Is(err, unix.ENXIO):
		return "; the chip is gone, or the line has no interrupt that it needs for edges and debounce: plug it in, or use a line of the computer's own"
	case errors.Is(err, unix.ENOTTY):
		return "; that is no GPIO chip, or the kernel is older than 5.10"
	case errors.Is(err, unix.EINVAL), errors.Is(err, unix.EOPNOTSUPP):
		return "; the chip cannot do what the line needs, use another chip"
	}
	return ""
}

func (o *opening) holdOutput(what string, p Pin) (*heldOutput, error) {
	if !p.Fitted() {
		return &heldOutput{what: what}, nil
	}
	c, line, err := o.find(what, p)
	if err != nil {
		return nil, err
	}
	req, err := c.request(outputRequest(line, o.cfg.Consumer))
	if err != nil {
		return nil, refused(what, p, c, line, err)
	}
	return &heldOutput{what: what, pin: p, req: req}, nil
}

func (o *opening) holdInputs() error {
	var groups []*wanted
	for bit, in := range o.cfg.Inputs {
		if !in.Pin.Fitted() {
			continue
		}
		c, line, err := o.find(in.Name, in.Pin)
		if err != nil {
			return err
		}
		i := slices.IndexFunc(groups, func(w *wanted) bool { return w.chip.name == c.name })
		if i < 0 {
			i, groups = len(groups), append(groups, &wanted{chip: c})
		}
		w := groups[i]
		w.lines, w.inputs, w.bits = append(w.lines, line), append(w.inputs, in), append(w.bits, bit)
	}
	for _, w := range groups {
		if err := o.holdGroup(w, true); err == nil {
			continue
		}
		// A chip without interrupts: what must not be missed is refused there, the rest read.
		every, rest := wanted{chip: w.chip}, wanted{chip: w.chip}
		for i, in := range w.inputs {
			to := &rest
			if in.Every {
				to = &every
			}
			to.lines, to.inputs, to.bits = append(to.lines, w.lines[i]), append(to.inputs, in), append(to.bits, w.bits[i])
		}
		if err := errors.Join(o.holdGroup(&every, true), o.holdGroup(&rest, false)); err != nil {
			return err
		}
	}
	return nil
}

// wanted is inputs of one chip.
type wanted struct {
	chip   *openChip
	lines  []uint32
	inputs []GPIOInput
	bits   []int
}

func (o *opening) holdGroup(w *wanted, edges bool) error {
	if len(w.lines) == 0 {
		return nil
	}
	r, err := inputRequest(w.lines, w.inputs, edges, o.cfg.Consumer)
	if err != nil {
		return fmt.Errorf("inputs on %s: %w", w.chip.pinChip, err)
	}
	req, err := w.chip.request(r)
	if err != nil {
		return o.whichInput(w, edges, err)
	}
	g := inputGroup{chip: w.chip.pinChip, req: req, mask: 1<<len(w.lines) - 1, bits: w.bits}
	if edges {
		levels, _ := req.values(g.mask) // a line that cannot be read shows in the first turn
		g.events = eventsOf(w, levels)
	} else {
		for _, in := range w.inputs {
			o.sampled = append(o.sampled, in.Name+" on "+in.Pin.String())
		}
	}
	o.inputs = append(o.inputs, g)
	return nil
}

// whichInput finds the line for which the kernel refused them all.
func (o *opening) whichInput(w *wanted, edges bool, err error) error {
	c := w.chip
	for i, in := range w.inputs {
		one, e := inputRequest(w.lines[i:i+1], w.inputs[i:i+1], edges, o.cfg.Consumer)
		if e != nil {
			return e
		}
		req, e := c.request(one)
		if e != nil {
			return refused(in.Name, in.Pin, c, w.lines[i], e)
		}
		if e := req.close(); e != nil {
			return e
		}
	}
	return fmt.Errorf("inputs on %s: %w%s", c.pinChip, err, mend(err))
}

func (o *opening) holdAnemometer() error {
	in := o.cfg.Anemometer
	if !in.Pin.Fitted() {
		return nil
	}
	c, line, err := o.find(in.Name, in.Pin)
	if err != nil {
		return err
	}
	// A request of its own: its events' numbers then count its edges alone, and a gap in
	// them is edges lost.
	r, err := inputRequest([]uint32{line}, []GPIOInput{in}, true, o.cfg.Consumer)
	if err != nil {
		return err
	}
	req, err := c.request(r)
	if err != nil {
		return refused(in.Name, in.Pin, c, line, err)
	}
	o.edge = req
	since, err := o.epoch()
	if err != nil {
		return err
	}
	o.edges = edges{since: since, room: make([]byte, 64*eventSize)}
	return nil
}

// epoch is the kernel's monotonic clock at the board's time 0. Of a few
// readings the quickest counts: between its two ends the guard was not held up.
func (o *opening) epoch() (time.Duration, error) {
	var best, since time.Duration
	for i := range 5 {
		before := o.cfg.Now()
		kernel, err := o.parts.clock()
		if err != nil {
			return 0, fmt.Errorf("read the kernel's clock: %w", err)
		}
		after := o.cfg.Now()
		if took := after - before; i == 0 || took < best {
			best, since = took, kernel-before-took/2
		}
	}
	return since, nil
}

// kernelTime is the clock of the edges' times.
func kernelTime() (time.Duration, error) {
	var t unix.Timespec
	err := unix.ClockGettime(unix.CLOCK_MONOTONIC, &t)
	return time.Duration(t.Nano()), err
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
