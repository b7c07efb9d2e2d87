package interlock

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"downhaul/interlock/day/derived"
	"downhaul/rules"
)

// rig feeds an engine like a pad would: every 10 ms the pins, a frame and one
// sample of every channel that is set.
type rig struct {
	t      testing.TB
	e      *Engine
	now    time.Duration
	values []rigValue
	lines  [LineCount]bool
	pins   bool
	frames bool
	kept   bool // keep trip records at once
	follow time.Duration
	change time.Duration // when the modelled contactor follows
	chain  bool          // relay and heartbeat both commanded
	relay  bool
	beat   bool
	out    []string
	extra  time.Duration // spacing of superfluous Advances, 0 for none
	boot   float64
	tick   time.Duration
	bridge string // what alone closes the modelled contactor: "relay", "heartbeat"
	turns  int
	looks  bool
	view   View
	quiet  bool                        // keep no lines of effects
	tap    func(time.Duration, *Input) // sees every input; nil is an Advance
	seen   func([]Effect)              // sees every answer
}

type rigValue struct {
	id     rules.ChannelID
	v      float64
	q      rules.Quality
	why    rules.Cause // of a doubtful one, or of a missing one if that is not a sentinel
	silent bool
	wiggle bool          // the last digit moves, as a real sensor's does
	every  time.Duration // how seldom it is told; 0 is every turn
	next   time.Duration
}

const rigTick = 10 * time.Millisecond

// plainSite is a pad on which no part of a derived channel is stated.
func plainSite() Site {
	s := DefaultSite()
	s.Derived = derived.Config{}
	return s
}

// derive changes how channels are derived on a pad.
func derive(s *Site, change func(*derived.Config)) {
	c := s.Derived.(derived.Config)
	change(&c)
	s.Derived = c
}

func newRig(t testing.TB, envelope string, change func(*Site)) *rig {
	t.Helper()
	env, faults := rules.ReadEnvelope("envelope.toml", []byte(envelope))
	if env == nil {
		t.Fatal(faults)
	}
	site := DefaultSite()
	site.Duty = Guard
	site.Rotors = rules.RotorsStanding{Standing: time.Second, Measured: true}
	for l := range site.Fitted {
		site.Fitted[l] = Line(l) != Hold
	}
	for id := rules.ChannelID(1); id < rules.ChannelCount; id++ {
		if !id.Channel().Derived {
			site.Fed[id] = rules.CraftSays
		}
	}
	site.Derived = derived.Config{HeightSources: []rules.ChannelID{rules.HeightGlobal}, MaxAcceleration: 5, Reaction: 300 * time.Millisecond, Motors: 1, Cells: 1}
	if change != nil {
		change(&site)
	}
	e, err := New(env, site)
	if err != nil {
		t.Fatal(err)
	}
	r := &rig{t: t, e: e, pins: true, frames: true, kept: true, follow: 30 * time.Millisecond, change: rules.Never, boot: 100, tick: rigTick}
	r.lines[EStopA], r.lines[EStopB], r.lines[Gate] = true, true, true
	for _, v := range []struct {
		id rules.ChannelID
		v  float64
	}{{rules.CraftArmed, 0}, {rules.CraftLanded, 1}, {rules.ClimbGlobal, 0}, {rules.HeightGlobal, 0}, {rules.Motor1Output, 0}, {rules.Motor1Speed, 0}} {
		r.set(v.id, v.v, rules.Good)
	}
	return r
}

func (r *rig) set(id rules.ChannelID, v float64, q rules.Quality) {
	for i := range r.values {
		if r.values[i].id == id {
			r.values[i] = rigValue{id: id, v: v, q: q, every: r.values[i].every, next: r.values[i].next}
			return
		}
	}
	r.values = append(r.values, rigValue{id: id, v: v, q: q})
}

func (r *rig) silence(id rules.ChannelID) {
	for i := range r.values {
		if r.values[i].id == id {
			r.values[i].silent = true
		}
	}
}

