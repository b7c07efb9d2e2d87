package telemetry

import (
	"encoding/binary"
	"fmt"
	"math"

	"downhaul/interlock"
	"downhaul/rules"
)

func u16At(b []byte, at uint16) uint16 { return binary.LittleEndian.Uint16(b[at:]) }
func u32At(b []byte, at uint16) uint32 { return binary.LittleEndian.Uint32(b[at:]) }
func f32At(b []byte, at uint16) float64 {
	return float64(math.Float32frombits(binary.LittleEndian.Uint32(b[at:])))
}

// appendSpecial is append for every form but plain.
func (o *op) appendSpecial(dst []interlock.Input, b []byte, first bool, cells int) []interlock.Input {
	switch o.form {
	case bit:
		v := 0.0
		if _, raw := o.read(b); raw&int64(o.mask) != 0 {
			v = 1
		}
		return o.good(dst, v)
	case landed:
		switch b[o.at] {
		case 0:
			return o.missing(dst, rules.Sentinel)
		case 1:
			return o.good(dst, 1)
		case 2, 3, 4: // in the air, taking off, landing
			return o.good(dst, 0)
		}
		return o.missing(dst, rules.Implausible)
	case current:
		return o.appendCurrent(dst, int16(u16At(b, o.at)))
	case output, spareOutput:
		return o.appendOutput(dst, u16At(b, o.at))
	case clearance:
		v := f32At(b, o.at)
		if v < 0 {
			return o.missing(dst, rules.Sentinel)
		}
		return o.good(dst, v)
	case distance:
		return o.appendDistance(dst, b, first)
	case healthy:
		v := float64(f32At(b, o.at)*o.mul) / o.div
		if u32At(b, o.further[0])&o.mask == 0 {
			return o.doubtful(dst, v, rules.SensorFailed)
		}
		return o.good(dst, v)
	case packVoltage, lowestCell, cellSpread:
		if !o.onlyPack {
			cells = 0
		}
		return o.appendCells(dst, b, first, cells)
	}
	return o.appendSeveral(dst, b)
}

// appendCurrent: the field rolls over above 327.67 A (MAVLink common.xml), so
// its last step and every negative number may be a much larger current.
func (o *op) appendCurrent(dst []interlock.Input, raw int16) []interlock.Input {
	v := float64(raw) / o.div
	switch {
	case int64(raw) == o.unknown:
		return o.missing(dst, rules.Sentinel)
	case v < o.low:
		return o.missing(dst, rules.OutOfRange)
	case raw < 0 || raw == math.MaxInt16:
		return o.doubtful(dst, v, rules.OutOfRange)
	}
	return o.good(dst, v)
}

// appendOutput: mul is the pulse width at idle, div the way to full.
func (o *op) appendOutput(dst []interlock.Input, raw uint16) []interlock.Input {
	if raw == 0 {
		if o.form == spareOutput {
			return dst
		}
		return o.missing(dst, rules.Sentinel)
	}
	return o.good(dst, (float64(raw)-o.mul)/o.div)
}

// appendDistance judges a distance by its own bounds. At the greatest distance
// itself a sensor may be at its end: the value may count as too high, but it
// must not pass for a measured height.
func (o *op) appendDistance(dst []interlock.Input, b []byte, first bool) []interlock.Input {
	d, least, most := u16At(b, o.at), u16At(b, o.further[0]), u16At(b, o.further[1])
	v := float64(d) / o.div
	switch {
	case !first && b[o.further[2]] == signalInvalid:
		return o.missing(dst, rules.Sentinel)
	case d < least || d > most:
		return o.missing(dst, rules.OutOfRange)
	case d == most:
		return o.doubtful(dst, v, rules.Saturated)
	}
	return o.good(dst, v)
}

