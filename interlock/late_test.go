package interlock

import (
	"math/rand/v2"
	"testing"
	"time"

	"downhaul/rules"
)

// tiltEngine has rules on roll, pitch and tilt, some of them never left.
func tiltEngine(t *testing.T) *Engine {
	t.Helper()
	site := DefaultSite()
	site.Duty = Watch
	site.Fed[rules.Roll], site.Fed[rules.Pitch] = rules.CraftSays, rules.CraftSays
	rule := func(id rules.ChannelID, limit, caution float64) rules.Rule {
		return rules.Rule{Name: id.String(), Watch: id, Form: rules.Above, Limit: limit, HasCaution: true, Caution: caution, Deadband: 0.02,
			Lasting: 100 * time.Millisecond, StaleAfter: time.Second, FrozenAfter: id.Channel().FrozenAfter, Stop: rules.Immediate, MissingStop: rules.Immediate}
	}
	env := &rules.Envelope{Rules: []rules.Rule{rule(rules.Roll, 1, 0.8), rule(rules.Pitch, 1, 0.8), rule(rules.Tilt, 0.6, 0.4), rule(rules.Tilt, 1.2, 1.1)}}
	e, err := New(env, site)
	if err != nil {
		t.Fatal(err)
	}
	return e
}

// TestALateValueIsTheOneOfStep flies a craft that rocks, leans too far, freezes,
// goes silent and lies, once step by step, where each tilt is worked out at once,
// and once in chunks, where most are worked out when somebody looks.
func TestALateValueIsTheOneOfStep(t *testing.T) {
	owed, looked, quiet := 0, 0, 0
	for seed := range uint64(6) {
		rnd := rand.New(rand.NewPCG(seed, 1))
		one, all := tiltEngine(t), tiltEngine(t)
		if seed%2 == 0 {
			one.TrackHeadroom()
			all.TrackHeadroom()
		}
		var a, b []Effect
		roll, pitch, at := 0.0, 0.0, time.Duration(0)
		for i := range 20_000 {
			at += 20 * time.Millisecond
			lean := 0.05
			switch i / 500 % 8 {
			case 3:
				lean = 0.5
			case 5:
				lean = 0
			case 6:
				lean = 1.5
			}
			if lean > 0 { // else it is frozen
				roll, pitch = lean*rnd.NormFloat64(), lean*rnd.NormFloat64()
			}
			if rnd.IntN(400) == 0 {
				at += time.Duration(rnd.IntN(1500)) * time.Millisecond
			}
			q := rules.Good
			if rnd.IntN(300) == 0 {
				q = rules.Quality(rnd.IntN(3))
			}
			inputs := []Input{{Kind: FrameInput}}
			for _, s := range []Sample{{Channel: rules.Roll, Quality: rules.Good, Value: roll}, {Channel: rules.Pitch, Quality: q, Value: pitch}} {
				if rnd.IntN(50) > 0 {
					inputs = append(inputs, Input{Kind: SampleInput, Sample: s})
				}
			}
			for _, in := range inputs {
				a = append(a, one.Step(at, in)...)
			}
			n, some := stepFrame(all, at, inputs)
			quiet, b = quiet+n, append(b, some...)
			if all.channels[rules.Tilt].late != nil {
				owed++
			}
			if rnd.IntN(40) > 0 {
				continue
			}
			looked++
			var x, y View
			switch rnd.IntN(4) {
			case 0:
				if p, q := one.Reading(rules.Tilt), all.Reading(rules.Tilt); p != q {
					t.Fatalf("seed %d, step %d: tilt reads %+v, and %+v in chunks", seed, i, p, q)
				}
			case 1:
				one.View(&x)
				all.View(&y)
				for k := range x.Rules {
					if x.Rules[k] != y.Rules[k] {
						t.Fatalf("seed %d, step %d: rule %d is seen as %+v, and %+v in chunks", seed, i, k, x.Rules[k], y.Rules[k])
					}
				}
			case 2:
				all = all.Clone()
			default:
				if string(one.AppendState(nil)) != string(all.AppendState(nil)) || one.Deadline() != all.Deadline() {
					t.Fatalf("seed %d, step %d: the images differ", seed, i)
				}
			}
		}
		if x, y := told(one.env, a), told(all.env, b); x != y {
			t.Fatalf("seed %d: step by step:\n%s\nin chunks:\n%s", seed, x, y)
		}
		if len(a) < 100 {
			t.Errorf("seed %d: only %d effects", seed, len(a))
		}
		for i := range one.env.Rules {
			h, hAt, ok := one.LeastHeadroom(i)
			if g, gAt, gok := all.LeastHeadroom(i); h != g || hAt != gAt || ok != gok {
				t.Errorf("seed %d, rule %d: least headroom %v at %v, and %v at %v in chunks", seed, i, h, hAt, g, gAt)
			}
		}
	}
	if owed < 20_000 || looked < 1000 || quiet < 40_000 {
		t.Errorf("only %d tilts of 120,000 were owed, %d looks taken and %d values quiet", owed, looked, quiet)
	}
}
