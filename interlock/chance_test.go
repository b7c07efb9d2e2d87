package interlock

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"downhaul/interlock/derived"
	"downhaul/rules"
)

// chanceSpans are where the values of a channel lie in streams of chance.
var chanceSpans = map[rules.ChannelID][2]float64{
	rules.Roll: {-0.8, 0.8}, rules.Pitch: {-0.8, 0.8}, rules.Tilt: {0, 1.1}, rules.RollRate: {-1, 1}, rules.ClimbGlobal: {-2, 2}, rules.Climb: {-2, 2},
	rules.HeightGlobal: {0, 8}, rules.Height: {0, 8}, rules.Apex: {0, 9}, rules.LinkAge: {0, 0.5}, rules.LinkLoss: {0, 0.2}, rules.LinkLag: {0, 0.1},
	rules.SupplyVoltage: {40, 52}, rules.Told1: {-1, 1}, rules.Tension: {0, 900}, rules.TensionRate: {-900, 900}, rules.WindSpeed: {0, 12}, rules.Gust: {0, 12},
	rules.Motor1Output: {0, 1}, rules.Motor2Output: {0, 1}, rules.MotorHighest: {0, 1}, rules.MotorSpread: {0, 1}, rules.Motor1Speed: {0, 60},
	rules.North: {-5, 5}, rules.East: {-5, 5}, rules.Distance: {0, 7}, rules.Sway: {0, 5}, rules.ESCFailures: {0, 2}, rules.CraftBootClock: {0, 100},
	rules.CraftArmed: {0, 1}, rules.CraftLanded: {0, 1}, rules.Pack1Current: {0, 30}, rules.SupplyCurrent: {0, 30},
}

// chanceRaw are channels that nothing but rules, and what is derived from them, looks at.
var chanceRaw = []rules.ChannelID{rules.Roll, rules.Pitch, rules.RollRate, rules.ClimbGlobal, rules.LinkLoss, rules.SupplyVoltage, rules.Told1,
	rules.Tension, rules.Motor1Output, rules.Motor2Output, rules.North, rules.East, rules.ESCFailures, rules.WindSpeed}

// chanceRules are rules and permissives of chance: every form, limits among eleven
// values of the span, one channel with several staleness times.
func chanceRules(rnd *rand.Rand, ids []rules.ChannelID) *rules.Envelope {
	env := &rules.Envelope{}
	pick := func(id rules.ChannelID, n int) float64 {
		s := chanceSpans[id]
		return s[0] + float64((s[1]-s[0])*float64(n))/10
	}
	after := []time.Duration{150 * time.Millisecond, time.Second, time.Second, 3 * time.Second, 3 * time.Second}
	few := ids[:0:0]
	for range 3 + rnd.IntN(12) { // so that several meet on one
		few = append(few, ids[rnd.IntN(len(ids))], chanceRaw[rnd.IntN(len(chanceRaw))])
	}
	if rnd.IntN(2) == 0 { // where a value may be owed
		few = append(few[:2], rules.Pitch, rules.Tilt, rules.Roll)
	}
	for i := range 1 + rnd.IntN(24) {
		id, form := few[rnd.IntN(len(few))], rules.Form(1+rnd.IntN(3))
		low := rnd.IntN(9)
		high := low + 1 + rnd.IntN(10-low)
		if rnd.IntN(9) == 0 {
			form = rules.Form(1 + rnd.IntN(int(rules.IsNot)))
		}
		if wide := rnd.IntN(2) == 0; wide {
			if low, high = 0, 10; form == rules.Above {
				low = 10
			}
		}
		r := rules.Rule{Name: fmt.Sprint("rule ", i), Watch: id, Form: form, Limit: pick(id, low), LimitHigh: pick(id, high),
			StaleAfter: after[rnd.IntN(len(after))], While: rules.Phase(rnd.IntN(3)), Stop: rules.Stop(rnd.IntN(3)), MissingStop: rules.Stop(rnd.IntN(3)),
			WhenMissing: rules.WhenMissing(rnd.IntN(2)), Grace: time.Second, MissingGrace: time.Second, Over: 300 * time.Millisecond}
		if rnd.IntN(2) == 0 {
			r.Lasting = time.Duration(rnd.IntN(300)) * time.Millisecond
		}
		if rnd.IntN(2) == 0 {
			r.Deadband = (pick(id, 1) - pick(id, 0)) * float64(rnd.IntN(3)) / 2
		}
		if rnd.IntN(3) == 0 && id != rules.LinkAge {
			r.FrozenAfter = 1 + rnd.IntN(5)
		}
		if step := pick(id, 1) - pick(id, 0); rnd.IntN(2) == 0 && r.Form <= rules.Outside {
			r.HasCaution, r.Caution, r.CautionHigh = true, r.Limit+step/2, r.LimitHigh-step/2
			if r.Form == rules.Above {
				r.Caution = r.Limit - step
			}
		}
		env.Rules = append(env.Rules, r)
	}
	for range max(rnd.IntN(6)-3, 0) {
		id := few[rnd.IntN(len(few))]
		env.Permissives = append(env.Permissives, rules.Permissive{Name: "start", Watch: id, Form: rules.Form(1 + rnd.IntN(3)),
			Limit: pick(id, 3), LimitHigh: pick(id, 8), StaleAfter: after[rnd.IntN(len(after))]})
	}
	return env
}

