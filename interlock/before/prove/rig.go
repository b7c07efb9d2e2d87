package prove

import (
	"math"
	"net/netip"
	"slices"
	"time"

	"github.com/bluenviron/gomavlib/v3/pkg/frame"
	"github.com/bluenviron/gomavlib/v3/pkg/message"

	"downhaul/interlock"
	"downhaul/interlock/day/intake"
	"downhaul/interlock/day/telemetry/signing"
	"downhaul/interlock/limits"
	"downhaul/rules"
)

// core is the engine and door the intake as this proof drives them. They are
// the guard's own; a test puts wrong ones here to see that they are found.
type core interface {
	Step(at time.Duration, in *interlock.Input) []interlock.Effect
	Advance(at time.Duration) []interlock.Effect
	Deadline() time.Duration
	View(dst *interlock.View)
	Reading(id rules.ChannelID) limits.Reading
	clone() core
}

type door interface {
	Append(dst []interlock.Input, c *intake.Chunk) []interlock.Input
	clone() door
}

type realCore struct{ *interlock.Engine }

func (c realCore) clone() core { return realCore{c.Clone()} }

type realDoor struct{ *intake.Intake }

func (d realDoor) clone() door { return realDoor{d.Clone()} }

// event is one decision with the time of the call that gave it.
type event struct {
	interlock.Effect
	call int
}

// is reports whether an event is of that kind; a trip is any stop that became due by
// itself, counted or behind another.
func (e *event) is(kind interlock.EffectKind) bool {
	if kind == interlock.TripEffect {
		return e.Demands()
	}
	return e.Kind == kind
}

// rig is a pad on a clock of its own: what the craft and the pad are like now,
// who is due to tell of it, and the core that hears it.
type rig struct {
	p    *plan
	core core
	door door

	now  time.Duration
	sc   scene
	due  []time.Duration // by source
	sent []int           // by source
	told []uint64        // by source: the boot clock of its last frame, µs
	seq  uint8
	// stamp is that of the craft's last signature.
	stamp signing.Stamp
	lost  []float64 // by source: share of a frame that is still to be lost
	// mute sources say nothing; with silent no frame of the craft comes.
	mute   []bool
	silent bool
	// stuck channels have no last digit that moves, as a frozen sensor has none.
	stuck []rules.ChannelID
	// outward is the way in which the last digit of the moved channels moves,
	// 0 not at all; all others have theirs move.
	outward float64
	moved   []rules.ChannelID
	restart time.Duration // what a restart took off the craft's clock

	lines   [interlock.LineCount]bool
	noPins  bool
	relay   bool
	beat    bool
	closed  bool          // the modelled contactor
	follow  time.Duration // when it follows; Never when it does not move
	welded  bool
	keeping bool // trip records get kept at once

	pulse  time.Duration // the next pulse of the anemometer
	edges  []intake.WindEdge
	rogue  *rogue
	watch  rules.ChannelID // whose readings are followed
	rate   int             // rule whose rate is followed, −1 for none
	lo, hi float64         // least and most it read
	read   bool
	good   time.Duration // its last good reading

	load load // of the modelled pack

	frame  time.Duration // when the craft's last frame came
	calls  int
	log    []event
	inputs []interlock.Input
	bytes  []byte
	view   interlock.View
}

// rogue is somebody who sends beside the craft.
type rogue struct {
	scene scene
	// system is the sender's number; old is how far behind the newest its
	// boot clock is, −1 for the craft's own frame said once more.
	system uint8
	old    time.Duration
	// repeat has it say the craft's last frames again and again, clock and all;
	// fixed is that clock, µs.
	repeat   bool
	fixed    uint64
	bootOnly bool
	only     []int // the sources that it imitates; nil for all
	from     netip.AddrPort
	link     uint8
	// forge is what is wrong with its signatures.
	forge forgery
}

const contactorTime = 30 * time.Millisecond

// clone is a second pad in the same state.
func (r *rig) clone() *rig {
	c := *r
	c.core, c.door = r.core.clone(), r.door.clone()
	c.due, c.sent, c.mute, c.lost = slices.Clone(r.due), slices.Clone(r.sent), slices.Clone(r.mute), slices.Clone(r.lost)
	c.told = slices.Clone(r.told)
	c.edges, c.log, c.inputs, c.bytes = slices.Clone(r.edges), nil, nil, nil
	c.view = interlock.View{}
	return &c
}

func (r *rig) bootMillis(s *scene) uint32 { return uint32(r.bootMicros(s) / 1000) }

func (r *rig) bootMicros(s *scene) uint64 {
	t := r.now - r.restart + 1000*time.Second - time.Duration(s.v[rules.LinkLag]*1e9)
	if r.rogue != nil && s == &r.rogue.scene {
		if r.rogue.repeat {
			return r.rogue.fixed
		}
		t -= r.rogue.old
	}
	return uint64(t / time.Microsecond)
}

