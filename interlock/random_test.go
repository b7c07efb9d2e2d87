package interlock

import (
	"flag"
	"math"
	"os"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"downhaul/rules"
)

// busyEnvelope has every form of rule, both stops, on-delays, phases, a caution
// alone, a derived channel and permissives.
const busyEnvelope = `
version = 1
title = "busy"
[[rule]]
name = "overload"
watch = "tether.tension"
above = "1800 N"
caution = "1400 N"
lasting = "40 ms"
stop = "immediate"
[[rule]]
name = "slack"
watch = "tether.tension"
below = "50 N"
while = "airborne"
lasting = "300 ms"
stop = "controlled"
grace = "2 s"
[[rule]]
name = "ceiling"
watch = "craft.apex"
above = "7 m"
caution = "5.5 m"
while = "armed"
stop = "immediate"
[[rule]]
name = "gust"
watch = "wind.speed"
outside = ["0.5 m/s", "8 m/s"]
caution = ["1 m/s", "6 m/s"]
stop = "controlled"
grace = "4 s"
[[rule]]
name = "sag"
watch = "supply.voltage"
falling_faster = "2 V/s"
over = "1 s"
when_missing = "caution"
stop = "controlled"
grace = "3 s"
[[rule]]
name = "floor"
watch = "supply.voltage"
below = "40 V"
stale_after = "3 s"
lasting = "100 ms"
stop = "controlled"
grace = "3 s"
[[rule]]
name = "failures"
watch = "esc.failures"
is_not = 0
stop = "immediate"
[[rule]]
name = "warm"
watch = "pack.temperature"
above = "60 °C"
stop = "none"
[[rule]]
name = "roll"
watch = "craft.roll"
outside = ["-30 deg", "30 deg"]
frozen_after = 40
stop = "immediate"
[[rule]]
name = "age"
watch = "link.age"
above = "300 ms"
caution = "100 ms"
stop = "immediate"
[[permissive]]
name = "calm"
watch = "wind.speed"
below = "5 m/s"
[[permissive]]
name = "charged"
watch = "supply.voltage"
above = "48 V"
`

// busyRig is a pad under busyEnvelope with everything in order.
func busyRig(t testing.TB, change ...func(*Site)) *rig {
	r := newRig(t, busyEnvelope, func(s *Site) {
		for _, c := range change {
			c(s)
		}
	})
	r.quiet = true
	for _, v := range []rigValue{
		{id: rules.Tension, v: 500}, {id: rules.WindSpeed, v: 3}, {id: rules.SupplyVoltage, v: 50},
		{id: rules.ESCFailures, v: 0}, {id: rules.Pack1Temperature, v: 30}, {id: rules.Roll, v: 0, wiggle: true},
	} {
		v.q = rules.Good
		r.values = append(r.values, v)
	}
	return r
}

// stamped is one call of an engine; in nil is an Advance.
type stamped struct {
	at time.Duration
	in *Input
}

// record keeps every call from now on.
func (r *rig) record(log *[]stamped) {
	r.tap = func(at time.Duration, in *Input) {
		if in != nil {
			kept := *in
			in = &kept
		}
		*log = append(*log, stamped{at, in})
	}
}

// happen does one thing that can happen at a pad.
func (r *rig) happen(rt *rapid.T) {
	quality := []rules.Quality{rules.Good, rules.Good, rules.Good, rules.Doubtful, rules.Missing}
	values := []struct {
		id     rules.ChannelID
		values []float64
	}{
		{rules.Tension, []float64{500, 20, 1500, 1799, 1801, 1900, math.NaN(), 1e7}},
		{rules.WindSpeed, []float64{3, 0.2, 0.7, 5.5, 7, 9}},
		{rules.SupplyVoltage, []float64{50, 39, 45, 47.5, 53}},
		{rules.ESCFailures, []float64{0, 0, 4}},
		{rules.Pack1Temperature, []float64{30, 61, 59.9}},
		{rules.Roll, []float64{0, 0.3, 0.6}},
		{rules.CraftArmed, []float64{0, 1}},
		{rules.CraftLanded, []float64{0, 1}},
		{rules.Motor1Output, []float64{0, 0.1, 0.2, 0.5}},
		{rules.Motor1Speed, []float64{0, 0.5, 40}},
		{rules.HeightGlobal, []float64{0, 0.2, 3}},
	}
	short := rapid.SampledFrom([]time.Duration{10, 20, 30, 50, 100, 300, 600, 2100})
	spell := func() time.Duration { return short.Draw(rt, "ms") * time.Millisecond }
	switch rapid.SampledFrom([]string{"set", "set", "set", "silence", "line", "press", "host", "frames", "pins", "stick", "sleep",
		"fly", "glide", "start over", "start over", "run", "run"}).Draw(rt, "what") {
	case "set":
		c := rapid.SampledFrom(values).Draw(rt, "channel")
		r.set(c.id, rapid.SampledFrom(c.values).Draw(rt, "value"), rapid.SampledFrom(quality).Draw(rt, "quality"))
		r.run(spell())
	case "silence":
		r.silence(rapid.SampledFrom(values).Draw(rt, "channel").id)
		r.run(spell())
	case "line":
		l := rapid.SampledFrom([]Line{EStopA, EStopB, Gate, Readback}).Draw(rt, "line")
		r.lines[l] = !r.lines[l]
		r.run(spell())
		if rapid.Bool().Draw(rt, "back") {
			r.lines[l] = !r.lines[l]
		}
	case "press":
		r.press(rapid.SampledFrom([]Line{Reset, Start, End}).Draw(rt, "button"), spell())
	case "host":
		r.step(Input{Kind: HostInput, Seq: 1, On: rapid.Bool().Draw(rt, "on"),
			Host: rapid.SampledFrom([]Host{HostStalled, HostRelayFailed, HostClash, HostDisk, HostProof, HostLost, HostMark}).Draw(rt, "host")})
	case "frames":
		r.frames = !r.frames
		r.run(spell())
		r.frames = true
	case "pins":
		r.pins = !r.pins
		r.run(spell())
		r.pins = true
	case "stick":
		if r.follow > time.Minute {
			r.follow = 30 * time.Millisecond
			r.change = r.now + r.follow
		} else if rapid.IntRange(0, 3).Draw(rt, "rarely") == 0 {
			r.follow = time.Hour
		}
	case "sleep":
		r.sleep(spell())
	case "fly":
		r.fly()
		r.run(spell())
	case "glide":
		r.glide(rapid.SampledFrom([]float64{0, 2, 4, 6}).Draw(rt, "height"), max(spell(), 100*time.Millisecond))
	case "start over":
		r.startOver(rapid.IntRange(0, 3).Draw(rt, "and start") > 0)
	case "run":
		r.run(spell())
	}
}