// chanceInputs is what comes in one instant, mostly good values near those before.
func chanceInputs(rnd *rand.Rand, fed []rules.ChannelID, held map[rules.ChannelID]float64, rough int) (inputs []Input) {
	if rnd.IntN(5) > 0 {
		inputs = append(inputs, Input{Kind: FrameInput})
	}
	for _, id := range fed {
		if rnd.IntN(6) == 0 {
			continue
		}
		s, v, q, why := chanceSpans[id], held[id], rules.Good, rules.NoCause
		switch rnd.IntN(rough) {
		case 0:
			v = s[0] + float64((s[1]-s[0])*float64(rnd.IntN(11)))/10 // at times at a limit itself
		case 1:
			q, why = rules.Doubtful, rules.SensorFailed
		case 2:
			v, q, why = 0, rules.Missing, rules.Sentinel
		case 3:
			v = []float64{math.NaN(), math.Inf(1), math.Inf(-1), 1e300, math.Copysign(0, -1)}[rnd.IntN(5)]
		case 4:
			v = math.Copysign(0, -1)
		case 5: // the same once more
		default:
			if id == rules.CraftBootClock && rnd.IntN(50) > 0 {
				v += 0.02
				break
			}
			v = min(max(v+float64((s[1]-s[0])*0.02*rnd.NormFloat64()), s[0]), s[1])
		}
		if id == rules.CraftArmed || id == rules.CraftLanded {
			v = math.Round(v)
		}
		if q == rules.Good && id.Plausible(v) {
			held[id] = v
		}
		inputs = append(inputs, Input{Kind: SampleInput, Sample: Sample{Channel: id, Quality: q, Cause: why, Value: v}})
	}
	switch rnd.IntN(60) {
	case 0:
		rnd.Shuffle(len(inputs), func(i, k int) { inputs[i], inputs[k] = inputs[k], inputs[i] })
	case 1:
		inputs = append(inputs, Input{Kind: HostInput, Host: Host(1 + rnd.IntN(int(hostCount)-1)), On: rnd.IntN(2) == 0, Seq: 1})
	case 2, 3, 4:
		inputs = append(inputs, Input{Kind: LineInput, Line: Line(rnd.IntN(int(LineCount))), On: rnd.IntN(3) > 0})
	case 5:
		inputs = append(inputs, inputs...) // a value twice in one instant
	case 6:
		inputs = nil
	}
	return inputs
}