func (r *rig) apply(effects []Effect) {
	if r.seen != nil {
		r.seen(effects)
	}
	for i, f := range effects {
		if i > 0 && f.At < effects[i-1].At {
			r.t.Errorf("time runs back within an answer: %+v", effects)
		}
		if f.Rule < -1 || f.Permissive < -1 || f.Rule >= len(r.e.env.Rules) || f.Permissive >= len(r.e.env.Permissives) {
			r.t.Errorf("an effect of rule %d and permissive %d: %+v", f.Rule, f.Permissive, f)
		}
		if wrong := f.misnamed(); wrong != "" {
			r.t.Errorf("%s: %+v", wrong, f)
		}
		if (f.Kind == TripEffect || f.Kind == ConsequenceEffect) && (!f.On || f.Trip == 0 || f.Reason == NoReason || f.Stop == rules.NoStop) {
			r.t.Errorf("a trip without a number, a reason or a stop, or that does not stand: %+v", f)
		}
		switch f.Kind {
		case RelayEffect:
			r.relay = f.On
		case BeatEffect:
			r.beat = f.On
		}
		if !r.quiet {
			r.out = append(r.out, r.say(f))
		}
		if f.Kind == TripEffect && r.kept {
			defer func() { r.step(Input{Kind: HostInput, Host: HostKept, Seq: f.Trip}) }()
		}
	}
	chain := r.relay && r.beat || r.bridge == "relay" && r.relay || r.bridge == "heartbeat" && r.beat
	if chain != r.chain {
		r.chain = chain
		r.change = r.now + r.follow
	}
}

// misnamed reports where an effect names a rule or a permissive that is not behind it, or
// does not name the one that is.
func (f *Effect) misnamed() string {
	byRule := f.Reason == ReasonRule || f.Reason == ReasonRuleMissing || f.Reason == ReasonDoubt
	byPermissive := f.Kind == NoteEffect && f.Reason == ReasonPermissiveLost
	switch {
	case f.Reason != ReasonThenSilent && byRule != (f.Rule >= 0):
		return "it names a rule that is not behind it, or none"
	case byPermissive != (f.Permissive >= 0):
		return "it names a permissive that is not behind it, or none"
	}
	return ""
}

// say is one effect in a line that reads aloud.
func (r *rig) say(f Effect) string {
	s := fmt.Sprintf("%.3f s ", f.At.Seconds())
	rule := ""
	if f.Rule >= 0 {
		rule = " [" + r.e.env.Rules[f.Rule].Name + "]"
	}
	value := ""
	if f.HasValue {
		value = fmt.Sprintf(" at %.6g, limit %.6g", f.Value, f.Limit)
	}
	if f.Kind == TripEffect && f.Lasted > 0 {
		value += fmt.Sprintf(" for %.3f s", f.Lasted.Seconds())
	}
	if f.Cause != rules.NoCause {
		value += " (" + f.Cause.String() + ")"
	}
	switch f.Kind {
	case RelayEffect:
		s += "relay " + onOff(f.On)
	case BeatEffect:
		s += "heartbeat " + onOff(f.On)
	case SoundEffect:
		s += "sound " + f.Sound.String()
	case LampEffect:
		s += "lamp"
	case StateEffect:
		s += fmt.Sprintf("%v -> %v: %v%s", f.From, f.State, f.Reason, rule)
	case TripEffect:
		first := ""
		if f.FirstOut {
			first = " first-out"
		}
		s += fmt.Sprintf("trip %d%s, %v: %v%s%s", f.Trip, first, f.Stop, f.Reason, rule, value)
	case CautionEffect:
		s += fmt.Sprintf("caution %s: %v%s%s", onOff(f.On), f.Reason, rule, value)
	case ConsequenceEffect:
		s += fmt.Sprintf("of trip %d, %v: %v%s%s", f.Trip, f.Stop, f.Reason, rule, value)
	case ClearEffect:
		s += fmt.Sprintf("cause gone%s%s", rule, value)
	case NoteEffect:
		s += "note"
		if f.Line != 0 {
			s += " " + f.Line.String()
		}
		s += ": " + f.Reason.String()
		if f.Permissive >= 0 {
			s += fmt.Sprintf(" [%s] %s%s", r.e.env.Permissives[f.Permissive].Name, map[bool]string{true: "lost", false: "back"}[f.On], value)
		}
	}
	return s
}

func onOff(on bool) string {
	if on {
		return "on"
	}
	return "off"
}

func (r *rig) step(in Input) {
	at := max(r.now, r.e.now)
	if r.tap != nil {
		r.tap(at, &in)
	}
	r.apply(r.e.Step(at, &in))
}

// sleep lets time pass with nothing coming in, and then wakes the engine once.
func (r *rig) sleep(d time.Duration) {
	r.now += d
	if r.tap != nil {
		r.tap(r.now, nil)
	}
	r.apply(r.e.Advance(r.now))
}

// twin is a second pad in the same state that shares nothing.
func (r *rig) twin(t testing.TB) *rig {
	c := *r
	c.t, c.e, c.values, c.out = t, r.e.Clone(), slices.Clone(r.values), nil
	return &c
}

