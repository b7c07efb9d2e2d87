//go:build unix

package interlock

import (
	"fmt"
	"syscall"
	"testing"
	"time"

	"downhaul/rules"
)

// moving are the channels that the benchmark's stream moves.
var moving = []rules.ChannelID{
	rules.Tension, rules.Roll, rules.Pitch, rules.HeightGlobal, rules.ClimbGlobal,
	rules.Motor1Output, rules.WindSpeed, rules.SupplyVoltage, rules.SupplyCurrent, rules.Vibration,
}

// benchEngine has count rules, spread over the moving channels; acting they act at once.
func benchEngine(tb testing.TB, count int, acting bool) *Engine {
	env := &rules.Envelope{}
	site := plainSite()
	for i := range count {
		id := moving[i%len(moving)]
		c := id.Channel()
		site.Fed[id] = rules.CraftSays
		env.Rules = append(env.Rules, rules.Rule{
			Name: fmt.Sprintf("rule %d", i), Watch: id, Form: rules.Above, Limit: c.High * 0.9, HasCaution: true, Caution: c.High * 0.8,
			Deadband: c.High * 0.01, Lasting: 40 * time.Millisecond, StaleAfter: c.Stale, Stop: rules.Immediate, MissingStop: rules.Immediate,
		})
		if acting {
			env.Rules[i].Lasting = 0
		}
	}
	e, err := New(env, site)
	if err != nil {
		tb.Fatal(err)
	}
	return e
}

// benchInputs is a second of telemetry, over and over: every moving channel in
// turn, 1 ms apart. Each channel moves within the limits of its rules; with acting it goes
// to and fro between well inside and past the limits of all its rules, with every value.
func benchInputs(acting bool) []Input {
	in := make([]Input, 1000)
	for i := range in {
		id, turn := moving[i%len(moving)], i/len(moving)
		c := id.Channel()
		v := max(c.Low, 0) + min(1, c.High/4)*float64(i%7)/7
		if acting && turn%2 == 1 {
			v = c.High * (0.95 + 0.01*float64(turn%4)/4)
		}
		in[i] = Input{Kind: SampleInput, Sample: Sample{Channel: id, Quality: rules.Good, Value: v}}
	}
	return in
}

// floor only stores the sample and compares it with two numbers.
type floor struct {
	last        [rules.ChannelCount]Sample
	limit, warn [rules.ChannelCount]float64
	past        int
}

//go:noinline
func (f *floor) step(_ time.Duration, in *Input) {
	s := &in.Sample
	f.last[s.Channel] = *s
	if s.Value > f.limit[s.Channel] || s.Value > f.warn[s.Channel] {
		f.past++
	}
}

