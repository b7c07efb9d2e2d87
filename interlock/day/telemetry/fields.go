package telemetry

import (
	"fmt"
	"slices"

	"downhaul/interlock"
	"downhaul/rules"
)

// Named sends a value that the craft names itself (NAMED_VALUE_FLOAT) to a
// channel: channel = value · Scale + Offset, in the unit of the channel's
// kind.
type Named struct {
	Name    string // 1 to 10 bytes, as the craft sends it
	Channel rules.ChannelID
	Scale   float64 // not 0; 1 takes the value as it is
	Offset  float64
}

// FieldsConfig states what a pad takes from its craft's telemetry. The zero
// value takes everything, with outputs of 1000 to 2000 µs.
type FieldsConfig struct {
	// Wanted limits the samples to some channels; nil wants all.
	Wanted *[rules.ChannelCount]bool
	// OutputIdle and OutputFull are the pulse widths of no and of full output
	// of each motor, in µs. A motor with both at 0 has 1000 and 2000.
	OutputIdle, OutputFull [16]float64
	// Named are the values that the craft names itself. A channel fed so is
	// fed by nothing else.
	Named []Named
	// TensionFromWinch makes WINCH_STATUS feed tether.tension too.
	TensionFromWinch bool
	// SupplyIsPack makes SYS_STATUS the source of pack.voltage, pack.current
	// and pack.left; BATTERY_STATUS then does not feed these three.
	SupplyIsPack bool
	// Cells is the declared count of cells in series of the pack (battery 0),
	// 0 if not declared. A BATTERY_STATUS that tells of single cells but of
	// another count gives no voltage: Missing with cause Disagreement.
	Cells int
	// Motors is the declared count of motors, 0 if not declared. Each has a
	// controller: a frame that does not tell of one gives no lowest voltage, no
	// hottest and no failure flags of its four.
	Motors int
}

// Fields turns frames into samples. It holds no state but scratch memory, so
// the same frame always gives the same samples. Not for use by two goroutines
// at once.
type Fields struct {
	Sources [rules.ChannelCount][]uint32 // the ids of the messages that feed each; not to be changed
	plans   []plan
	ofRow   []uint16 // plan by row of knownMessages; 0 is the empty plan
	cells   int
	chosen  uint8 // by the selector of the last frame's message
	scratch [256]byte
}

// plan is what is done with one message.
type plan struct {
	reach  int // bytes of the payload that are read; zeros where there are fewer
	always []op
	named  []namedOp
	nameAt int
	// selector is the offset of the field that chooses among cases, -1: none.
	selector int
	cases    []choice
}

type choice struct {
	when uint8
	ops  []op
}

type namedOp struct {
	name   [10]byte
	op     op
	offset float64
}

// NewFields works the table out for one pad, whose reader has refused what cannot be. The
// error is one of the table itself.
func NewFields(c FieldsConfig) (*Fields, error) {
	x := &Fields{
		plans: []plan{{selector: -1}},
		ofRow: make([]uint16, len(knownMessages.rows)),
		cells: c.Cells,
	}
	var claimed [rules.ChannelCount]bool
	for _, n := range c.Named {
		claimed[n.Channel] = true
	}
	want := func(id rules.ChannelID) bool { return c.Wanted == nil || c.Wanted[id] }
	if want(rules.CraftBootClock) {
		for i, k := range knownMessages.rows {
			if k.boot != 0 {
				o := op{form: plain, typ: u32, at: uint16(k.boot) - 1, mul: 1, div: 1000, scaled: true}
				o.setChannel(rules.CraftBootClock)
				p := x.planOf(i)
				p.always = append(p.always, o)
				p.reach = int(o.at) + 4
				x.Sources[rules.CraftBootClock] = append(x.Sources[rules.CraftBootClock], k.id)
			}
		}
	}
	for _, g := range table(&c) {
		l, err := layoutOf(g.message)
		if err != nil {
			return nil, err
		}
		for _, r := range g.rows {
			if claimed[r.channel] || !want(r.channel) {
				continue
			}
			if err := x.add(&c, &l, g.selector, r); err != nil {
				return nil, fmt.Errorf("field table: message %s: %w", l.name, err)
			}
		}
	}
	for _, n := range c.Named {
		if want(n.Channel) {
			if err := x.addNamed(n); err != nil {
				return nil, err
			}
		}
	}
	return x, nil
}

