package virtual

import (
	"errors"
	"fmt"
	"math"
	"time"

	"downhaul/hw"
)

// queueKept bounds what a sensor keeps for a reader that does not come. The
// newest is kept.
const queueKept = 4096

// mostTurn is far above any cup anemometer and still cheap to model, Hz.
const mostTurn = 1000

// rotor is an anemometer whose contact closes for half of every pulse period.
// Its edges fall at exact times; it goes on turning through a change of speed.
type rotor struct {
	hz float64
	// base is when hz was set, part how far the rotor was then on the way to
	// its next edge (0 to 1), done the edges since base.
	base time.Duration
	part float64
	done int64

	closed  bool
	low     bool // closing pulls the line low
	broken  bool
	pending []hw.Edge
	lost    int
}

// half is the time from edge to edge in nanoseconds.
func (r *rotor) half() float64 { return 5e8 / r.hz }

// due is the time of edge k since base, from 1.
func (r *rotor) due(k int64) time.Duration {
	ns := (float64(k) - r.part) * r.half()
	if ns >= float64(Never-r.base)/2 {
		return Never
	}
	return r.base + time.Duration(math.Round(ns))
}

func (r *rotor) next() time.Duration {
	if r.hz == 0 {
		return Never
	}
	return r.due(r.done + 1)
}

// advance makes the edges up to and including now.
func (r *rotor) advance(now time.Duration) {
	if r.hz == 0 {
		return
	}
	// After a long sleep only the newest are worth making.
	if behind := int64(float64(now-r.base)/r.half()+r.part) - r.done - queueKept; behind > 0 {
		r.done += behind
		r.closed = r.closed != (behind%2 == 1)
		if !r.broken {
			r.lost += len(r.pending) + int(behind)
			r.pending = r.pending[:0]
		}
	}
	for at := r.next(); at <= now; at = r.next() {
		r.done++
		r.closed = !r.closed
		if r.broken {
			continue
		}
		if len(r.pending) == queueKept {
			r.pending = r.pending[1:]
			r.lost++
		}
		r.pending = append(r.pending, hw.Edge{Rise: r.closed != r.low, At: at})
	}
}

func (r *rotor) turn(now time.Duration, hz float64) error {
	if !(hz >= 0 && hz <= mostTurn) {
		return fmt.Errorf("turn: pulse rate must be from 0 to %d Hz (got %v); 0 stops the anemometer", mostTurn, hz)
	}
	if hz != 0 && hz < 1e-3 {
		return fmt.Errorf("turn: the least pulse rate is 0.001 Hz (got %v); 0 stops the anemometer", hz)
	}
	r.advance(now)
	if r.hz != 0 {
		r.part += float64(now-r.base)/r.half() - float64(r.done)
		r.part = min(max(r.part, 0), 1-1e-9)
	}
	r.base, r.done, r.hz = now, 0, hz
	return nil
}

func (r *rotor) take(now time.Duration) []hw.Edge {
	r.advance(now)
	out := r.pending
	r.pending = nil
	if len(out) > 0 {
		out[0].Lost, r.lost = r.lost, 0
	}
	return out
}

// Defaults of the modelled load cell converter. 24 bits in two's complement
// that clip at both ends and 80 conversions a second are those of a common
// bridge converter (data sheet HX711); the scale is ours, for full scale near
// 21 kN, and so is the zero, which is not 0 because a real bridge's never is.
const (
	defaultZero            = 84000
	defaultCountsPerNewton = 400
	defaultBits            = 24
	defaultRate            = 80
)

// ConverterConfig models load cell and converter: counts are Zero plus force
// times CountsPerNewton, clipped to Bits. The zero value takes every default.
type ConverterConfig struct {
	Zero            int32
	CountsPerNewton float64 // may be negative; not 0
	Bits            int     // 12 to 32, two's complement
	Rate            float64 // conversions a second, 0.1 to 1000
	// Absent: the pad has no converter.
	Absent bool
}

// mostLoad bounds the force that can be put on the cell, N. Far above any
// tether; the converter clips long before.
const mostLoad = 1e6

type converter struct {
	cfg    ConverterConfig
	force  float64
	done   int64
	failed bool // conversions come, but cannot be read
	full   bool // the bridge drives the converter to its end
	silent bool // no conversion comes at all

	pending []hw.Count
}

func newConverter(cfg ConverterConfig) (converter, error) {
	if !cfg.Absent && cfg == (ConverterConfig{}) {
		cfg = ConverterConfig{Zero: defaultZero, CountsPerNewton: defaultCountsPerNewton, Bits: defaultBits, Rate: defaultRate}
	}
	if cfg.Absent {
		return converter{cfg: cfg}, nil
	}
	var errs []error
	if per := math.Abs(cfg.CountsPerNewton); !(per >= 1e-6 && per <= 1e9) {
		errs = append(errs, fmt.Errorf("counts per newton must be a number other than 0 (got %v); take it from the cell's calibration", cfg.CountsPerNewton))
	}
	if cfg.Bits < 12 || cfg.Bits > 32 {
		errs = append(errs, fmt.Errorf("bits must be from 12 to 32 (got %d); most bridge converters have 24", cfg.Bits))
	}
	if !(cfg.Rate >= 0.1 && cfg.Rate <= 1000) {
		errs = append(errs, fmt.Errorf("rate must be from 0.1 to 1000 conversions a second (got %v); most bridge converters have 10 or 80", cfg.Rate))
	}
	if len(errs) > 0 {
		return converter{}, fmt.Errorf("converter: %w", errors.Join(errs...))
	}
	return converter{cfg: cfg}, nil
}

func (c *converter) due(k int64) time.Duration {
	return time.Duration(math.Round(float64(k) * 1e9 / c.cfg.Rate))
}

func (c *converter) next() time.Duration {
	if c.cfg.Absent {
		return Never
	}
	return c.due(c.done + 1)
}

func (c *converter) advance(now time.Duration) {
	if c.cfg.Absent {
		return
	}
	if behind := int64(float64(now)*c.cfg.Rate/1e9) - c.done - queueKept; behind > 0 {
		c.done += behind
		if !c.silent {
			c.pending = c.pending[:0]
		}
	}
	for at := c.next(); at <= now; at = c.next() {
		c.done++
		if c.silent {
			continue
		}
		if len(c.pending) == queueKept {
			c.pending = c.pending[1:]
		}
		c.pending = append(c.pending, c.convert(at))
	}
}

func (c *converter) convert(at time.Duration) hw.Count {
	if c.failed {
		return hw.Count{At: at, Failed: true}
	}
	top := math.Ldexp(1, c.cfg.Bits-1) - 1
	if c.full {
		return hw.Count{At: at, Value: int32(top)}
	}
	v := math.Round(float64(c.cfg.Zero) + float64(c.force*c.cfg.CountsPerNewton))
	return hw.Count{At: at, Value: int32(min(max(v, -top-1), top))}
}

func (c *converter) load(now time.Duration, newtons float64) error {
	if c.cfg.Absent {
		return errors.New("load: this board has no load cell; give it a converter in the pad file")
	}
	if !(newtons >= -mostLoad && newtons <= mostLoad) {
		return fmt.Errorf("load: force must be from %g to %g N (got %v)", -mostLoad, mostLoad, newtons)
	}
	c.advance(now)
	c.force = newtons
	return nil
}

func (c *converter) take(now time.Duration) []hw.Count {
	c.advance(now)
	out := c.pending
	c.pending = nil
	return out
}
