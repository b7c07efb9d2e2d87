package derived

import (
	"math"
	"testing"
	"time"

	"downhaul/interlock/limits"
	"downhaul/rules"
)

// fly feeds height and climb of one source at 10 Hz from one instant to
// another, along h(t) with the climb v(t).
func fly(r *rig, from, to time.Duration, h, v func(s float64) float64) {
	for at := from; at < to; at += ms(100) {
		r.put(at, rules.ClimbGlobal, v(seconds(at)))
		r.put(at, rules.HeightGlobal, h(seconds(at)))
	}
}

func constant(x float64) func(float64) float64 { return func(float64) float64 { return x } }

func TestPromise14_HeightFollowsItsSource(t *testing.T) {
	r := newRig(t, whole(), rules.Height, rules.Climb)
	h := func(s float64) float64 { return 5 + 4*math.Sin(s) }
	v := func(s float64) float64 { return 4 * math.Cos(s) }
	for at := time.Duration(0); at < 20*time.Second; at += ms(100) {
		r.put(at, rules.ClimbGlobal, v(seconds(at)))
		r.put(at, rules.HeightGlobal, h(seconds(at)))
		r.wantGood(t, rules.Height, h(seconds(at)), 0)
		r.wantGood(t, rules.Climb, v(seconds(at)), 0)
		// Another source, however fresh, changes nothing.
		r.put(at, rules.HeightLocal, 99)
	}
	r.wantGood(t, rules.Height, h(19.9), 0)
	r.miss(20*time.Second, rules.HeightGlobal, rules.Implausible)
	r.wantMissing(t, rules.Height, rules.Implausible)
}

func TestPromise14_StepMakesHeightMissing(t *testing.T) {
	for _, step := range []float64{1, -1, 1.01, 30} {
		r := newRig(t, whole(), rules.Height)
		fly(r, 0, 3*time.Second, constant(5), constant(0))
		r.wantGood(t, rules.Height, 5, 0)
		fly(r, 3*time.Second, 3*time.Second+1, constant(5+step), constant(0))
		r.wantMissing(t, rules.Height, rules.Disagreement)
		fly(r, ms(3100), ms(5000), constant(5+step), constant(0))
		r.wantMissing(t, rules.Height, rules.Disagreement) // 1.9 s of agreement
		fly(r, ms(5000), ms(5001), constant(5+step), constant(0))
		r.wantGood(t, rules.Height, 5+step, 0)
	}
	r := newRig(t, whole(), rules.Height)
	fly(r, 0, 3*time.Second, constant(5), constant(0))
	fly(r, 3*time.Second, 5*time.Second, constant(5.99), constant(0))
	r.wantGood(t, rules.Height, 5.99, 0)
}

func TestPromise14_SpreadStepMakesHeightMissing(t *testing.T) {
	// 1.2 m in 0.6 s, while the climb says 0.
	r := newRig(t, whole(), rules.Height)
	fly(r, 0, 3*time.Second, constant(5), constant(0))
	h := func(s float64) float64 { return 5 + 2*(s-3) }
	fly(r, 3*time.Second, ms(3450), h, constant(0))
	r.wantGood(t, rules.Height, 5.8, 1e-9)
	fly(r, ms(3500), ms(3650), h, constant(0))
	r.wantMissing(t, rules.Height, rules.Disagreement)
}

func TestPromise14_ClimbExplainsTheStep(t *testing.T) {
	// A gap of 0.8 s at 5 m/s: 4 m, all of it climbed.
	r := newRig(t, whole(), rules.Height)
	h := func(s float64) float64 { return 5 * s }
	fly(r, 0, time.Second, h, constant(5))
	fly(r, ms(1700), ms(1701), h, constant(5))
	r.wantGood(t, rules.Height, 8.5, 0)
	// The same with a climb of the wrong sign: never believed.
	r = newRig(t, whole(), rules.Height)
	fly(r, 0, 5*time.Second, h, constant(-5))
	r.wantMissing(t, rules.Height, rules.Disagreement)
}

