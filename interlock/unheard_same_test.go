package interlock

import (
	"crypto/sha256"
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"downhaul/rules"
)

// outputs adds what an effect does at the pad: relay, heartbeat, sound, lamp and the
// moves of the latch, with their times. It leaves out why, and what is numbered.
func outputs(dst []byte, f Effect) []byte {
	switch f.Kind {
	case RelayEffect, BeatEffect:
		return fmt.Appendf(dst, "%d %d %t\n", f.At, f.Kind, f.On)
	case SoundEffect:
		return fmt.Appendf(dst, "%d sound %v\n", f.At, f.Sound)
	case LampEffect:
		return fmt.Appendf(dst, "%d lamp %v\n", f.At, f.State)
	case StateEffect:
		return fmt.Appendf(dst, "%d %v to %v\n", f.At, f.From, f.State)
	case CautionEffect:
		return fmt.Appendf(dst, "%d caution %d %t\n", f.At, f.Rule, f.On)
	}
	return dst
}

// digestOutputs hashes what the outputs do over flights whose craft falls silent, for
// a short or a long while, in part or whole, alone or with something past its limit.
// Its digests were made before a silence was named as the first cause of a trip:
// a name changes nothing that the pad does, nor when.
func digestOutputs(t *testing.T, duty Duty, change func(*Engine)) string {
	sum, line := sha256.New(), []byte(nil)
	opened := 0
	for round := range uint64(600) {
		rnd := rand.New(rand.NewPCG(round, 11))
		r := silentBase(t, duty, int(round%4))
		change(r.e)
		r.seen = func(effects []Effect) {
			for _, f := range effects {
				line = outputs(line[:0], f)
				sum.Write(line)
				if f.Kind == RelayEffect && !f.On {
					opened++
				}
			}
		}
		for range 1 + rnd.IntN(4) {
			mishap(r, rnd)
			r.run(time.Duration(10*(1+rnd.IntN(70))) * time.Millisecond)
			if rnd.IntN(2) == 0 {
				r.heard()
				r.run(time.Duration(10*rnd.IntN(100)) * time.Millisecond)
			}
		}
		r.run(3 * time.Second)
		fmt.Fprintf(sum, "%v\n", r.e.latch.state)
	}
	if duty == Guard && opened < 400 {
		t.Errorf("the relay opened %d times; the flights reach too little", opened)
	}
	return fmt.Sprintf("%x", sum.Sum(nil))
}

// mishap has one thing go wrong in a flight.
func mishap(r *rig, rnd *rand.Rand) {
	some := func(v ...float64) float64 { return v[rnd.IntN(len(v))] }
	craft := []rules.ChannelID{rules.Roll, rules.HeightGlobal, rules.ClimbGlobal, rules.SupplyVoltage, rules.ESCFailures, rules.CraftArmed, rules.CraftLanded}
	switch rnd.IntN(10) {
	case 0, 1, 2, 3:
		r.lost()
	case 4:
		r.silence(craft[rnd.IntN(len(craft))])
	case 5:
		r.set(rules.Roll, some(0.3, 0.5, 0.6), rules.Good)
	case 6:
		r.set(rules.Tension, some(1500, 1850, 20), rules.Good)
	case 7:
		r.set(rules.ClimbGlobal, some(0.5, 1, 2), rules.Good)
	case 8:
		r.set(rules.SupplyVoltage, some(39, 47), rules.Good)
	case 9:
		r.press(End, 100*time.Millisecond)
	}
}

// lost has nothing more come from the craft; the pad's own sensors go on.
func (r *rig) lost() {
	r.frames = false
	for i := range r.values {
		if id := r.values[i].id; id != rules.Tension && id != rules.WindSpeed {
			r.values[i].silent = true
		}
	}
}

// heard has all of it come again.
func (r *rig) heard() {
	r.frames = true
	for i := range r.values {
		r.values[i].silent = false
	}
}