// at is a channel of the scene with the last digit that moves, where a channel
// is watched for freezing: a real sensor's is never quite still.
func (r *rig) at(s *scene, id rules.ChannelID) float64 {
	x := s.v[id]
	if r.p.loads && id == r.p.cfg.PackVoltage {
		return x // its current flickers, and the fit would take more for a step
	}
	if slices.Contains(r.stuck, id) || !r.p.wiggles[id] || r.p.turns%2 == 0 {
		return x
	}
	q := r.p.quantum(id, x)
	if math.Abs(x) < 1e-3 {
		q = max(q, 1e-6)
	}
	if slices.Contains(r.moved, id) && !(r.p.loads && id == r.p.cfg.PackCurrent) {
		return x + math.Copysign(r.outward*q, r.outward*x)
	}
	return x + q
}

func (r *rig) f32(s *scene, id rules.ChannelID) float32 { return float32(r.at(s, id)) }

// run lets time pass.
func (r *rig) run(d time.Duration) { r.until(r.now + d) }

func (r *rig) until(end time.Duration) {
	for {
		next := end
		for _, t := range r.due {
			next = min(next, t)
		}
		next = min(next, r.follow)
		wake := r.core.Deadline()
		if wake > r.now && wake < next {
			r.tick(wake)
			continue
		}
		if next >= end {
			r.pass(end)
			if r.now < end {
				r.tick(end)
			}
			return
		}
		r.tick(next)
		for i := range r.due {
			if r.due[i] <= r.now {
				r.due[i] += max(r.p.sources[i].period, r.now-r.due[i]+1)
				r.send(i)
			}
		}
	}
}

// tick brings the clock to t and wakes the core.
func (r *rig) tick(t time.Duration) {
	r.pass(t)
	r.now = t
	if r.follow <= r.now {
		r.follow = rules.Never
		r.closed = r.welded || r.relay && r.beat
		r.lines[interlock.Readback] = r.closed
		if !r.closed {
			r.powerless()
		}
	}
	r.take(r.core.Advance(r.now))
}

// powerless stops the rotors and what they draw, but for what is moved: with
// the contactor open they stand.
func (r *rig) powerless() {
	stop := func(id rules.ChannelID) {
		if !slices.Contains(r.moved, id) {
			r.sc.force(id, 0)
		}
	}
	for id := rules.Motor1Speed; id <= rules.Motor16Speed; id++ {
		stop(id)
	}
	for k := range rules.ChannelID(4) {
		stop(rules.Pack1Current + k*eachPack)
	}
	stop(rules.SupplyCurrent)
	stop(rules.ESCCurrent)
}

func (r *rig) pass(t time.Duration) {
	if d := t - r.now; d > 0 {
		r.sc.pass(t, d)
	}
}

// send has one source tell of the scene.
func (r *rig) send(i int) {
	s := &r.p.sources[i]
	if s.kind != pinLevels && s.kind != craftFrame && r.mute[i] {
		return
	}
	switch s.kind {
	case pinLevels:
		r.sendPins()
	case windPulses:
		r.sendWind()
	case cellCounts:
		r.sendCount()
	default:
		r.sendFrame(i)
	}
}

func (r *rig) sendFrame(i int) {
	s := &r.p.sources[i]
	r.p.turns = r.sent[i]
	r.sent[i]++
	if !r.silent && !r.mute[i] {
		lost := false
		if r.sc.loss > 0 {
			if r.lost[i] += r.sc.loss; r.lost[i] >= 1 {
				r.lost[i]--
				lost = true
			}
		}
		seq := r.seq
		r.seq++
		if !lost {
			r.frame, r.told[i] = r.now, r.bootMicros(&r.sc)
			b := r.frameOf(s.make(r, &r.sc), r.p.setup.Intake.Craft.System, seq, genuine)
			r.chunk(intake.Chunk{Source: intake.Telemetry, From: r.p.from, Bytes: b})
		}
	}
	if g := r.rogue; g != nil && (s.boot || !g.bootOnly) && (g.only == nil || slices.Contains(g.only, i)) {
		g.scene.pass(r.now, 0)
		g.fixed = r.told[i]
		b := r.frameOf(s.make(r, &g.scene), g.system, r.seq, g.forge)
		from := r.p.from
		if g.from.IsValid() {
			from = g.from
		}
		r.chunk(intake.Chunk{Source: intake.Telemetry, From: from, Link: g.link, Bytes: b})
	}
}

// frameOf is a frame with the craft's component; one under the craft's name is
// signed where the pad asks for that.
func (r *rig) frameOf(m message.Message, system, seq uint8, how forgery) []byte {
	craft := r.p.setup.Intake.Craft
	if !r.p.setup.Signed || system != craft.System {
		return r.p.encoder.frame(m, system, craft.Component, seq, nil)
	}
	return r.p.encoder.frame(m, system, craft.Component, seq, func(f *frame.V2Frame) *frame.V2Key { return how.stamped(f, r.now, &r.stamp) })
}

func (r *rig) sendPins() {
	if r.noPins {
		return
	}
	var levels uint32
	for l, on := range r.lines {
		if on != r.p.setup.Intake.Lines[l].Invert {
			levels |= 1 << l
		}
	}
	if loop := r.p.setup.Intake.Anemometer.Loop; loop.Fitted && !loop.Invert {
		levels |= 1 << intake.LoopBit
	}
	r.bytes = intake.AppendPins(r.bytes[:0], levels, false)
	r.chunk(intake.Chunk{Source: intake.Pins, Bytes: r.bytes})
}