func TestPromise14_NoClimbNoHeight(t *testing.T) {
	r := newRig(t, whole(), rules.Height)
	r.put(0, rules.HeightGlobal, 5)
	r.wantMissing(t, rules.Height, rules.InputMissing)
	r.put(0, rules.ClimbGlobal, 0)
	r.put(ms(1000), rules.HeightGlobal, 5)
	r.wantGood(t, rules.Height, 5, 0)
	r.put(ms(1001), rules.HeightGlobal, 5)
	r.wantMissing(t, rules.Height, rules.InputMissing)
}

func setHome(r *rig, at time.Duration, lat, lon, alt float64) {
	r.put(at, rules.HomeLatitude, lat*math.Pi/180)
	r.put(at, rules.HomeLongitude, lon*math.Pi/180)
	r.put(at, rules.HomeAltitude, alt)
}

func TestPromise14_MovedHomeMakesHeightMissing(t *testing.T) {
	// One second of arc on a meridian is about 30.9 m (the old definition of
	// the nautical mile: one minute of arc, 1852 m); 1e-5 degree 1.11 m.
	for _, c := range []struct {
		name          string
		lat, lon, alt float64
		moved         bool
	}{
		{"not at all", 52, 5, 10, false},
		{"0.9 m up", 52, 5, 10.9, false},
		{"1.1 m up", 52, 5, 11.1, true},
		{"8.9 m north", 52.00008, 5, 10, false}, // as a receiver wanders
		{"11.1 m north", 52.0001, 5, 10, true},
		{"6.9 m east", 52, 5.0001, 10, false}, // at 52° a degree of longitude is 0.616 of that
		{"11 m west", 52, 4.99984, 10, true},
	} {
		r := newRig(t, whole(), rules.Height)
		setHome(r, 0, 52, 5, 10)
		fly(r, 0, time.Second, constant(5), constant(0))
		setHome(r, time.Second, c.lat, c.lon, c.alt)
		fly(r, time.Second, 30*time.Second, constant(5), constant(0))
		if c.moved {
			r.wantMissing(t, rules.Height, rules.HomeMoved)
		} else if r.last[rules.Height].Quality != rules.Good {
			t.Fatalf("%s: expected no move", c.name)
		}
	}
}

func TestPromise14_MovedHomeStandsUntilDisarmedAndRested(t *testing.T) {
	r := newRig(t, whole(), rules.Height)
	setHome(r, 0, 52, 5, 10)
	fly(r, 0, time.Second, constant(0), constant(0))
	setHome(r, time.Second, 52, 5, 20)
	fly(r, time.Second, 60*time.Second, constant(0), constant(0))
	r.wantMissing(t, rules.Height, rules.HomeMoved) // armed unknown counts as armed
	r.put(60*time.Second, rules.CraftArmed, 1)
	fly(r, 60*time.Second, 61*time.Second, constant(0), constant(0))
	r.wantMissing(t, rules.Height, rules.HomeMoved)
	r.put(61*time.Second, rules.CraftArmed, 0)
	fly(r, 61*time.Second, 61*time.Second+1, constant(0), constant(0))
	r.wantGood(t, rules.Height, 0, 0)
	// Moved again, disarmed: 10 s.
	setHome(r, 62*time.Second, 52, 5, 30)
	for at := 62 * time.Second; at < 72*time.Second; at += time.Second {
		r.put(at, rules.CraftArmed, 0)
		fly(r, at, at+time.Second, constant(0), constant(0))
		r.wantMissing(t, rules.Height, rules.HomeMoved)
	}
	r.put(72*time.Second, rules.CraftArmed, 0)
	fly(r, 72*time.Second, 72*time.Second+1, constant(0), constant(0))
	r.wantGood(t, rules.Height, 0, 0)
}

