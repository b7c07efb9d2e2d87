package telemetry

import (
	"encoding/binary"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/google/go-cmp/cmp"

	"downhaul/interlock"
	"downhaul/rules"
)

// TestValuesAreAppend gives every message any payload, in both versions, on pads of
// chance: what is read in one look is what is read number by number.
func TestValuesAreAppend(t *testing.T) {
	short, long := 0, 0
	for seed := range uint64(30) {
		rnd := rand.New(rand.NewPCG(seed, 3))
		c := FieldsConfig{Cells: rnd.IntN(15), Motors: rnd.IntN(17), SupplyIsPack: rnd.IntN(2) == 0, TensionFromWinch: rnd.IntN(2) == 0}
		if rnd.IntN(2) == 0 {
			c.Named = []Named{{Name: "tight", Channel: rules.Told1, Scale: -2, Offset: 0.5}}
		}
		for i := range c.OutputIdle {
			if rnd.IntN(5) == 0 { // 0 µs lies in the range of some
				c.OutputIdle[i], c.OutputFull[i] = float64(2000*rnd.IntN(2)), 900+1000*float64(rnd.IntN(2))
			}
		}
		if rnd.IntN(2) == 0 {
			c.Wanted = new([rules.ChannelCount]bool)
			for id := range c.Wanted {
				spare := rules.ChannelID(id) >= rules.Motor9Output && rules.ChannelID(id) <= rules.Motor16Output
				c.Wanted[id] = rnd.IntN(3) > 0 && !spare
			}
		}
		x, err := NewFields(c)
		if err != nil {
			t.Fatal(err)
		}
		var plans []uint32 // of what feeds something
		for i, k := range knownMessages.rows {
			if x.ofRow[i] > 0 {
				plans = append(plans, k.id)
			}
		}
		for range 1500 {
			f := Frame{System: 1, Component: 1, Version: uint8(1 + rnd.IntN(2)), ID: plans[rnd.IntN(len(plans))]}
			row := knownMessages.rows[knownMessages.row(f.ID)]
			f.Payload = rest(rnd, &row)
			p, b := x.plan(&f)
			// Number by number, as it was before there was another way.
			want := appendAll(nil, p.always, b, f.Version == 1, x.cells)
			if k := p.choice(x.chosen); k != nil {
				want = appendAll(want, k.ops, b, f.Version == 1, x.cells)
			}
			if p.named != nil {
				want = p.appendNamed(want, b)
			}
			got := x.AppendInputs(nil, &f)
			if d := cmp.Diff(bits(want), bits(got)); d != "" {
				t.Fatalf("seed %d, %s of version %d, %x: number by number (-), in one look (+)\n%s", seed, MessageName(f.ID), f.Version, f.Payload, d)
			}
			var v Values
			if !x.Values(&v, &f) {
				long++
				continue
			}
			short += len(v.IDs)
			if d := cmp.Diff(bits(want), bits(v.AppendInputs(nil, 0))); d != "" {
				t.Fatalf("seed %d, %s of version %d, %x: number by number (-), as values (+)\n%s", seed, MessageName(f.ID), f.Version, f.Payload, d)
			}
		}
	}
	if short < 15_000 || long < 5000 {
		t.Errorf("only %d values in one look, and %d frames number by number: little was tried", short, long)
	}
}

// rest is a payload of which most numbers are sound, at times cut or longer than
// any known edition of its message.
func rest(rnd *rand.Rand, k *known) []byte {
	b := make([]byte, 255)
	wild, whole := rnd.IntN(8) == 0, rnd.IntN(4) == 0
	for i := 0; i+4 <= len(b); i += 4 {
		v := math.Float32bits(float32(rnd.NormFloat64()))
		switch n := rnd.IntN(12); {
		case wild && n < 3:
			v = rnd.Uint32()
		case wild && n < 6:
			v = []uint32{1 << 31, 0xFFFFFFFF, 0x7FC00000, 0x7F800000, 0x40490FDB, 0xC0490FDB, 0x7FFF7FFF}[rnd.IntN(7)]
		case n == 0:
			v = 0
		case whole: // pulse widths, nearly all of them
			if v = uint32(1000+rnd.IntN(900))<<16 | uint32(1000+rnd.IntN(900)); n == 2 {
				v &= 0xFFFF << (16 * rnd.IntN(2))
			}
		case n == 1 && !whole:
			v = 1 << 31 // −0
		case n < 5:
			v = uint32(1000+rnd.IntN(1000))<<16 | uint32(1000+rnd.IntN(1000))
		}
		binary.LittleEndian.PutUint32(b[i:], v)
	}
	if rnd.IntN(3) == 0 { // where a selector, a count or a name may stand
		b[rnd.IntN(60)] = []byte{0, 1, 4, 8, 12, 25}[rnd.IntN(6)]
		copy(b[8:], "tight\x00")
	}
	if whole { // the port of the outputs
		b[20] = byte(rnd.IntN(2))
	}
	n := int(k.full)
	switch rnd.IntN(5) {
	case 0:
		n = int(k.base)
	case 1:
		n = rnd.IntN(n + 1)
	case 2:
		n = len(b)
	}
	return b[:n]
}

// bits has the values as bits, so that −0 is not 0.
func bits(inputs []interlock.Input) (out []any) {
	for _, in := range inputs {
		v := math.Float64bits(in.Sample.Value)
		in.Sample.Value = 0
		out = append(out, in, v)
	}
	return out
}