// run lets time pass.
func (r *rig) run(d time.Duration) {
	for end := r.now + d; r.now < end; {
		r.now += r.tick
		r.turns++
		if r.extra > 0 {
			for t := r.now - r.tick; t < r.now; t += r.extra {
				r.apply(r.e.Advance(t))
			}
		}
		if r.change <= r.now {
			r.change = rules.Never
			r.lines[Readback] = r.chain
		}
		if r.pins {
			for l := range LineCount {
				if r.e.site.Fitted[l] {
					r.step(Input{Kind: LineInput, Line: l, On: r.lines[l]})
				}
			}
		}
		if r.frames {
			r.boot += r.tick.Seconds()
			r.step(Input{Kind: FrameInput})
			r.step(Input{Kind: SampleInput, Sample: Sample{Channel: rules.CraftBootClock, Value: r.boot, Quality: rules.Good}})
		}
		for i, v := range r.values {
			if !v.silent && r.now >= v.next {
				r.values[i].next = r.now + v.every
				s := Sample{Channel: v.id, Value: v.v, Quality: v.q, Cause: v.why}
				if v.wiggle {
					s.Value += float64(1e-4 * float64(r.turns%2))
				}
				if v.q == rules.Missing && v.why == rules.NoCause {
					s.Cause = rules.Sentinel
				}
				r.step(Input{Kind: SampleInput, Sample: s})
			}
		}
		r.over()
		if r.looks && r.now%(100*time.Millisecond) == 0 {
			r.e.View(&r.view)
		}
	}
}

// over ends the instant, as a turn of the guard's loop does.
func (r *rig) over() {
	at := r.e.now + 1
	if r.e.Deadline() > at {
		return
	}
	if r.tap != nil {
		r.tap(at, nil)
	}
	r.apply(r.e.Advance(at))
}

// line works one line and lets the pins be read once.
func (r *rig) press(l Line, held time.Duration) {
	r.lines[l] = true
	r.run(held)
	r.lines[l] = false
	r.run(r.tick)
}

// glide takes the height to h in d with the climb that belongs to it.
func (r *rig) glide(h float64, d time.Duration) { r.heightTo(h, d, true) }

// drift is glide with no climb told.
func (r *rig) drift(h float64, d time.Duration) { r.heightTo(h, d, false) }

func (r *rig) heightTo(h float64, d time.Duration, climbs bool) {
	from := 0.0
	for _, v := range r.values {
		if v.id == rules.HeightGlobal {
			from = v.v
		}
	}
	steps := int(d / r.tick)
	if climbs {
		r.set(rules.ClimbGlobal, (h-from)/d.Seconds(), rules.Good)
	}
	for i := 1; i <= steps; i++ {
		r.set(rules.HeightGlobal, from+float64((h-from)*float64(i))/float64(steps), rules.Good)
		r.run(r.tick)
	}
	r.set(rules.ClimbGlobal, 0, rules.Good)
}

// again brings the engine from Tripped (or wherever a reset helps) to Live.
func (r *rig) again() {
	r.t.Helper()
	r.land()
	r.run(4 * time.Second)
	r.press(Reset, 300*time.Millisecond)
	r.run(11 * time.Second)
	r.press(Start, 200*time.Millisecond)
	r.run(4 * time.Second)
	if r.e.latch.state != Live {
		r.t.Fatalf("not live again: %v; %s", r.e.latch.state, strings.Join(r.out, "\n"))
	}
}

func (r *rig) land() {
	r.set(rules.CraftArmed, 0, rules.Good)
	r.set(rules.CraftLanded, 1, rules.Good)
	r.set(rules.ClimbGlobal, 0, rules.Good)
	r.set(rules.HeightGlobal, 0, rules.Good)
	r.set(rules.Motor1Output, 0, rules.Good)
	r.set(rules.Motor1Speed, 0, rules.Good)
}

func (r *rig) fly() {
	r.set(rules.CraftArmed, 1, rules.Good)
	r.set(rules.CraftLanded, 0, rules.Good)
	r.set(rules.Motor1Output, 0.5, rules.Good)
	r.set(rules.Motor1Speed, 40, rules.Good)
}

// live brings the engine to Live, craft on the ground.
func (r *rig) live() {
	r.t.Helper()
	r.run(100 * time.Millisecond)
	r.press(Reset, 300*time.Millisecond)
	r.run(11 * time.Second)
	if r.e.latch.state != Ready {
		r.t.Fatalf("not ready: %v; %s", r.e.latch.state, strings.Join(r.out, "\n"))
	}
	r.press(Start, 200*time.Millisecond)
	r.run(4 * time.Second)
	if r.e.latch.state != Live {
		r.t.Fatalf("not live: %v; %s", r.e.latch.state, strings.Join(r.out, "\n"))
	}
}

// take hands out what was said since the last call.
func (r *rig) take() []string {
	out := r.out
	r.out = nil
	return out
}