// processorTime is what this process has used so far: of a machine that others use, too,
// only this is the work's own.
func processorTime(b *testing.B) time.Duration {
	b.Helper()
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// BenchmarkStep gives every sample to the rules on its channel, a tenth of all. Inside
// none of them has to look at it: the channel's band holds it. Acting, each of them looks
// at it and asks for its stop or clears it, which is one effect a rule and a sample at least; what
// one acting rule costs is told from the whole step, beside a step of which no rule acts.
func BenchmarkStep(b *testing.B) {
	inside := benchInputs(false)
	b.Run("floor", func(b *testing.B) {
		f := &floor{}
		for i := range f.limit {
			c := rules.ChannelID(i).Channel()
			f.limit[i], f.warn[i] = c.High*0.9, c.High*0.8
		}
		from := processorTime(b)
		for i := 0; b.Loop(); i++ {
			f.step(time.Duration(i)*time.Millisecond, &inside[i%len(inside)])
		}
		b.ReportMetric(float64(processorTime(b)-from)/float64(b.N), "cpu-ns/op")
	})
	for _, count := range []int{10, 100, 1000} {
		for _, acting := range []bool{false, true} {
			name, inputs := "inside", inside
			if acting {
				name, inputs = "acting", benchInputs(true)
			}
			b.Run(fmt.Sprintf("rules=%d/%s", count, name), func(b *testing.B) {
				e := benchEngine(b, count, acting)
				b.ReportAllocs()
				acted, from := 0, processorTime(b)
				for i := 0; b.Loop(); i++ {
					n := len(e.Step(time.Duration(i)*time.Millisecond, &inputs[i%len(inputs)]))
					if acted += n; n > 0 && i > 0 && !acting {
						b.Fatalf("%d effects", n)
					}
				}
				if acting && acted < (b.N-2*len(moving))*count/len(moving) {
					b.Fatalf("%d effects of %d steps", acted, b.N)
				}
				took := float64(processorTime(b) - from)
				b.ReportMetric(took/float64(b.N), "cpu-ns/op")
				if acting {
					b.ReportMetric(took/float64(acted), "cpu-ns/acting-rule")
				}
			})
		}
	}
}

// Nor does a step in which every rule of its channel acts allocate, however many there
// are.
func TestActingRulesAllocateNothing(t *testing.T) {
	inputs := benchInputs(true)
	for _, count := range []int{10, 1000} {
		e := benchEngine(t, count, true)
		at, i, acted := time.Duration(0), 0, 0
		if n := testing.AllocsPerRun(2*len(inputs), func() {
			at += time.Millisecond
			acted += len(e.Step(at, &inputs[i%len(inputs)]))
			i++
		}); n != 0 {
			t.Errorf("%d rules: a step allocates %v times", count, n)
		}
		if want := (i - 2*len(moving)) * count / len(moving); acted < want {
			t.Errorf("%d rules: %d effects of %d steps, want %d at least: not every rule acts", count, acted, i, want)
		}
	}
}

// BenchmarkBusyStep is a live pad: pins, frames, samples, every form of rule and
// a predicted top.
func BenchmarkBusyStep(b *testing.B) {
	r := bases(b)[1]
	var log []stamped
	r.record(&log)
	r.run(10 * time.Second)
	r = bases(b)[1]
	start := r.now
	b.ResetTimer()
	for i := 0; b.Loop(); i++ {
		s := &log[i%len(log)]
		if i%len(log) == 0 {
			b.StopTimer()
			r = bases(b)[1]
			start = r.now
			b.StartTimer()
		}
		r.e.Step(s.at-log[0].at+start, s.in)
	}
}

// The loop that drives the engine allocates nothing, so the engine may not.
func TestStepAllocatesNothing(t *testing.T) {
	for name, r := range map[string]*rig{"guard": bases(t)[1], "watch": bases(t, watchDuty)[1]} {
		r.kept, r.quiet = false, true
		turn := func() {
			r.now += rigTick
			for l := range LineCount {
				if r.e.site.Fitted[l] {
					r.e.Step(r.now, &Input{Kind: LineInput, Line: l, On: r.lines[l]})
				}
			}
			r.e.Step(r.now, &Input{Kind: FrameInput})
			for i, v := range r.values {
				value := v.v + 1e-4*float64(int(r.now/rigTick)%2)*float64(i%2)
				r.e.Step(r.now, &Input{Kind: SampleInput, Sample: Sample{Channel: v.id, Value: value, Quality: v.q}})
			}
		}
		if n := testing.AllocsPerRun(500, turn); n != 0 {
			t.Errorf("%s: a turn in order allocates %v times", name, n)
		}
		// A trip and all that follows it.
		if n := testing.AllocsPerRun(1, func() {
			r.e.Step(r.now, &Input{Kind: SampleInput, Sample: Sample{Channel: rules.ESCFailures, Value: 3, Quality: rules.Good}})
			r.e.Step(r.now, &Input{Kind: SampleInput, Sample: Sample{Channel: rules.Tension, Value: 1900, Quality: rules.Good}})
			r.e.Advance(r.now + time.Minute)
		}); n != 0 {
			t.Errorf("%s: tripping allocates %v times", name, n)
		}
	}
}
