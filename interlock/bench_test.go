package interlock

import (
	"fmt"
	"testing"
	"time"

	"downhaul/rules"
)

// moving are the channels that the benchmark's stream moves.
var moving = []rules.ChannelID{
	rules.Tension, rules.Roll, rules.Pitch, rules.HeightGlobal, rules.ClimbGlobal,
	rules.Motor1Output, rules.WindSpeed, rules.SupplyVoltage, rules.SupplyCurrent, rules.Vibration,
}

// benchEngine has count rules, spread over the moving channels.
func benchEngine(tb testing.TB, count int) *Engine {
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
	}
	e, err := New(env, site)
	if err != nil {
		tb.Fatal(err)
	}
	return e
}

// benchInputs is a second of telemetry, over and over: every moving channel in
// turn, 1 ms apart.
func benchInputs() []Input {
	in := make([]Input, 1000)
	for i := range in {
		id := moving[i%len(moving)]
		c := id.Channel()
		in[i] = Input{Kind: SampleInput, Sample: Sample{Channel: id, Quality: rules.Good, Value: max(c.Low, 0) + min(1, c.High/4)*float64(i%7)/7}}
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

// BenchmarkStep gives every sample to each rule on its channel: a tenth of them.
func BenchmarkStep(b *testing.B) {
	inputs := benchInputs()
	b.Run("floor", func(b *testing.B) {
		f := &floor{}
		for i := range f.limit {
			c := rules.ChannelID(i).Channel()
			f.limit[i], f.warn[i] = c.High*0.9, c.High*0.8
		}
		for i := 0; b.Loop(); i++ {
			f.step(time.Duration(i)*time.Millisecond, &inputs[i%len(inputs)])
		}
	})
	for _, count := range []int{10, 100, 1000} {
		b.Run(fmt.Sprintf("rules=%d", count), func(b *testing.B) {
			e := benchEngine(b, count)
			b.ReportAllocs()
			for i := 0; b.Loop(); i++ {
				if f := e.Step(time.Duration(i)*time.Millisecond, inputs[i%len(inputs)]); len(f) > 0 && i > 0 {
					b.Fatalf("the stream decided something: %+v", f)
				}
			}
		})
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
		r.e.Step(s.at-log[0].at+start, *s.in)
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
					r.e.Step(r.now, Input{Kind: LineInput, Line: l, On: r.lines[l]})
				}
			}
			r.e.Step(r.now, Input{Kind: FrameInput})
			for i, v := range r.values {
				value := v.v + 1e-4*float64(int(r.now/rigTick)%2)*float64(i%2)
				r.e.Step(r.now, Input{Kind: SampleInput, Sample: Sample{Channel: v.id, Value: value, Quality: v.q}})
			}
		}
		if n := testing.AllocsPerRun(500, turn); n != 0 {
			t.Errorf("%s: a turn in order allocates %v times", name, n)
		}
		// A trip and all that follows it.
		if n := testing.AllocsPerRun(1, func() {
			r.e.Step(r.now, Input{Kind: SampleInput, Sample: Sample{Channel: rules.ESCFailures, Value: 3, Quality: rules.Good}})
			r.e.Step(r.now, Input{Kind: SampleInput, Sample: Sample{Channel: rules.Tension, Value: 1900, Quality: rules.Good}})
			r.e.Advance(r.now + time.Minute)
		}); n != 0 {
			t.Errorf("%s: tripping allocates %v times", name, n)
		}
	}
}