// A flight controller that follows with its home while it is disarmed, and sets
// it anew when it is armed.
func TestPromise14_HomeIsFollowedWhileDisarmed(t *testing.T) {
	for _, c := range []struct {
		name    string
		armed   float64
		arming  float64 // m that home goes up with the arming
		missing bool
	}{{"disarmed", 0, 0.9, false}, {"disarmed, then far", 0, 1.1, true}, {"armed", 1, 0.1, true}} {
		r := newRig(t, whole(), rules.Height)
		setHome(r, 0, 52, 5, 10)
		at, alt := time.Duration(0), 10.0
		for range 30 { // 3 m in all
			r.put(at, rules.CraftArmed, c.armed)
			fly(r, at, at+time.Second, constant(0), constant(0))
			at += time.Second
			alt += 0.1
			setHome(r, at, 52, 5, alt)
		}
		fly(r, at, at+time.Second, constant(0), constant(0))
		at += time.Second
		r.put(at, rules.CraftArmed, 1)
		setHome(r, at, 52, 5, alt+c.arming)
		fly(r, at, at+time.Second, constant(0), constant(0))
		if c.missing {
			r.wantMissing(t, rules.Height, rules.HomeMoved)
		} else {
			r.wantGood(t, rules.Height, 0, 0)
		}
	}
}

func TestPromise14_UnhealthyEstimatorMakesHeightMissing(t *testing.T) {
	for _, c := range []struct {
		flags   float64
		healthy bool
	}{
		{4 | 32, true}, {4 | 64, true}, {4 | 32 | 64, true}, {831, true},
		{0, false}, {4, false}, {32 | 64, false}, {65535 &^ 4, false}, {65535 &^ (32 | 64), false},
	} {
		r := newRig(t, whole(), rules.Height, rules.Climb)
		fly(r, 0, time.Second, constant(5), constant(0))
		r.wantGood(t, rules.Height, 5, 0) // never heard: not held against it
		r.put(time.Second, rules.EstimatorFlags, c.flags)
		fly(r, time.Second, 3*time.Second, constant(5), constant(0))
		if c.healthy {
			r.wantGood(t, rules.Height, 5, 0)
			r.wantGood(t, rules.Climb, 0, 0)
			continue
		}
		fly(r, 3*time.Second, 20*time.Second, constant(5), constant(0)) // silence does not mend it
		r.wantMissing(t, rules.Height, rules.Unhealthy)
		r.wantMissing(t, rules.Climb, rules.Unhealthy)
		r.put(20*time.Second, rules.EstimatorFlags, 4|32)
		fly(r, 20*time.Second, 20*time.Second+1, constant(5), constant(0))
		r.wantGood(t, rules.Height, 5, 0)
		r.wantGood(t, rules.Climb, 0, 0)
	}
}

// Home beside the date line: from 180° east to 180° west is no way at all.
func TestPromise14_HomeAcrossTheDateLine(t *testing.T) {
	for _, c := range []struct {
		from, to float64
		moved    bool
	}{{179.99999, -179.99999, false}, {-179.99999, 179.99999, false}, {179.9999, -179.9999, true}, {-179.9999, 179.9999, true}} {
		r := newRig(t, whole(), rules.Height)
		setHome(r, 0, -17, c.from, 10) // 2.1 m and 21 m apart
		fly(r, 0, time.Second, constant(5), constant(0))
		setHome(r, time.Second, -17, c.to, 10)
		fly(r, time.Second, 2*time.Second, constant(5), constant(0))
		if moved := r.last[rules.Height].Cause == rules.HomeMoved; moved != c.moved {
			t.Errorf("from %v to %v: expected moved %v, got %v", c.from, c.to, c.moved, moved)
		}
	}
}

func TestPromise14_EstimatorFlagsThatCanNotBeRead(t *testing.T) {
	for _, flags := range []float64{-1, 65536 + 4 + 32, 1e300, math.Inf(1), math.NaN()} {
		var e estimator
		var table limits.Table
		table[rules.EstimatorFlags] = limits.Reading{Value: flags, Quality: rules.Good}
		if why := e.look(0, &table); why != rules.Unhealthy {
			t.Errorf("flags %v: %v", flags, why)
		}
	}
	for cause, want := range map[rules.Cause]rules.Cause{rules.NeverHeard: rules.NoCause, rules.Implausible: rules.Unhealthy, rules.NotANumber: rules.Unhealthy} {
		var e estimator
		var table limits.Table
		table[rules.EstimatorFlags] = limits.Reading{Cause: cause}
		if why := e.look(0, &table); why != want {
			t.Errorf("flags missing, %v: expected %v, got %v", cause, want, why)
		}
	}
}