// press works one line and lets it be read.
func (r *rig) press(l interlock.Line, held time.Duration) {
	r.set(l, true)
	r.run(held)
	r.set(l, false)
	r.run(r.p.pinPeriod)
}

// set changes one line and has it read at once, as the last thing of an instant.
func (r *rig) set(l interlock.Line, on bool) {
	r.lines[l] = on
	r.sendPins()
	if end := r.now + 1; r.core.Deadline() <= end {
		r.tick(end)
	}
}

func (r *rig) sendCount() {
	c := &r.p.setup.Intake.LoadCell
	r.p.turns = int(r.now.Seconds() * r.p.setup.CellRate)
	f := r.at(&r.sc, rules.Tension)
	n := intake.Count{At: r.now}
	if r.sc.failed || math.IsNaN(f) {
		n.Failed = true
	} else {
		n.Value = int32(math.Max(-1<<23, math.Min(1<<23-1, float64(c.Zero)+math.Round(f/c.NewtonsPerCount))))
	}
	r.bytes = intake.AppendCounts(r.bytes[:0], []intake.Count{n})
	r.chunk(intake.Chunk{Source: intake.LoadCell, Bytes: r.bytes})
}

// sendWind sends the pulses since the last time: steady ones of the speed that
// the scene has now.
func (r *rig) sendWind() {
	c := &r.p.setup.Intake.Anemometer
	edges := r.edges[:0]
	r.p.turns = int(r.now / rules.WindSpeed.Channel().Period)
	if v := r.at(&r.sc, rules.WindSpeed); r.sc.failed || math.IsNaN(v) {
		edges = append(edges, intake.WindEdge{At: r.now, Failed: true})
	} else if v > c.Offset {
		period := max(1, time.Duration(math.Round(c.Slope/(v-c.Offset)*1e9)))
		if r.pulse < r.now-time.Hour {
			r.pulse = r.now
		}
		for r.pulse+period <= r.now {
			r.pulse += period
			edges = append(edges, intake.WindEdge{At: r.pulse, Rise: !c.OnFall})
		}
	}
	r.edges = edges
	r.bytes = intake.AppendWindEdges(r.bytes[:0], edges)
	r.chunk(intake.Chunk{Source: intake.Wind, Bytes: r.bytes})
}

// host does what the host would.
func (r *rig) host(m intake.HostMessage) {
	r.chunk(intake.Chunk{Source: intake.HostEvent, Bytes: intake.EncodeHost(nil, m)})
}

// chunk gives one chunk to the guard's own way in.
func (r *rig) chunk(c intake.Chunk) {
	c.At = r.now
	r.inputs = r.door.Append(r.inputs[:0], &c)
	inputs := r.inputs
	if len(inputs) == 0 {
		r.take(r.core.Advance(r.now))
		return
	}
	r.inputs = nil // a record that is kept comes through here again
	for i := range inputs {
		r.take(r.core.Step(r.now, &inputs[i]))
		if inputs[i].Kind == interlock.SampleInput || r.watch == rules.LinkAge {
			r.look()
		}
	}
	r.inputs = inputs
}

// look follows the watched channel.
func (r *rig) look() {
	if r.watch == rules.NoChannel {
		return
	}
	now := r.core.Reading(r.watch)
	if now.Quality == rules.Missing {
		return
	}
	if now.Quality == rules.Good && now.At > r.good {
		r.good = now.At
	}
	v := now.Value
	if r.rate >= 0 {
		r.core.View(&r.view)
		if !r.view.Rules[r.rate].HasValue {
			return
		}
		v = r.view.Rules[r.rate].Value
	}
	if !r.read {
		r.lo, r.hi, r.read = v, v, true
	}
	r.lo, r.hi = min(r.lo, v), max(r.hi, v)
}

// take does what the core asks for, as the loop would.
func (r *rig) take(effects []interlock.Effect) {
	if len(effects) == 0 {
		return
	}
	r.calls++
	var keep []uint32
	for _, f := range effects {
		switch f.Kind {
		case interlock.RelayEffect:
			r.relay = f.On
		case interlock.BeatEffect:
			r.beat = f.On
		case interlock.TripEffect:
			if r.keeping {
				keep = append(keep, f.Trip)
			}
		}
		r.log = append(r.log, event{f, r.calls})
	}
	if want := r.welded || r.relay && r.beat; want != r.closed && r.follow == rules.Never {
		r.follow = r.now + contactorTime
	}
	r.look()
	for _, n := range keep {
		r.host(intake.HostMessage{Host: interlock.HostKept, Seq: n})
	}
}

// heed starts to follow a rule's channel from now on.
func (r *rig) heed(id rules.ChannelID, rateOf int) {
	r.watch, r.rate, r.read = id, rateOf, false
	r.lo, r.hi = 0, 0
	if now := r.core.Reading(id); now.Quality == rules.Good {
		r.good = now.At
	}
	r.log = r.log[:0]
}
