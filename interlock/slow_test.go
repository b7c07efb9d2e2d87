package interlock

import (
	"math/rand/v2"
	"testing"
	"time"

	"downhaul/interlock/day/derived"
	"downhaul/rules"
)

// toldSign is one value of a sign as it was told.
type toldSign struct {
	at time.Duration
	v  float64
	ok bool // not missing
}

// However old a sign may be on its link, a phase is never left on less than it is
// elsewhere: every sign was told anew in the span before, and none spoke against it; and
// whatever was told against it since has ended it at once, or the word is too old.
// Random links, random words, from no source; the sentences are promise 13's.
func TestPromise13_LongerSilencesLeaveNoPhaseSooner(t *testing.T) {
	left, entered := 0, 0
	for seed := range uint64(60) {
		r := rand.New(rand.NewPCG(seed, 13))
		between := func(low, high float64) time.Duration {
			return time.Duration((low + (high-low)*r.Float64()) * float64(time.Second)).Round(time.Millisecond)
		}
		every := map[rules.ChannelID]time.Duration{ // in the order in which they stand
			rules.CraftArmed: between(0.8, 1.6), rules.CraftLanded: between(1.1, 2), rules.HeightGlobal: between(0.1, 0.4), rules.Motor1Output: between(0.2, 2),
		}
		slow := map[rules.ChannelID]time.Duration{}
		for id, d := range every {
			if old := 5 * d / 2; old > id.Stale() {
				slow[id] = old
			}
		}
		g := newRig(t, "version = 1\ntitle = \"t\"\n[[rule]]\nname = \"x\"\nwatch = \"craft.height\"\nabove = \"50 m\"\nstop = \"none\"\n", func(s *Site) {
			derive(s, func(c *derived.Config) { c.Slow = slow })
		})
		e, history := g.e, map[rules.ChannelID][]toldSign{}
		armed, airborne := e.armed, e.airborne
		next, at := map[rules.ChannelID]time.Duration{}, time.Duration(0)
		value := map[rules.ChannelID]float64{rules.CraftLanded: 1}
		look := func() {
			judge := func(id rules.ChannelID, against func(float64) bool, what string) {
				anew := false
				for _, h := range history[id] {
					if h.at <= e.now-e.agreement {
						continue
					}
					anew = true
					if h.ok && against(h.v) {
						t.Fatalf("seed %d, %v: %s, and %v was %v at %v", seed, e.now, what, id, h.v, h.at)
					}
				}
				if !anew {
					t.Fatalf("seed %d, %v: %s, and %v was not told for %v", seed, e.now, what, id, e.agreement)
				}
			}
			body := func(what string) {
				judge(rules.Height, func(v float64) bool { return v >= e.site.LowHeight }, what)
				judge(rules.MotorHighest, func(v float64) bool { return v > e.site.IdleOutput }, what)
			}
			if armed && !e.armed {
				left++
				judge(rules.CraftArmed, func(v float64) bool { return v != 0 }, "disarmed")
				body("disarmed")
			}
			if airborne && !e.airborne {
				left++
				if e.flag(rules.CraftLanded, e.now) > 0 {
					judge(rules.CraftLanded, func(v float64) bool { return v == 0 }, "landed")
				}
				body("landed")
			}
			if !armed && e.armed || !airborne && e.airborne {
				entered++
			}
			armed, airborne = e.armed, e.airborne
			out, height := e.limits.Reading(rules.MotorHighest), e.limits.Reading(rules.Height)
			if word := e.limits.Reading(rules.CraftArmed); !e.armed && (word.Value != 0 || e.now-word.At > e.limits.Stale(rules.CraftArmed) || out.Value > e.site.IdleOutput) {
				t.Fatalf("seed %d, %v: disarmed by %+v, outputs %+v", seed, e.now, word, out)
			}
			if word := e.limits.Reading(rules.CraftLanded); !e.airborne && (e.flag(rules.CraftLanded, e.now) == 0 || e.armed && (e.flag(rules.CraftLanded, e.now) < 0 || height.Value >= e.site.LowHeight)) {
				t.Fatalf("seed %d, %v: landed by %+v, height %+v", seed, e.now, word, height)
			}
		}
		for at < 3*time.Minute {
			at += 10 * time.Millisecond
			if r.IntN(300) == 0 { // the craft does something else, its height within what a check of steps bears
				value[rules.CraftArmed] = float64(r.IntN(2))
				value[rules.CraftLanded] = float64(r.IntN(4) / 1 % 2)
				value[rules.Motor1Output] = [...]float64{0, 0.1, 0.3}[r.IntN(3)]
				value[rules.HeightGlobal] = [...]float64{0, 0.5, 0.9, 1.3}[r.IntN(4)]
			}
			if r.IntN(600) == 0 { // and is on the ground, for once long enough
				value = map[rules.ChannelID]float64{rules.CraftLanded: 1}
				next[rules.CraftLanded] += between(0, 1)
			}
			g.now = at
			g.apply(e.Advance(at)) // what is due by now was due before what comes now
			look()
			g.step(Input{Kind: FrameInput})
			g.step(Input{Kind: SampleInput, Sample: Sample{Channel: rules.ClimbGlobal, Quality: rules.Good}})
			for _, id := range []rules.ChannelID{rules.CraftArmed, rules.CraftLanded, rules.HeightGlobal, rules.Motor1Output} {
				if at < next[id] {
					continue
				}
				next[id] = at + every[id]
				if r.IntN(8) == 0 {
					continue // lost on the way
				}
				sign := map[rules.ChannelID]rules.ChannelID{rules.HeightGlobal: rules.Height, rules.Motor1Output: rules.MotorHighest}[id]
				if sign == rules.NoChannel {
					sign = id
				}
				was := e.limits.Reading(sign)
				// What the guard makes of it is noted before the phase is looked at.
				g.seen = func([]Effect) {
					if now := e.limits.Reading(sign); now != was || now.At == at {
						if h := history[sign]; len(h) == 0 || h[len(h)-1].at != at {
							history[sign] = append(h, toldSign{at, now.Value, now.Quality != rules.Missing})
						}
					}
					look()
				}
				g.step(Input{Kind: SampleInput, Sample: Sample{Channel: id, Value: value[id], Quality: rules.Good}})
				g.seen = nil
			}
			g.over()
			look()
		}
	}
	if left < 200 || entered < 200 {
		t.Errorf("phases were left %d times and entered %d times: too seldom to tell anything", left, entered)
	}
}
