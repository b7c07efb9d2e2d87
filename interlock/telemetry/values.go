package telemetry

import (
	"encoding/binary"
	"math"
	"slices"

	"downhaul/interlock"
	"downhaul/rules"
)

// Values are good values of channels, in the order in which Append gives them.
type Values struct {
	IDs []rules.ChannelID
	V   [mostValues]float64 // as many as there are IDs
}

// mostValues is more than any message has of plain numbers that feed channels;
// what has more goes by Append.
const mostValues = 32

// AppendInputs adds the values from the one at index from on, as the engine takes
// them.
func (v *Values) AppendInputs(dst []interlock.Input, from int) []interlock.Input {
	n := len(dst) - from
	dst = slices.Grow(dst, len(v.IDs))[:n+len(v.IDs)]
	for i := from; i < len(v.IDs); i++ {
		in := &dst[n+i]
		in.Line, in.Host, in.On, in.Seq = 0, 0, false, 0
		in.SetSample(v.IDs[i], v.V[i], rules.Good, rules.NoCause)
	}
	return dst
}

// list lists the channels of a plan whose frames can be told as Values.
func (p *plan) list() {
	ids := func(ids []rules.ChannelID, ops []op) []rules.ChannelID {
		for i := range ops {
			ids = append(ids, ops[i].channel)
			p.joined = p.joined || ops[i].joins()
		}
		return ids
	}
	p.ids = ids(nil, p.always)
	for i := range p.cases {
		c := &p.cases[i]
		c.ids = ids(append([]rules.ChannelID(nil), p.ids...), c.ops)
	}
}

// joins reports whether the op feeds a channel of which the intake must remember
// something: several motor controllers feed it, or its field rolls over.
func (o *op) joins() bool {
	if o.form == current {
		return true
	}
	switch o.channel {
	case rules.ESCVoltage, rules.ESCCurrent, rules.ESCTemperature, rules.ESCFailures:
		return true
	}
	return false
}

// Values is Append for a frame whose every sample is good, and does not depend on
// frames before it; of any other it says false, and v holds nothing.
func (x *Fields) Values(v *Values, f *Frame) bool {
	p, b := x.plan(f)
	return !p.joined && x.values(v, p, b, f.Version == 1)
}

// values is Values whatever else feeds the channels. It takes most frames of a
// day, so the way of nearly every number stands in one piece in goods.
func (x *Fields) values(v *Values, p *plan, b []byte, first bool) bool {
	if p.named != nil {
		return false
	}
	v.IDs = p.ids
	c := p.choice(x.chosen)
	if c != nil {
		v.IDs = c.ids
	}
	if len(v.IDs) > mostValues {
		return false
	}
	n := len(p.always)
	return x.goods(v.V[:n], p.always, b, first) && (c == nil || x.goods(v.V[n:len(v.IDs)], c.ops, b, first))
}

// goods puts the values of ops, which are as many, into v if all are good.
func (x *Fields) goods(v []float64, ops []op, b []byte, first bool) bool {
	v = v[:len(ops)]
	for i := range ops {
		o := &ops[i]
		var one float64
		switch {
		case o.quick:
			one = float64(math.Float32frombits(binary.LittleEndian.Uint32(b[o.at:])))
		case o.form == output:
			raw := binary.LittleEndian.Uint16(b[o.at:])
			if raw == 0 {
				return false
			}
			one = (float64(raw) - o.mul) / o.div
		case o.form != plain || o.extension && first:
			x.room = o.appendOne(x.room[:0], b, first, x.cells)
			if len(x.room) != 1 || x.room[0].Sample.Quality != rules.Good {
				return false
			}
			v[i] = x.room[0].Sample.Value
			continue
		default:
			var raw int64
			one, raw = o.read(b)
			if o.hasUnknown && o.typ != f32 && raw == o.unknown {
				return false
			}
			if o.scaled {
				one = float64(one*o.mul) / o.div
			}
		}
		if !(one >= o.low && one <= o.high) {
			return false
		}
		v[i] = one + 0 // never −0
	}
	return true
}
