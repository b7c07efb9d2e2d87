package telemetry

import (
	"cmp"
	"encoding/binary"
	"fmt"
	"math"

	"downhaul/interlock"
	"downhaul/rules"
)

// op is a row of the table, worked out: where to read and what to make of it.
type op struct {
	// Hot fields first, to share a cache line.
	form       form
	typ        number
	extension  bool
	hasUnknown bool
	scaled     bool // mul or div is not 1
	onlyPack   bool
	channel    rules.ChannelID
	at         uint16
	low, high  float64
	mul, div   float64
	unknown    int64
	further    [3]uint16
	mask       uint32
	motors     uint16 // declared motors among the four controllers, 0: not declared
}

// newOp works a row out against the message's layout.
func newOp(l *layout, r row) (op, error) {
	p, ok := l.find(r.field)
	if !ok {
		return op{}, fmt.Errorf("expected a field %s, found none", r.field)
	}
	if r.element >= max(p.count, 1) {
		return op{}, fmt.Errorf("field %s: expected an element %d, found %d", r.field, r.element, p.count)
	}
	if want, ok := formType[r.form]; ok && want != [2]int{int(p.typ), p.count} {
		return op{}, fmt.Errorf("field %s: expected type %d with %d elements, found %d with %d", r.field, want[0], want[1], p.typ, p.count)
	}
	o := op{
		form: r.form, typ: p.typ, extension: p.extension,
		at:   uint16(p.offset + r.element*numberRow[p.typ].size),
		mask: r.mask, hasUnknown: r.unknown.set, unknown: r.unknown.raw,
		mul: cmp.Or(r.mul, 1), div: cmp.Or(r.div, 1),
	}
	o.scaled = o.mul != 1 || o.div != 1
	for i, name := range r.further {
		q, ok := l.find(name)
		if !ok {
			return op{}, fmt.Errorf("expected a field %s, found none", name)
		}
		o.further[i] = uint16(q.offset)
	}
	o.setChannel(r.channel)
	return o, nil
}

// reach is how many bytes of the payload an op may read.
func (o *op) reach(l *layout, r row) int {
	end := int(o.at) + numberRow[o.typ].size
	if r.form != plain { // it may read all elements, and more fields
		p, _ := l.find(r.field)
		end = p.offset + p.size()
	}
	for _, name := range r.further {
		p, _ := l.find(name)
		end = max(end, p.offset+p.size())
	}
	return end
}

// formType is what some forms expect of their field: type and elements.
var formType = map[form][2]int{
	landed: {int(u8), 0}, current: {int(i16), 0}, output: {int(u16), 0}, spareOutput: {int(u16), 0},
	clearance: {int(f32), 0}, distance: {int(u16), 0}, healthy: {int(f32), 0}, greatest: {int(f32), 0},
	total: {int(u32), 0}, length: {int(f32), 0}, leastOfFour: {int(f32), 4}, sumOfFour: {int(f32), 4},
	hottestOfFour: {int(i16), 4}, anyOfFour: {int(u16), 4},
	packVoltage: {int(u16), 10}, lowestCell: {int(u16), 10}, cellSpread: {int(u16), 10},
}

func (o *op) setChannel(id rules.ChannelID) {
	ch := id.Channel()
	o.channel, o.low, o.high = id, ch.Low, ch.High
}

// appendAll adds the samples of ops. b is filled up to the message's full
// length; first reports whether the frame is of version 1, which has no extensions.
func appendAll(dst []interlock.Input, ops []op, b []byte, first bool, cells int) []interlock.Input {
	for i := range ops {
		dst = ops[i].appendOne(dst, b, first, cells)
	}
	return dst
}

// appendOne adds the sample of one op.
func (o *op) appendOne(dst []interlock.Input, b []byte, first bool, cells int) []interlock.Input {
	if o.extension && first {
		return dst
	}
	if o.form != plain {
		return o.appendSpecial(dst, b, first, cells)
	}
	v, raw := o.read(b)
	if o.hasUnknown && o.typ != f32 && raw == o.unknown {
		return o.missing(dst, rules.Sentinel)
	}
	if o.scaled {
		v = float64(v*o.mul) / o.div
	}
	return o.good(dst, v)
}

// read gives a number as a float and, for whole numbers, as it is.
func (o *op) read(b []byte) (v float64, raw int64) {
	b = b[o.at:]
	switch o.typ {
	case f32:
		return float64(math.Float32frombits(binary.LittleEndian.Uint32(b))), 0
	case u8:
		raw = int64(b[0])
	case i8:
		raw = int64(int8(b[0]))
	case u16:
		raw = int64(binary.LittleEndian.Uint16(b))
	case i16:
		raw = int64(int16(binary.LittleEndian.Uint16(b)))
	case u32:
		raw = int64(binary.LittleEndian.Uint32(b))
	case i32:
		raw = int64(int32(binary.LittleEndian.Uint32(b)))
	case i64:
		raw = int64(binary.LittleEndian.Uint64(b))
	case u64:
		u := binary.LittleEndian.Uint64(b)
		return float64(u), int64(u)
	case f64:
		return math.Float64frombits(binary.LittleEndian.Uint64(b)), 0
	}
	return float64(raw), raw
}

// good adds a value that is plausible; anything else is missing.
func (o *op) good(dst []interlock.Input, v float64) []interlock.Input {
	if v >= o.low && v <= o.high {
		if v == 0 {
			v = 0 // never -0
		}
		dst = append(dst, interlock.Input{})
		// Field by field: a copy of what was just put together waits for its parts.
		x := &dst[len(dst)-1]
		x.Kind, x.Sample.Channel, x.Sample.Quality, x.Sample.Value = interlock.SampleInput, o.channel, rules.Good, v
		return dst
	}
	return o.strange(dst, v)
}

// strange adds a value that is not within the channel's range.
func (o *op) strange(dst []interlock.Input, v float64) []interlock.Input {
	switch {
	case math.IsNaN(v) || math.IsInf(v, 0):
		return o.missing(dst, rules.NotANumber)
	case o.typ == f32 && v > o.high && v <= float64(float32(o.high)):
		// π as a 32-bit number is above π: rounding, not a fault.
		return o.good(dst, o.high)
	case o.typ == f32 && v < o.low && v >= float64(float32(o.low)):
		return o.good(dst, o.low)
	}
	return o.missing(dst, rules.Implausible)
}

func (o *op) missing(dst []interlock.Input, why rules.Cause) []interlock.Input {
	return append(dst, interlock.Input{Kind: interlock.SampleInput, Sample: interlock.Sample{Channel: o.channel, Quality: rules.Missing, Cause: why}})
}

// doubtful adds a value that may count against a limit and for nothing else.
func (o *op) doubtful(dst []interlock.Input, v float64, why rules.Cause) []interlock.Input {
	n := len(dst)
	dst = o.good(dst, v)
	if s := &dst[n].Sample; s.Quality == rules.Good {
		s.Quality, s.Cause = rules.Doubtful, why
	}
	return dst
}
