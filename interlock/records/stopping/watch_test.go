package stopping

import (
	"math"
	"strings"
	"testing"
	"time"

	"downhaul/interlock"
	"downhaul/rules"
)

const ms = time.Millisecond

// pad is a watch with what feeds it: motors at an output and a speed that are
// told every so often, and a contactor that opens when it is told.
type rig struct {
	t      *testing.T
	w      *Watch
	got    []Seen
	now    time.Duration
	motors int
	every  time.Duration
	hz     func(motor int, t time.Duration) (hz float64, told bool) // t after the opening, below 0 before
	out    func(motor int) float64
	opens  time.Duration // when the mirror follows; Never: it stays
	cut    time.Duration
}

func newRig(t *testing.T, motors int, every time.Duration) *rig {
	r := &rig{t: t, motors: motors, every: every, cut: rules.Never, opens: 30 * ms, out: func(int) float64 { return 0.8 }}
	r.w = NewWatch(motors, 0.15, true, func(s Seen) { r.got = append(r.got, s) })
	return r
}

func (r *rig) state(from, to interlock.State) {
	r.w.Decided(r.now, &interlock.Effect{Kind: interlock.StateEffect, From: from, State: to})
}

func (r *rig) run(d time.Duration) {
	for end := r.now + d; r.now < end; r.now += ms {
		r.w.Take(r.now, &interlock.Input{Kind: interlock.LineInput, Line: interlock.Readback, On: r.opens == rules.Never || r.now < r.cut+r.opens || r.cut == rules.Never})
		if r.now%r.every == 0 {
			for i := range r.motors {
				if hz, told := r.hz(i, r.now-r.cut); told {
					r.sample(rules.Motor1Speed, i, hz)
				}
				r.sample(rules.Motor1Output, i, r.out(i))
			}
		}
		r.w.Turn(r.now)
	}
}

func (r *rig) sample(first rules.ChannelID, i int, v float64) {
	r.w.Take(r.now, &interlock.Input{Kind: interlock.SampleInput, Sample: interlock.Sample{Channel: first + rules.ChannelID(i), Value: v, Quality: rules.Good}})
}

// open brings it to live, opens after two seconds, and gives what was seen.
func (r *rig) open(after time.Duration) Seen {
	r.t.Helper()
	r.got = nil
	r.state(interlock.Closing, interlock.Live)
	r.cut = rules.Never
	at := r.now + 2*time.Second
	hz := r.hz
	r.hz = func(m int, _ time.Duration) (float64, bool) { return hz(m, r.now-at) }
	r.run(2 * time.Second)
	r.cut = r.now
	r.w.Decided(r.now, &interlock.Effect{Kind: interlock.RelayEffect})
	r.state(interlock.Live, interlock.Tripped)
	r.run(after)
	r.hz = hz
	if len(r.got) != 1 {
		r.t.Fatalf("%d openings seen: %+v", len(r.got), r.got)
	}
	return r.got[0]
}

func (r *rig) falls(n0 float64, n func(t float64) float64) {
	r.hz = func(_ int, t time.Duration) (float64, bool) { return n0 * n(math.Max(0, t.Seconds())), true }
}

// A guard that is ended while live opens the chain as its last act: what the mirror contact
// shows afterwards counts, or each stop of the service would undo the stop test.
func TestAnOpeningByTheEndIsSeenOpen(t *testing.T) {
	for _, open := range []bool{true, false} {
		r := newRig(t, 4, 10*ms)
		r.falls(0, func(float64) float64 { return 0 })
		r.state(interlock.Closing, interlock.Live)
		r.run(2 * time.Second)
		r.w.Decided(r.now, &interlock.Effect{Kind: interlock.RelayEffect})
		r.w.End(r.now+20*ms, open)
		if len(r.got) != 1 || r.got[0].Opened != open || open && r.got[0].Mirror != 20*ms {
			t.Errorf("mirror open %v: %+v", open, r.got)
		}
	}
}