// A healthy word does not outlive the message that says it. Controllers send it
// once in 2 s down to several times a second; two lost in a row are no silence.
func TestPromise14_EstimatorThatFallsSilentMakesHeightMissing(t *testing.T) {
	for _, c := range []struct{ every, lost, most time.Duration }{
		{500 * time.Millisecond, 4, 3 * time.Second}, {time.Second, 3, 6 * time.Second}, {2 * time.Second, 3, 11 * time.Second},
	} {
		r := newRig(t, whole(), rules.Height, rules.Climb)
		at := time.Duration(0)
		word := func(n int) {
			for range n {
				r.put(at, rules.EstimatorFlags, 4|32)
				fly(r, at, at+c.every, constant(5), constant(0))
				at += c.every
				r.wantGood(t, rules.Height, 5, 0)
			}
		}
		word(5)
		fly(r, at, at+c.lost*c.every, constant(5), constant(0))
		at += c.lost * c.every
		r.wantGood(t, rules.Height, 5, 0)
		r.wantGood(t, rules.Climb, 0, 0)
		word(5)
		fly(r, at, at+c.most-c.every, constant(5), constant(0))
		r.wantMissing(t, rules.Height, rules.HealthUnknown)
		r.wantMissing(t, rules.Climb, rules.HealthUnknown)
		at += time.Minute
		r.put(at, rules.EstimatorFlags, 4|32)
		fly(r, at, at+c.every, constant(5), constant(0))
		r.wantGood(t, rules.Height, 5, 0)
	}
}

func TestHeightVote(t *testing.T) {
	cfg := whole()
	cfg.HeightSources = []rules.ChannelID{rules.HeightGlobal, rules.HeightLocal, rules.HeightAltitude, rules.HeightRange}
	cfg.Disagreement = 2
	frame := func(r *rig, at time.Duration, g, l, a, d float64) {
		r.put(at, rules.HeightLocal, l)
		r.put(at, rules.HeightAltitude, a)
		r.put(at, rules.HeightRange, d)
		r.put(at, rules.ClimbGlobal, 0)
		r.put(at, rules.HeightGlobal, g)
	}
	for vote, want := range map[Vote]float64{Highest: 6, Lowest: 4.5, Median: 5.25} {
		cfg.Vote = vote
		r := newRig(t, cfg, rules.Height)
		frame(r, 0, 5, 6, 4.5, 5.5)
		r.wantGood(t, rules.Height, want, 0)
		frame(r, ms(100), 5, 6.6, 4.5, 5.5)
		r.wantMissing(t, rules.Height, rules.Disagreement)
		frame(r, ms(200), 5, 6, 4.5, 5.5)
		r.wantMissing(t, rules.Height, rules.Disagreement)
		frame(r, ms(2100), 5, 6, 4.5, 5.5)
		r.wantGood(t, rules.Height, want, 0)
		// No source is dropped in silence.
		r.miss(ms(2150), rules.HeightRange, rules.Sentinel)
		r.put(ms(2200), rules.HeightGlobal, 5)
		r.wantMissing(t, rules.Height, rules.InputMissing)
		frame(r, ms(2300), 5, 6, 4.5, 5.5)
		r.wantGood(t, rules.Height, want, 0)
		r.put(ms(2601), rules.HeightGlobal, 5) // the others are older than 300 ms
		r.wantMissing(t, rules.Height, rules.InputMissing)
	}
	cfg.HeightSources, cfg.Vote = cfg.HeightSources[:3], Median
	r := newRig(t, cfg, rules.Height)
	frame(r, 0, 5, 6, 4.5, 5.5)
	r.wantGood(t, rules.Height, 5, 0)
}
