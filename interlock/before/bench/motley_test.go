package bench

import (
	"fmt"
	"math/rand/v2"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/derived"
	"downhaul/interlock/day/intake"
	"downhaul/interlock/day/telemetry"
	"downhaul/rules"
)

// motleySpans are where limits are set.
var motleySpans = map[rules.ChannelID][2]float64{
	rules.Roll: {-0.6, 0.6}, rules.Pitch: {-0.6, 0.6}, rules.Tilt: {0, 0.9}, rules.RollRate: {-0.8, 0.8}, rules.HeightGlobal: {1, 5}, rules.Height: {1, 5},
	rules.ClimbGlobal: {-1, 1}, rules.LinkAge: {0, 1}, rules.LinkLoss: {0, 0.3}, rules.SupplyVoltage: {47, 49}, rules.SupplyCurrent: {0, 0.4},
	rules.Pack1Voltage: {20, 26}, rules.Pack1Current: {0, 300}, rules.Motor1Output: {0, 1}, rules.Motor1Output + 2: {-1, 1}, rules.MotorHighest: {0, 1}, rules.Motor1Speed: {0, 1.5},
	rules.ESCVoltage: {46, 48}, rules.RadioRSSI: {0, 255}, rules.Told1: {-1, 1}, rules.Vibration: {-1, 1}, rules.North: {-1, 1}, rules.Sway: {0, 2},
}

func motleyRules(rnd *rand.Rand, ids []rules.ChannelID) *rules.Envelope {
	env := &rules.Envelope{Title: "motley"}
	for i := range 1 + rnd.IntN(12) {
		id := ids[rnd.IntN(len(ids))]
		s := motleySpans[id]
		step := (s[1] - s[0]) / 8
		r := rules.Rule{Name: fmt.Sprint("r", i), Watch: id, Form: rules.Form(1 + rnd.IntN(3)), Limit: s[0] + float64(step*float64(rnd.IntN(9))), LimitHigh: s[1],
			Deadband: step / 2 * float64(rnd.IntN(2)), Lasting: time.Duration(rnd.IntN(2)*200) * time.Millisecond, StaleAfter: time.Duration(1+rnd.IntN(8)) * 400 * time.Millisecond,
			While: rules.Phase(rnd.IntN(3)), WhenMissing: rules.WhenMissing(rnd.IntN(2)), Stop: rules.Immediate, MissingStop: rules.Immediate}
		if rnd.IntN(3) == 0 && id != rules.LinkAge && id != rules.LinkLoss {
			r.FrozenAfter = 2 + rnd.IntN(5)
		}
		if rnd.IntN(2) == 0 {
			r.HasCaution, r.Caution, r.CautionHigh = true, r.Limit+step, r.LimitHigh-step
			if r.Form == rules.Above {
				r.Caution = r.Limit - step
			}
		}
		env.Rules = append(env.Rules, r)
	}
	return env
}

// motleySetup is a pad on which everything may be told.
func motleySetup(rnd *rand.Rand) Setup {
	site := interlock.DefaultSite()
	site.Duty = interlock.Watch
	for id := range site.Fed {
		if id := rules.ChannelID(id); id > 0 && !id.Channel().Derived {
			site.Fed[id] = rules.CraftSays
		}
	}
	site.Derived = derived.Config{HeightSources: []rules.ChannelID{rules.HeightGlobal}, MaxAcceleration: 5, Reaction: 300 * time.Millisecond, Motors: 3, Cells: 6}
	cfg := intake.Config{Craft: intake.Craft{System: 1, Component: 1}, Links: []intake.LinkConfig{{Stream: rnd.IntN(2) == 0}}}
	cfg.Fields.Motors, cfg.Fields.SupplyIsPack = rnd.IntN(13), rnd.IntN(2) == 0
	cfg.Fields.Named = []telemetry.Named{{Name: "told", Channel: rules.Told1, Scale: 1}}
	return Setup{Site: site, Intake: cfg}
}

// motleyChannels are the channels with spans, in the order of their numbers.
func motleyChannels() (ids []rules.ChannelID) {
	for id := rules.ChannelID(1); id < rules.ChannelCount; id++ {
		if _, ok := motleySpans[id]; ok {
			ids = append(ids, id)
		}
	}
	return ids
}