// appendSeveral is for the forms that make one value of several numbers.
func (o *op) appendSeveral(dst []interlock.Input, b []byte) []interlock.Input {
	switch o.form {
	case greatest:
		x, y, z := f32At(b, o.at), f32At(b, o.further[0]), f32At(b, o.further[1])
		return o.good(dst, math.Max(math.Max(x, y), z)) // NaN stays NaN
	case total:
		x, y, z := u32At(b, o.at), u32At(b, o.further[0]), u32At(b, o.further[1])
		return o.good(dst, float64(uint64(x)+uint64(y)+uint64(z)))
	case length:
		x, y := f32At(b, o.at), f32At(b, o.further[0])
		return o.good(dst, math.Sqrt(float64(x*x)+float64(y*y)))
	case leastOfFour:
		least, n, silent := 0.0, 0, false
		for k := range uint16(4) {
			v := f32At(b, o.at+4*k)
			if v == 0 {
				silent = silent || k < o.motors
				continue
			}
			if n == 0 || !(v >= least) { // NaN wins
				least = v
			}
			if n++; math.IsNaN(least) {
				break
			}
		}
		if n == 0 || silent {
			return o.missing(dst, rules.Sentinel)
		}
		return o.good(dst, least)
	case sumOfFour:
		sum := 0.0
		for k := range uint16(4) {
			sum += f32At(b, o.at+4*k)
		}
		return o.good(dst, sum)
	case hottestOfFour:
		hottest, n := int16(math.MinInt16), uint16(0)
		for k := range o.fitted(b) {
			if v := int16(u16At(b, o.at+2*k)); int64(v) != o.unknown {
				hottest, n = max(hottest, v), n+1
			}
		}
		if n == 0 || n < o.motors {
			return o.missing(dst, rules.Sentinel)
		}
		return o.good(dst, float64(hottest)/o.div)
	case anyOfFour:
		var flags uint16
		n := o.fitted(b)
		for k := range n {
			flags |= u16At(b, o.at+2*k)
		}
		if n == 0 || n < o.motors {
			return o.missing(dst, rules.Sentinel)
		}
		return o.good(dst, float64(flags))
	}
	return dst
}

// fitted is how many of the frame's four controllers are there: ESC_INFO has
// the count of all of them, and says to ignore what lies past it.
func (o *op) fitted(b []byte) uint16 {
	count, before := uint16(b[o.further[0]]), uint16(o.mask)
	if count <= before {
		return 0
	}
	return min(count-before, 4)
}

// addNamed puts a named value into the plan of NAMED_VALUE_FLOAT.
func (x *Fields) addNamed(n Named) error {
	l, err := layoutOf(namedValueFloat)
	if err != nil {
		return err
	}
	name, ok := l.find("name")
	if !ok || name.typ != char || name.count != 10 {
		return fmt.Errorf("field table: message %s: expected a name of 10 bytes", l.name)
	}
	o, err := newOp(&l, row{channel: n.Channel, field: "value", mul: n.Scale})
	if err != nil {
		return fmt.Errorf("field table: message %s: %w", l.name, err)
	}
	p := x.planOf(knownMessages.row(l.id))
	p.reach = max(p.reach, name.offset+name.size(), int(o.at)+numberRow[o.typ].size)
	p.nameAt = name.offset
	v := namedOp{op: o, offset: n.Offset}
	copy(v.name[:], n.Name)
	p.named = append(p.named, v)
	x.Sources[n.Channel] = append(x.Sources[n.Channel], l.id)
	return nil
}

// appendNamed adds the sample of the named value that b holds, if it is asked
// for. What follows the zero that ends a short name is not part of it.
func (p *plan) appendNamed(dst []interlock.Input, b []byte) []interlock.Input {
	var name [10]byte
	for i, c := range b[p.nameAt : p.nameAt+len(name)] {
		if c == 0 {
			break
		}
		name[i] = c
	}
	for i := range p.named {
		if n := &p.named[i]; n.name == name {
			v, _ := n.op.read(b)
			return n.op.good(dst, float64(v*n.op.mul)+n.offset)
		}
	}
	return dst
}
