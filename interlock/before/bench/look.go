package bench

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/derived"
	"downhaul/interlock/day/intake"
	"downhaul/interlock/day/telemetry"
	"downhaul/interlock/records/recording"
	"downhaul/rules"
)

// heard is what a first look at a recording shows.
type heard struct {
	craft   intake.Craft
	stream  bool
	battery bool
	unread  Unread

	armed, wasArmed bool
	outputs         [16]outputSeen
	armedOutputs    int       // SERVO_OUTPUT_RAW while armed
	heights         [4]uint64 // messages by heightSources
	volts           float64   // the highest of the pack or supply
	cells           int       // that are told one by one

	fields  *telemetry.Fields
	samples []interlock.Input
	climbs  *Climbs
	against map[rules.ChannelID]rules.Cause // of a climb; see Climbs

	link  came             // all messages of the craft
	came  map[uint32]*came // by message
	quiet time.Duration    // how long the link was silent as a whole
}

// outputSeen is how one output moved while the craft was armed, and whether it was
// ever not 0.
type outputSeen struct {
	used      bool
	low, high uint16 // while armed; high 0: never told
}

// Message ids of the open dialect.
const (
	idHeartbeat     = 0
	idSysStatus     = 1
	idServoOutput   = 36
	idExtendedState = 245
	idBatteryStatus = 147
)

// heightSources are the messages that tell a height, the best first where both come
// as often.
var heightSources = [...]struct {
	id      uint32
	channel rules.ChannelID
	name    string
}{
	{33, rules.HeightGlobal, "GLOBAL_POSITION_INT"}, {32, rules.HeightLocal, "LOCAL_POSITION_NED"},
	{141, rules.HeightAltitude, "ALTITUDE"}, {132, rules.HeightRange, "DISTANCE_SENSOR"},
}

// lookFrames bounds the first look, in frames of the craft; what a craft sends at all
// it sends within some hundred. lookNamed bounds the look for a craft that is named
// and may not be in the recording at all, and lookArmed the look for an armed one, some
// hours of a usual link. armedOutputs is how many messages of outputs while armed are
// enough: some are from before the motors turn.
const (
	lookFrames   = 4000
	lookNamed    = 100_000
	lookArmed    = 1_000_000
	armedOutputs = 200
)

// eachFrame shows f the frames of a recording until it wants no more.
func eachFrame(parts []string, how []recording.Option, f func(c *intake.Chunk, f *telemetry.Frame) bool) error {
	rec, err := recording.OpenParts(parts, append(slices.Clone(how), recording.PastDamage())...)
	if err != nil {
		return err
	}
	defer rec.Close()
	var scan telemetry.Stream
	for {
		c, err := rec.Next()
		if err != nil {
			return nil // what breaks off is told by the replay itself
		}
		if c.Source != intake.Telemetry {
			continue
		}
		scan.Feed(c.Bytes)
		for frame, ok := scan.Next(); ok; frame, ok = scan.Next() {
			if !f(c, &frame) {
				return nil
			}
		}
	}
}

// busiest is the autopilot of which most is heard at first: a sender of a HEARTBEAT whose
// autopilot field names one (the standard's 8 is "no autopilot").
func busiest(parts []string, how []recording.Option) (best intake.Craft, err error) {
	type sender struct {
		intake.Craft
		frames int
		pilot  bool
	}
	var all []sender
	frames, pilots := 0, 0
	err = eachFrame(parts, how, func(_ *intake.Chunk, f *telemetry.Frame) bool {
		who := intake.Craft{System: f.System, Component: f.Component}
		i := slices.IndexFunc(all, func(s sender) bool { return s.Craft == who })
		if i < 0 {
			i = len(all)
			all = append(all, sender{Craft: who})
		}
		frames++
		all[i].frames++
		if f.ID == idHeartbeat && len(f.Payload) >= 6 && f.Payload[5] != 8 && !all[i].pilot {
			all[i].pilot = true
			pilots++
		}
		return frames < lookFrames || pilots == 0 && frames < lookArmed
	})
	most := 0
	for _, s := range all {
		if s.pilot && s.frames > most {
			best, most = s.Craft, s.frames
		}
	}
	if err == nil && most == 0 {
		err = errors.New("no HEARTBEAT of an autopilot in it, so there is no craft to watch; is it the telemetry link that was recorded? A pad file names the craft")
	}
	return best, err
}

// look hears the first frames of that craft, or, where none is named, of the one that is
// heard most; then it goes on until it has seen which outputs an armed craft moves.
func look(parts []string, craft intake.Craft, how ...recording.Option) (h heard, err error) {
	named := craft != intake.Craft{}
	if !named {
		if craft, err = busiest(parts, how); err != nil {
			return h, err
		}
	}
	if h.fields, err = telemetry.NewFields(telemetry.FieldsConfig{}); err != nil {
		return h, err
	}
	h.climbs, h.against = NewClimbs(), map[rules.ChannelID]rules.Cause{}
	h.craft, h.came = craft, map[uint32]*came{}
	after, n := 0, 0
	err = eachFrame(parts, how, func(c *intake.Chunk, f *telemetry.Frame) bool {
		h.stream = !c.From.IsValid()
		if n++; f.System == craft.System && f.Component == craft.Component {
			after++
			h.take(c.At, f)
		}
		if named {
			return after < lookFrames && n < lookNamed
		}
		return after < lookFrames || h.armedOutputs < armedOutputs && n < lookArmed
	})
	return h, err
}