// TestQuietIsStepUnderRulesOfChance lets chance choose rules, site and stream, and
// holds every answer and, now and then, everything that can be seen of an engine
// that is driven as a replay or the guard drives it to one that is stepped.
func TestQuietIsStepUnderRulesOfChance(t *testing.T) {
	var ids, measured []rules.ChannelID
	for id := rules.ChannelID(1); id < rules.ChannelCount; id++ {
		if _, ok := chanceSpans[id]; ok {
			ids = append(ids, id)
			if !id.Channel().Derived && id != rules.LinkAge {
				measured = append(measured, id)
			}
		}
	}
	quiet, values, effects := 0, 0, 0
	for seed := range uint64(50) {
		rnd := rand.New(rand.NewPCG(seed, 77))
		site := DefaultSite()
		site.Duty = []Duty{Guard, Watch}[rnd.IntN(2)]
		site.ReadyAfter, site.IdleCurrent = time.Duration(rnd.IntN(900))*time.Millisecond, float64(rnd.IntN(2))
		site.Derived = derived.Config{HeightSources: []rules.ChannelID{rules.HeightGlobal}, MaxAcceleration: 5, Reaction: 300 * time.Millisecond, Motors: 2, Cells: 1}
		for _, id := range measured {
			site.Fed[id] = rules.CraftSays
		}
		one, err := New(chanceRules(rnd, ids), site)
		if err != nil {
			t.Fatal(err)
		}
		all := one.Clone()
		if rnd.IntN(2) == 0 {
			one.TrackHeadroom()
			all.TrackHeadroom()
		}
		fed, held := measured[:0:0], map[rules.ChannelID]float64{}
		for _, id := range measured { // in the order of their numbers: boot clock early, pitch behind roll
			if rnd.IntN(4) > 0 {
				fed = append(fed, id)
			}
			held[id] = (chanceSpans[id][0] + chanceSpans[id][1]) / 2
		}
		at, rough := time.Duration(0), []int{8, 60, 800}[rnd.IntN(3)]
		for i := range 1600 {
			step := time.Duration(rnd.IntN(40)) * time.Millisecond
			switch rnd.IntN(80) {
			case 3, 4, 5, 6, 7, 8, 9: // to the very instant
				if step = max(one.Deadline()-at, 0); step > time.Minute {
					step = 0
				}
			case 0:
				step = time.Duration(rnd.IntN(4000)) * time.Millisecond
			case 1:
				step = -time.Duration(rnd.IntN(200)) * time.Millisecond
			}
			at += step
			inputs := chanceInputs(rnd, fed, held, rough)
			var a, b []Effect
			for _, in := range inputs {
				a = append(a, one.Step(at, in)...)
			}
			switch {
			case len(inputs) == 0:
				a, b = append(a, one.Advance(at)...), append(b, all.Advance(at)...)
			case rnd.IntN(2) == 0:
				n := 0
				n, b = stepFrame(all, at, inputs)
				quiet += n
			default:
				for rest := inputs; len(rest) > 0; {
					n, some := all.StepAll(at, rest)
					b, rest = append(b, some...), rest[n:]
				}
			}
			values, effects = values+len(inputs), effects+len(a)
			where := fmt.Sprintf("seed %d, step %d, %v", seed, i, at)
			if x, y := told(one.env, a), told(all.env, b); x != y {
				t.Fatalf("%s: step by step\n%s\nthe short way\n%s", where, x, y)
			}
			if one.Deadline() != all.Deadline() {
				t.Fatalf("%s: due at %v, and at %v the short way", where, one.Deadline(), all.Deadline())
			}
			switch rnd.IntN(10) {
			case 0:
				if string(one.AppendState(nil)) != string(all.AppendState(nil)) {
					t.Fatalf("%s: the images differ", where)
				}
			case 1:
				var x, y View
				one.View(&x)
				all.View(&y)
				if d := cmp.Diff(x, y); d != "" {
					t.Fatalf("%s: step by step (-), the short way (+)\n%s", where, d)
				}
			case 2:
				for _, id := range ids {
					if x, y := one.Reading(id), all.Reading(id); x != y {
						t.Fatalf("%s: %v reads %+v, and %+v the short way", where, id, x, y)
					}
				}
			case 3:
				all = all.Clone()
			case 4:
				if rnd.IntN(20) == 0 {
					one.TrackHeadroom()
					all.TrackHeadroom()
				}
			}
			for k := range one.env.Rules {
				h, hAt, ok := one.LeastHeadroom(k)
				if g, gAt, gok := all.LeastHeadroom(k); math.Float64bits(h) != math.Float64bits(g) || hAt != gAt || ok != gok {
					t.Fatalf("%s: rule %d: least headroom %v at %v, and %v at %v the short way", where, k, h, hAt, g, gAt)
				}
			}
		}
	}
	if quiet < 20_000 || effects < 15_000 {
		t.Errorf("of %d values only %d were quiet, and %d effects came: little was tried", values, quiet, effects)
	}
}