// startOver puts everything in order and goes the whole way to Ready, and then
// to Live, if the engine lets it.
func (r *rig) startOver(start bool) {
	r.putInOrder()
	r.press(Reset, 300*time.Millisecond)
	for range 110 {
		if r.e.latch.state == Ready {
			break
		}
		r.run(100 * time.Millisecond)
	}
	if start {
		r.press(Start, 200*time.Millisecond)
		r.run(4 * time.Second)
	}
}

// putInOrder puts everything in order, and waits until a reset would be taken.
func (r *rig) putInOrder() {
	r.land()
	for _, v := range busyRig(r.t).values {
		if !slices.Contains([]rules.ChannelID{rules.CraftArmed, rules.CraftLanded, rules.ClimbGlobal, rules.HeightGlobal, rules.Motor1Output, rules.Motor1Speed}, v.id) {
			r.set(v.id, v.v, v.q)
			for i := range r.values {
				if r.values[i].id == v.id {
					r.values[i].wiggle = v.wiggle
				}
			}
		}
	}
	r.lines[EStopA], r.lines[EStopB], r.lines[Gate] = true, true, true
	r.lines[Readback], r.follow, r.change = r.chain, 30*time.Millisecond, rules.Never
	for _, h := range []Host{HostRelayFailed, HostDisk, HostProof} {
		r.step(Input{Kind: HostInput, Host: h, Seq: 1})
	}
	r.run(5 * time.Second)
}

// heldReset has something come and go while reset is held, or nothing.
func (r *rig) heldReset(rt *rapid.T) {
	r.putInOrder()
	r.lines[Reset] = true
	r.run(100 * time.Millisecond)
	switch rapid.SampledFrom([]string{"", "value", "host", "restart"}).Draw(rt, "meanwhile") {
	case "value":
		r.set(rules.ESCFailures, 4, rules.Good)
		r.run(50 * time.Millisecond)
		r.set(rules.ESCFailures, 0, rules.Good)
	case "host":
		r.step(Input{Kind: HostInput, Host: rapid.SampledFrom([]Host{HostStalled, HostClash}).Draw(rt, "host")})
	case "restart":
		r.boot = 0
	}
	r.run(100 * time.Millisecond)
	r.lines[Reset] = false
	r.run(r.tick)
}

// decide feeds a recorded stream to an engine and gives every effect. Calls
// with several due instants hand out relay effects first, so the stream is
// ordered by time and then by that rule, whatever the calls were.
func decide(e *Engine, log []stamped) []Effect {
	var out []Effect
	for _, s := range log {
		if s.in == nil {
			out = append(out, e.Advance(s.at)...)
		} else {
			out = append(out, e.Step(s.at, s.in)...)
		}
	}
	return inOrder(out)
}

func inOrder(out []Effect) []Effect {
	front := func(f Effect) int {
		if f.Kind == RelayEffect || f.Kind == BeatEffect {
			return 0
		}
		return 1
	}
	slices.SortStableFunc(out, func(a, b Effect) int {
		if a.At != b.At {
			return int(a.At - b.At)
		}
		return front(a) - front(b)
	})
	return out
}

// told is a stream of effects as the records hold it.
func told(env *rules.Envelope, effects []Effect) string {
	var b []byte
	for _, f := range effects {
		b = append(AppendDecision(b, env, f), '\n')
	}
	return string(b)
}

// untilSeen runs check until missing has nothing more to wish for, at most 30
// times: what chance brings seldom is waited for, and not hoped for.
func untilSeen(t *testing.T, check func(), missing func() string) {
	t.Helper()
	for range 30 {
		check()
		if t.Failed() || missing() == "" {
			return
		}
	}
	t.Errorf("the streams do not reach far enough: %s", missing())
}

// TestMain keeps the random streams short unless more are asked for with
// -rapid.checks: one is some thousand calls long.
func TestMain(m *testing.M) {
	flag.Parse()
	asked := false
	flag.Visit(func(f *flag.Flag) { asked = asked || f.Name == "rapid.checks" })
	if !asked {
		if err := flag.Set("rapid.checks", "40"); err != nil {
			panic(err)
		}
	}
	os.Exit(m.Run())
}
