package prove

import (
	"math"
	"slices"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/intake"
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
	lost []float64 // by source: share of a frame that is still to be lost
	// mute sources say nothing; with silent no frame of the craft comes.
	mute   []bool
	silent bool
	// stuck channels have no last digit that moves, as a frozen sensor has none.
	stuck []rules.ChannelID
	// outward is the way in which the last digit of the moved channels moves,
	// 0 not at all; all others have theirs move.
	outward float64
	moved   []rules.ChannelID

	lines  [interlock.LineCount]bool
	relay  bool
	beat   bool
	closed bool          // the modelled contactor
	follow time.Duration // when it follows; Never when it does not move

	pulse  time.Duration // the next pulse of the anemometer
	edges  []intake.WindEdge
	beside func(r *rig, i int) // whoever sends beside the craft, as source i is due
	watch  rules.ChannelID     // whose readings are followed
	rate   int                 // rule whose rate is followed, −1 for none
	lo, hi float64             // least and most it read
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
	return uint64((r.now + 1000*time.Second - time.Duration(s.v[rules.LinkLag]*1e9)) / time.Microsecond)
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
		r.closed = r.relay && r.beat
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
			keep = append(keep, f.Trip)
		}
		r.log = append(r.log, event{f, r.calls})
	}
	if want := r.relay && r.beat; want != r.closed && r.follow == rules.Never {
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

// from is a pad of its own with an empty log.
func from(base *rig) *rig {
	r := base.clone()
	r.heed(rules.NoChannel, -1)
	r.run(5 * time.Millisecond)
	return r
}