// take takes a frame of the craft. Places of fields are those of the open dialect.
func (h *heard) take(at time.Duration, f *telemetry.Frame) {
	h.unread.Hear(f)
	if gap := h.link.take(at, 0); gap >= SilentLink {
		h.quiet += gap
	}
	if h.came[f.ID] == nil {
		h.came[f.ID] = &came{}
	}
	h.came[f.ID].take(at, h.quiet)
	h.samples = h.fields.Append(h.samples[:0], f)
	for i := range h.samples {
		s := &h.samples[i].Sample
		if against := h.climbs.Take(at, s); against != rules.NoCause {
			h.against[s.Channel] = against
		}
	}
	var p [64]byte // zeros at the end are not sent
	copy(p[:], f.Payload)
	u16 := func(at int) uint16 { return binary.LittleEndian.Uint16(p[at:]) }
	for i := range heightSources {
		if heightSources[i].id == f.ID {
			h.heights[i]++
		}
	}
	switch f.ID {
	case idHeartbeat:
		h.armed = p[6]&0x80 != 0
		h.wasArmed = h.wasArmed || h.armed
	case idSysStatus:
		h.charged(u16(14))
	case idBatteryStatus:
		h.battery = true
		if p[32] != 0 { // the first pack's
			return
		}
		cells, sum := 0, 0.0
		for ; cells < 10 && u16(10+2*cells) != math.MaxUint16 && u16(10+2*cells) > 0; cells++ {
			sum += float64(u16(10+2*cells)) / 1000
		}
		if h.volts = max(h.volts, sum); cells > 1 {
			h.cells = max(h.cells, cells)
		}
	case idServoOutput:
		h.moved(&p)
	}
}

// charged takes a voltage in mV; all bits set is not known.
func (h *heard) charged(mv uint16) {
	if mv != math.MaxUint16 {
		h.volts = max(h.volts, float64(mv)/1000)
	}
}

// moved takes the outputs, eight of version 1 and eight that an extension added.
func (h *heard) moved(p *[64]byte) {
	if h.armed {
		h.armedOutputs++
	}
	for i := range h.outputs {
		at := 4 + 2*i
		if i >= 8 {
			at = 21 + 2*(i-8) // behind the port
		}
		us, o := binary.LittleEndian.Uint16(p[at:]), &h.outputs[i]
		if us == 0 || us == math.MaxUint16 {
			continue
		}
		o.used = true
		if !h.armed {
			continue
		}
		if o.high == 0 {
			o.low, o.high = us, us
		}
		o.low, o.high = min(o.low, us), max(o.high, us)
	}
}

// movedBy is how far an output must have moved while armed to be a motor's, in µs;
// what steers a camera or stands still is none. Ours.
const movedBy = 25

// motorCount is the leading outputs that are motors', and how that is known.
func (h *heard) motorCount() (n int, says string) {
	for n < min(len(h.outputs), derived.MaxMotors) && h.outputs[n].high-h.outputs[n].low >= movedBy {
		n++
	}
	if n > 0 {
		return n, fmt.Sprintf("%d motors, since so many leading outputs move while it is armed, from 1000 to 2000 µs", n)
	}
	for n < min(len(h.outputs), derived.MaxMotors) && h.outputs[n].used {
		n++
	}
	why := "it is never armed in it"
	if h.wasArmed {
		why = "none moves while it is armed"
	}
	if n == 0 {
		return 1, "no motor's output, since none is told"
	}
	return n, fmt.Sprintf("%d motors, the leading outputs that are not 0 (%s), from 1000 to 2000 µs", n, why)
}

// height is the source of height that the craft sends most often.
func (h *heard) height() (rules.ChannelID, string) {
	best := 0
	for i := range heightSources {
		// As often, but for a few, is no reason.
		if 2*h.heights[i] > 3*h.heights[best] {
			best = i
		}
	}
	s := &heightSources[best]
	if h.heights[best] == 0 {
		return s.channel, s.name + ", which does not come: no height is known"
	}
	return s.channel, s.name
}

// cellCount is the cells of the first pack: those told one by one, else as few as the
// highest voltage needs, 4.25 V each (a full lithium cell has 4.2).
func (h *heard) cellCount() (n int, says string) {
	const most = 28
	switch n = int(math.Ceil(h.volts / 4.25)); {
	case h.cells > 0:
		return h.cells, fmt.Sprintf("%d cells, told one by one", h.cells)
	case n < 1 || n > most || h.volts < 2.5:
		return 1, "no cells, since no pack's voltage is told"
	}
	return n, fmt.Sprintf("%d cells, as few as %s needs", n, rules.Format(h.volts, "V"))
}