// silentEnvelopes are rules that miss the craft in several orders and by several
// stops.
var silentEnvelopes = [4]string{busyEnvelope, `
version = 1
title = "tilt first"
[[rule]]
name = "tilt"
watch = "craft.roll"
outside = ["-30 deg", "30 deg"]
caution = ["-20 deg", "20 deg"]
frozen_after = 0
lasting = "150 ms"
stop = "immediate"
[[rule]]
name = "ceiling"
watch = "craft.apex"
above = "22 ft"
caution = "18 ft"
stop = "immediate"
[[rule]]
name = "overload"
watch = "tether.tension"
above = "1800 N"
caution = "1400 N"
lasting = "200 ms"
stop = "immediate"
[[rule]]
name = "floor"
watch = "supply.voltage"
below = "40 V"
caution = "48 V"
stop = "controlled"
grace = "2 s"
`, `
version = 1
title = "lowered first"
[[rule]]
name = "floor"
watch = "supply.voltage"
below = "40 V"
lasting = "300 ms"
stale_after = "700 ms"
stop = "controlled"
grace = "1 s"
[[rule]]
name = "failures"
watch = "esc.failures"
is_not = 0
stale_after = "1200 ms"
when_missing = "caution"
stop = "controlled"
grace = "2 s"
[[rule]]
name = "ceiling"
watch = "craft.height"
above = "7 m"
stop = "controlled"
grace = "1 s"
`, `
version = 1
title = "by the link alone"
[[rule]]
name = "age"
watch = "link.age"
above = "400 ms"
caution = "200 ms"
lasting = "50 ms"
stop = "controlled"
grace = "1 s"
[[rule]]
name = "armed only"
watch = "craft.roll"
outside = ["-30 deg", "30 deg"]
frozen_after = 0
while = "airborne"
stale_after = "600 ms"
stop = "immediate"
`}

var silentBases [2][4]*rig

// silentBase is a pad in the hover at 3 m under one of the envelopes.
func silentBase(t testing.TB, duty Duty, which int) *rig {
	base := &silentBases[duty][which]
	if *base == nil {
		*base = silentRig(t, silentEnvelopes[which], func(s *Site) {
			if s.Duty = duty; which == 2 {
				s.LinkStale = 3 * time.Second // every rule misses the craft first
			}
		})
	}
	return (*base).twin(t)
}

// silentRig is a pad in the hover at 3 m with its own load cell and anemometer.
func silentRig(t testing.TB, envelope string, change func(*Site)) *rig {
	r := newRig(t, envelope, func(s *Site) {
		s.Fed[rules.Tension], s.Fed[rules.WindSpeed], s.Fed[rules.LinkAge], s.Fed[rules.LinkLoss] = rules.OwnSensor, rules.OwnSensor, rules.OwnSensor, rules.OwnSensor
		if change != nil {
			change(s)
		}
	})
	for _, v := range []rigValue{
		{id: rules.Tension, v: 500}, {id: rules.WindSpeed, v: 3}, {id: rules.SupplyVoltage, v: 50},
		{id: rules.ESCFailures, v: 0}, {id: rules.Pack1Temperature, v: 30}, {id: rules.Roll, v: 0, wiggle: true}, {id: rules.LinkLoss, v: 0.01},
	} {
		v.q = rules.Good
		r.values = append(r.values, v)
	}
	r.quiet = true
	if r.e.site.Duty == Guard {
		r.live()
	}
	r.glide(0, 100*time.Millisecond)
	r.fly()
	r.glide(3, 3*time.Second)
	r.run(3 * time.Second)
	return r
}

// nameless is an engine that names no silence: what is behind a demand is the demand.
type nameless struct{ *Engine }

func (nameless) because(_ time.Duration, why Reason, rule int) (Reason, int) { return why, rule }
func (nameless) consequence(f Effect, _ bool, _ uint32) (behind, is Effect)  { return Effect{}, f }

// What names a silence moves nothing: without it the outputs, the latch, the sounds and
// the cautions are the same, to the nanosecond.
func TestWhatNamesASilenceMovesNothing(t *testing.T) {
	for _, duty := range []Duty{Guard, Watch} {
		asked := 0
		want := digestOutputs(t, duty, func(*Engine) {})
		if got := digestOutputs(t, duty, func(e *Engine) { e.latch.below = nameless{e}; asked++ }); got != want || asked == 0 {
			t.Errorf("duty %d: named or not, the pad does something else", duty)
		}
	}
}