// planOf is the plan of a row of knownMessages, made if there is none yet.
func (x *Fields) planOf(row int) *plan {
	if x.ofRow[row] == 0 {
		x.ofRow[row] = uint16(len(x.plans))
		x.plans = append(x.plans, plan{selector: -1})
	}
	return &x.plans[x.ofRow[row]]
}

// add puts a row of the table into its message's plan.
func (x *Fields) add(c *FieldsConfig, l *layout, selector string, r row) error {
	o, err := newOp(l, r)
	if err != nil {
		return err
	}
	if r.form == output || r.form == spareOutput {
		motor := r.channel - rules.Motor1Output
		idle, full := c.OutputIdle[motor], c.OutputFull[motor]
		if idle == 0 && full == 0 {
			idle, full = 1000, 2000
		}
		o.mul, o.div = idle, full-idle
	}
	if l.id == idESCInfo || l.id == idESCStatus {
		o.motors = uint16(min(max(c.Motors-r.when, 0), 4))
	}
	// The declared count is that of the pack, not of a further battery.
	o.onlyPack = r.when == 0
	p := x.planOf(knownMessages.row(l.id))
	p.reach = max(p.reach, o.reach(l, r))
	if s := &x.Sources[r.channel]; !slices.Contains(*s, l.id) {
		*s = append(*s, l.id)
	}
	if selector == "" {
		p.always = append(p.always, o)
		return nil
	}
	at, ok := l.find(selector)
	if !ok || at.typ != u8 || at.count != 0 {
		return fmt.Errorf("expected a byte field %s to choose by", selector)
	}
	p.selector = at.offset
	for i := range p.cases {
		if p.cases[i].when == uint8(r.when) {
			p.cases[i].ops = append(p.cases[i].ops, o)
			return nil
		}
	}
	p.cases = append(p.cases, choice{when: uint8(r.when), ops: []op{o}})
	return nil
}

// Controllers reports whether the frame of the last call tells of four motor
// controllers, and which is the first of them. ESC_STATUS and ESC_INFO tell of
// the craft's controllers in turn, on the same channels.
func (x *Fields) Controllers(f *Frame) (first int, ok bool) {
	return int(x.chosen), f.ID == idESCInfo || f.ID == idESCStatus
}

// Append adds the samples of a frame to dst: the craft's boot clock first,
// then climb before height and whatever else the message feeds, in the order
// of the table. A message that feeds nothing adds nothing; a field that the
// frame is too old to have (an extension in version 1) adds nothing; a field
// that says "unknown" adds a Missing sample with its cause. A value outside
// the channel's plausible range is Missing, too.
//
// RADIO_STATUS comes from the radio itself, which has an identity of its own,
// and a frame's identity is not looked at here.
func (x *Fields) Append(dst []interlock.Input, f *Frame) []interlock.Input {
	p, b := x.plan(f)
	first := f.Version == 1
	dst = appendAll(dst, p.always, b, first, x.cells)
	if c := p.choice(x.chosen); c != nil {
		from := len(dst)
		dst = appendAll(dst, c.ops, b, first, x.cells)
		for i := from; i < len(dst) && f.ID == idBatteryStatus && x.chosen == 0 && len(f.Payload) > functionAt && f.Payload[functionAt] > propulsion; i++ {
			dst[i].Sample = interlock.Sample{Channel: dst[i].Sample.Channel, Cause: rules.Disagreement} // it drives no motor
		}
	}
	if p.named != nil {
		dst = p.appendNamed(dst, b)
	}
	return dst
}

// plan is what is done with a frame, and its payload filled up to what is read.
func (x *Fields) plan(f *Frame) (*plan, []byte) {
	p, b := &x.plans[x.ofRow[f.row]], f.Payload
	x.chosen = 0
	if p.selector >= 0 && p.selector < len(b) {
		x.chosen = b[p.selector]
	}
	if len(b) < p.reach {
		// Zeros at the end were cut, or it is version 1 without extensions.
		n := copy(x.scratch[:], b)
		b = x.scratch[:p.reach]
		clear(b[n:])
	}
	return p, b
}

// choice is what is done besides where the selector is chosen; nil is nothing.
func (p *plan) choice(chosen uint8) *choice {
	for i := range p.cases {
		if p.cases[i].when == chosen {
			return &p.cases[i]
		}
	}
	return nil
}