// Closed forms of ∫(n/n₀)² dt: an even fall over T gives T/3; n = e^(−t/τ) gives
// τ/2; n = 1/(1 + t/τ), a rotor that its own air brakes, gives τ less what lies
// behind the standing. With a delay of full speed in front, the delay more. What
// is seen is never less, and more by no more than the spacing of the values.
func TestThrustAgainstClosedForms(t *testing.T) {
	linear := func(T float64) func(float64) float64 { return func(t float64) float64 { return math.Max(0, 1-t/T) } }
	for _, c := range []struct {
		name     string
		n0       float64
		n        func(t float64) float64
		thrust   float64
		standing float64
	}{
		{"even, 3 s", 90, linear(3), 1, 3 * (1 - still/90)},
		{"even, 0.9 s", 90, linear(0.9), 0.3, 0.9 * (1 - still/90)},
		{"exponential, 0.35 s", 90, func(t float64) float64 { return math.Exp(-t / 0.35) }, 0.175, 0.35 * math.Log(90)},
		{"exponential, 1.2 s", 60, func(t float64) float64 { return math.Exp(-t / 1.2) }, 0.6, 1.2 * math.Log(60)},
		{"braked by its air, 0.4 s", 80, func(t float64) float64 { return 1 / (1 + t/0.4) }, 0.4 * (1 - still/80), 0.4 * 79},
		{"0.2 s of delay, then exponential", 90, func(t float64) float64 { return math.Exp(-math.Max(0, t-0.2) / 0.35) }, 0.375, 0.2 + 0.35*math.Log(90)},
	} {
		for _, every := range []time.Duration{ms, 10 * ms, 50 * ms, 100 * ms} {
			r := newRig(t, 4, every)
			r.falls(c.n0, c.n)
			s := r.open(50 * time.Second)
			if !s.Traced || s.Why != "" {
				t.Errorf("%s, every %v: not traced: %s", c.name, every, s.Why)
				continue
			}
			step := every.Seconds()
			// Behind the last value nothing is added: n there is under 1/n₀ of n₀.
			if got := s.Thrust.Seconds(); got < c.thrust-1.2/c.n0/c.n0-1e-6 || got > c.thrust+step+1e-6 {
				t.Errorf("%s, every %v: thrust %v s, want %v and at most %v more", c.name, every, got, c.thrust, step)
			}
			if got := s.Standing.Seconds(); got < c.standing-1e-3 || got > c.standing+step+2e-3 {
				t.Errorf("%s, every %v: standing after %v s, want %v", c.name, every, got, c.standing)
			}
			if s.Output != 0.8 || !s.Known || !s.Loaded || !s.Opened || s.Mirror < 30*ms || s.Mirror > 32*ms {
				t.Errorf("%s: %+v", c.name, s)
			}
		}
	}
}

// The worst rotor counts, for both times, and the lowest output.
func TestWorstRotorCounts(t *testing.T) {
	r := newRig(t, 3, 10*ms)
	r.hz = func(m int, t time.Duration) (float64, bool) {
		return 80 * math.Exp(-math.Max(0, t.Seconds())/(0.2+0.1*float64(m))), true
	}
	r.out = func(m int) float64 { return 0.7 + 0.1*float64(m) }
	s := r.open(5 * time.Second)
	if !s.Traced || s.Output != 0.7 || s.Standing.Seconds() < 0.4*math.Log(80)-1e-3 || s.Thrust.Seconds() < 0.2-1e-3 {
		t.Errorf("%+v", s)
	}
}

// Missing rotor speed is not zero rotor speed: controllers die with the power.
//
//fault:row rotor speed falls silent, or reads nothing at once, as the relay opens | the opening counts only with a reading by hand, half a second longer
func TestLostSpeedIsNoStandingRotor(t *testing.T) {
	fall := func(t time.Duration) float64 { return 80 * math.Exp(-math.Max(0, t.Seconds())/0.4) }
	for _, c := range []struct {
		name string
		hz   func(m int, t time.Duration) (float64, bool)
		want string
	}{
		{"silent at the opening", func(_ int, t time.Duration) (float64, bool) { return 80, t < 0 }, "fell silent"},
		{"one of them silent on the way", func(m int, t time.Duration) (float64, bool) { return fall(t), m != 2 || t < 300*ms }, "fell silent"},
		{"nothing at once", func(_ int, t time.Duration) (float64, bool) {
			if t > 0 {
				return 0, true
			}
			return 80, true
		}, "dropped to nothing at once"},
		{"nothing from half of it", func(_ int, t time.Duration) (float64, bool) {
			if hz := fall(t); hz > 40 {
				return hz, true
			}
			return 0, true
		}, "dropped to nothing at once"},
		{"never told", func(int, time.Duration) (float64, bool) { return 0, false }, "does not tell"},
		{"stood already", func(int, time.Duration) (float64, bool) { return 0, true }, "no rotor turned"},
		{"turns on", func(_ int, t time.Duration) (float64, bool) { return max(5, fall(t)), true }, "still told to turn"},
	} {
		r := newRig(t, 4, 20*ms)
		r.hz = c.hz
		s := r.open(70 * time.Second)
		if s.Traced || s.Standing != 0 || s.Thrust != 0 || !strings.Contains(s.Why, c.want) || !s.Opened {
			t.Errorf("%s: %+v", c.name, s)
		}
	}
}

