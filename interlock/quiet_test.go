package interlock

import (
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"downhaul/rules"
)

// TestQuietIsStep has a craft tell the same values again and again, and then
// freeze, leave a limit, fall silent in part or whole, start anew, and go on: by
// Step one by one, and by Alive and Quiet as far as they take it.
func TestQuietIsStep(t *testing.T) {
	met := map[string]bool{}
	quiet, values := 0, 0
	for seed := range uint64(8) {
		rnd := rand.New(rand.NewPCG(seed, 2))
		env := benchEngine(t, 10).env
		env.Rules[1].FrozenAfter = 4
		one, err := New(env, benchEngine(t, 10).site)
		if err != nil {
			t.Fatal(err)
		}
		if seed%2 == 0 {
			one.TrackHeadroom()
		}
		all := one.Clone()
		var a, b []Effect
		at, boot := time.Duration(0), time.Duration(0)
		for i := range 6000 {
			step := 20 * time.Millisecond
			what := ""
			switch rnd.IntN(200) {
			case 0:
				step, what = 20*time.Second, "silence"
			case 1:
				boot, what = 0, "restart"
			case 2:
				boot, what = max(boot-time.Second/2, 0), "overtaken"
			}
			met[what] = true
			at, boot = at+step, boot+step
			inputs := []Input{{Kind: FrameInput, Seq: uint32(i % 256)}}
			add := func(id rules.ChannelID, v float64) {
				inputs = append(inputs, Input{Kind: SampleInput, Sample: Sample{Channel: id, Quality: rules.Good, Value: v}})
			}
			add(rules.CraftBootClock, boot.Seconds())
			for k, id := range moving {
				c := id.Channel()
				v := max(c.Low, 0) + min(1, c.High/4)*float64(rnd.IntN(7))/7
				switch {
				case i/300%5 == 2 && k == 0: // one is silent, the others are not
					continue
				case i/300%5 == 3 && k == 1:
					v = max(c.Low, 0)
				case i/300%5 == 4 && k == 2 && rnd.IntN(9) == 0:
					v = c.High * 0.95
				}
				add(id, v)
			}
			for _, in := range inputs {
				a = append(a, one.Step(at, in)...)
			}
			n, some := stepFrame(all, at, inputs)
			quiet, values, b = quiet+n, values+len(inputs)-1, append(b, some...)
			if rnd.IntN(30) == 0 && (one.Deadline() != all.Deadline() || string(one.AppendState(nil)) != string(all.AppendState(nil))) {
				t.Fatalf("seed %d, step %d (%s): the images differ", seed, i, what)
			}
		}
		if x, y := told(one.env, a), told(all.env, b); x != y {
			t.Fatalf("seed %d: by Step\n%s\nby Quiet\n%s", seed, x, y)
		}
		text := told(one.env, a)
		for _, why := range []Reason{ReasonLink, ReasonRestart, ReasonRule, ReasonRuleMissing} {
			if !strings.Contains(text, `"`+why.String()+`"`) {
				t.Errorf("seed %d: nothing for the reason %q", seed, why)
			}
		}
		if !strings.Contains(text, rules.Frozen.String()) {
			t.Errorf("seed %d: nothing froze", seed)
		}
	}
	if len(met) < 4 || quiet < values/2 {
		t.Errorf("met %v; of %d values only %d were quiet", met, values, quiet)
	}
}
