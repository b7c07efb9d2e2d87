package tilt

import (
	"math"
	"testing"
	"time"

	"downhaul/interlock/day/intake"
	"downhaul/interlock/day/telemetry"
	"downhaul/interlock/model/craftmodel"
	"downhaul/interlock/records/recording"
	"downhaul/rules"
	"downhaul/rules/architecture"
)

// modelled is the craft model's ring: its first motor is half a step to the
// right of the nose, and every second turns the other way.
func modelled(cfg *craftmodel.Config) []Motor { return ring(cfg.Motors) }

// turned has people turn the modelled craft, its autopilot's whole cascade
// steadying it, and gives what a watch with those motors finds in its frames.
func turned(t *testing.T, cfg craftmodel.Config, motors []Motor, arm bool) Result {
	t.Helper()
	craft, err := craftmodel.New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	w, err := New(motors)
	if err != nil {
		t.Fatal(err)
	}
	w.Asked = true
	ear, err := NewEar(1, 1, telemetry.FieldsConfig{}, w)
	if err != nil {
		t.Fatal(err)
	}
	var frames []craftmodel.Datagram
	run := func(d time.Duration) {
		craft.Step(d)
		frames = craft.Frames(frames[:0])
		for _, f := range frames {
			ear.Hear(f.At, 0, f.Bytes)
		}
	}
	run(time.Second)
	if arm {
		if err := craft.Do(craftmodel.Event{Act: craftmodel.Arm}); err != nil {
			t.Fatal(err)
		}
	}
	craft.TakeInHands(0, 0)
	run(4 * time.Second)
	for n := 0; n < 4; n++ {
		a, r := Direction(n).low()
		craft.TakeInHands(20*deg*r, -20*deg*a)
		run(3 * time.Second)
		craft.TakeInHands(0, 0)
		run(4 * time.Second)
	}
	return w.Result()
}

// The model's autopilot and mixer are written without this package's judgement:
// moments from an attitude error, shared over a ring.
func TestModelledCraftPassesAndItsSlipsDoNot(t *testing.T) {
	for _, n := range []int{4, 6, 8, 12} {
		cfg := craftmodel.EightTwo()
		cfg.Motors = n
		motors := modelled(&cfg)
		if r := turned(t, cfg, motors, true); !r.Passed {
			t.Errorf("%d motors: %v", n, r.Findings)
		}
		holds(t, turned(t, cfg, motors, false), "no output moved at all")
		swapped := modelled(&cfg)
		swapped[0].Number, swapped[n/2].Number = swapped[n/2].Number, swapped[0].Number
		holds(t, turned(t, cfg, swapped, true), "wrong way")
	}
}

// A version 1 link has outputs 1 to 8 only.
func TestVersionOneTellsOfEightOutputs(t *testing.T) {
	cfg := craftmodel.EightTwo()
	cfg.Version1, cfg.Motors = true, 12
	holds(t, turned(t, cfg, modelled(&cfg), true), "does not tell of output 9, 10, 11, 12: it is unused there, or 9 to 16 are asked of a version 1 link")
	cfg.Motors = 8
	if r := turned(t, cfg, modelled(&cfg), true); !r.Passed {
		t.Errorf("eight motors: %v", r.Findings)
	}
}

// A real small quadrotor that tips over to its right while armed (the
// recording's own description is in its folder). Which corner each output
// drives is not told there; the mission's hover and this tumble agree with
// front right, rear left, front left, rear right. In the one report of its
// outputs while it lies over, the low side, the right one, has the higher
// outputs: the signs of roll and of the answer are as they are taken here.
func TestRealCraftRaisesItsLowSide(t *testing.T) {
	rec, err := recording.Open(architecture.Data(t, "telemetry/quad-crash-then-mission.pcap")[0])
	if err != nil {
		t.Fatal(err)
	}
	defer rec.Close()
	fields, err := telemetry.NewFields(telemetry.FieldsConfig{})
	if err != nil {
		t.Fatal(err)
	}
	w, err := New([]Motor{{1, 1, 1, -1}, {2, -1, -1, -1}, {3, 1, -1, 1}, {4, -1, 1, 1}})
	if err != nil {
		t.Fatal(err)
	}
	ear, err := NewEar(1, 1, telemetry.FieldsConfig{}, w)
	if err != nil {
		t.Fatal(err)
	}
	var stream telemetry.Stream
	roll, over := 0.0, 0
	for {
		c, err := rec.Next()
		if err != nil {
			break // its end; that it is read whole is tested with the reader
		}
		if c.Source != intake.Telemetry {
			continue
		}
		ear.Hear(c.At, c.Link, c.Bytes)
		stream.Feed(c.Bytes)
		for f, ok := stream.Next(); ok; f, ok = stream.Next() {
			var out [4]float64
			told := false
			for _, in := range fields.Append(nil, &f) {
				switch x := in.Sample; {
				case f.System != 1:
				case x.Channel == rules.Roll:
					roll = x.Value
				case x.Channel >= rules.Motor1Output && x.Channel < rules.Motor1Output+4:
					out[x.Channel-rules.Motor1Output], told = x.Value, true
				}
			}
			if told && math.Abs(roll-90*deg) < 30*deg {
				over++
				if right, left := out[0]+out[3], out[1]+out[2]; right-left < 0.4 {
					t.Errorf("at %v, rolled %.0f deg to the right: right side %.2f, left side %.2f", c.At, roll/deg, right/2, left/2)
				}
			}
		}
	}
	if over == 0 {
		t.Error("no output was told while it lay over")
	}
	// Nobody turned it by hand, and its outputs come twice a second at best: no
	// side counts as good.
	r := w.Result()
	for d, h := range r.Held {
		if h != nil && h.Good {
			t.Errorf("%s counts as good in a flight", Direction(d))
		}
	}
	holds(t, r, "not held")
}