// A mirror contact that stays is seen, with rotors that stand or not; an opening
// with idle rotors is no load on the contactor; an unknown output is one.
func TestMirrorAndLoad(t *testing.T) {
	r := newRig(t, 2, 10*ms)
	r.opens = rules.Never
	r.falls(50, func(t float64) float64 { return math.Exp(-t / 0.2) })
	if s := r.open(5 * time.Second); s.Opened || !s.Fitted || !s.Traced {
		t.Errorf("a mirror contact that stays: %+v", s)
	}
	r = newRig(t, 2, 10*ms)
	r.out = func(int) float64 { return 0.15 }
	r.falls(20, func(t float64) float64 { return math.Exp(-t / 0.2) })
	if s := r.open(5 * time.Second); s.Loaded || s.Output != 0.15 {
		t.Errorf("idle: %+v", s)
	}
	r = newRig(t, 0, 10*ms)
	if s := r.open(5 * time.Second); !s.Loaded || s.Known || s.Traced {
		t.Errorf("no motors stated: %+v", s)
	}
	// The test pulses of a closing are no openings.
	r.got = nil
	r.state(interlock.Ready, interlock.Closing)
	r.w.Decided(r.now, &interlock.Effect{Kind: interlock.RelayEffect, On: true})
	r.w.Decided(r.now, &interlock.Effect{Kind: interlock.RelayEffect})
	r.run(3 * time.Second)
	if len(r.got) != 0 {
		t.Errorf("seen in a closing: %+v", r.got)
	}
}

// A run is counted by the opening that ends it: how long power was on, and how long
// some motor was told to run at full output, also where they take turns. What is not
// told for longer than an output keeps is not full output.
func TestARunIsCountedByItsOpening(t *testing.T) {
	for _, c := range []struct {
		name string
		out  func(r *rig, motor int) float64
		full time.Duration
	}{
		{"below", func(*rig, int) float64 { return 0.949 }, 0},
		{"one of two", func(_ *rig, m int) float64 { return []float64{0.5, 0.95}[m] }, 2 * time.Second},
		{"taking turns", func(r *rig, m int) float64 {
			if int(r.now/(200*ms))%2 == m {
				return 1
			}
			return 0
		}, 2 * time.Second},
		{"the last half", func(r *rig, _ int) float64 {
			if r.now >= r.cut-time.Second && r.cut != rules.Never || r.now >= 4*time.Second {
				return 1
			}
			return 0.3
		}, time.Second},
	} {
		r := newRig(t, 2, 50*ms)
		r.falls(50, func(t float64) float64 { return math.Max(0, 1-t) })
		r.out = func(int) float64 { return 1 } // before the start: counts for nothing
		r.run(3 * time.Second)
		r.out = func(m int) float64 { return c.out(r, m) }
		s := r.open(3 * time.Second)
		if s.Live != 2*time.Second || s.Full < c.full-50*ms || s.Full > c.full+50*ms {
			t.Errorf("%s: power on for %v, full output for %v, want 2 s and %v", c.name, s.Live, s.Full, c.full)
		}
	}
	r := newRig(t, 2, 50*ms)
	r.falls(50, func(t float64) float64 { return math.Max(0, 1-t) })
	r.state(interlock.Closing, interlock.Live)
	r.out = func(int) float64 { return 1 }
	r.run(time.Second)
	r.motors = 0 // nothing more is told
	r.run(4 * time.Second)
	if r.w.Decided(r.now, &interlock.Effect{Kind: interlock.RelayEffect}); r.w.seen.Full > time.Second+rules.Motor1Output.Stale() || r.w.seen.Live != 5*time.Second {
		t.Errorf("silent: power on for %v, full output for %v", r.w.seen.Live, r.w.seen.Full)
	}
}
