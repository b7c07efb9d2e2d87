package interlock

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"downhaul/rules"
)

const pullRule = "version = 1\ntitle = \"t\"\n[[rule]]\nname = \"pull\"\nwatch = \"tether.tension\"\nabove = \"1800 N\"\ncaution = \"1400 N\"\ndeadband = \"100 N\"\nstale_after = \"200 ms\"\nfrozen_after = 0\nstop = \"immediate\"\n"

// cautionsOf are the cautions of an answer, with their instants.
func cautionsOf(effects []Effect) (out []string) {
	for _, f := range effects {
		if f.Kind == CautionEffect {
			out = append(out, fmt.Sprintf("%v %v", f.At, f.On))
		}
	}
	return out
}

// A snatch that is over in 40 ms sounds in the very call and is on record; its caution ends
// 2 s after it is back, and once.
//
//fault:row the rope snatches to 95 % of its limit for 40 ms | the caution comes in the very call and ends 2 s after the pull is back; no stop
//fault:row a value hangs at its caution and goes in and out of it | one caution, until it has stayed back by the deadband for 2 s
func TestCautionComesAtOnceAndEndsOnce(t *testing.T) {
	for _, c := range []struct {
		name string
		pull func(at time.Duration) float64
		want []string
	}{
		{"a snatch", func(at time.Duration) float64 {
			if at >= time.Second && at < 1040*time.Millisecond {
				return 0.95 * 1800
			}
			return 300
		}, []string{"1s true", "3.04s false"}},
		{"it hangs there", func(at time.Duration) float64 {
			if at >= time.Second && at < 5*time.Second && at/(500*time.Millisecond)%2 == 0 {
				return 1401
			}
			return 1299
		}, []string{"1s true", "6.5s false"}},
		{"back, but not by the deadband", func(at time.Duration) float64 {
			if at >= time.Second && at < 2*time.Second {
				return 1401
			}
			return 1301
		}, []string{"1s true"}},
	} {
		r := newRig(t, pullRule, watchDuty)
		var got []string
		for at := time.Duration(0); at < 10*time.Second; at += 10 * time.Millisecond {
			got = append(got, cautionsOf(r.e.Step(at, &Input{Kind: SampleInput, Sample: Sample{Channel: rules.Tension, Value: c.pull(at), Quality: rules.Good}}))...)
		}
		if !slices.Equal(got, c.want) {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
}

// A caution comes with the first value past it, good or doubtful. It ends with the first good
// value that stands 2 s or more behind another, both of the caution and back by the deadband,
// where every value between them was so and none was missing for as long as the rule bears:
// held against the whole history.
func TestCautionsAgainstTheWholeHistory(t *testing.T) {
	ended := 0
	rapid.Check(t, func(rt *rapid.T) {
		r := newRig(t, pullRule, watchDuty)
		var history []heard
		var got []string
		at := time.Duration(0)
		for range rapid.IntRange(60, 150).Draw(rt, "samples") {
			at += time.Duration(rapid.SampledFrom([]int{2, 40, 99, 150, 190, 190, 190, 190, 200, 230}).Draw(rt, "gap")) * time.Millisecond
			h := heard{at: at, q: rules.Good}
			switch n := rapid.IntRange(0, 40).Draw(rt, "value"); n {
			case 37, 38, 39, 40:
				h.v = []float64{1301, 1400, 1401, 1900}[n-37]
			default:
				h.v = float64(1300 - 10*n)
			}
			if n := rapid.IntRange(0, 39).Draw(rt, "quality"); n > 36 {
				h.q = []rules.Quality{rules.Doubtful, rules.Missing, rules.Missing}[n-37]
			}
			history = append(history, h)
			got = append(got, cautionsOf(r.e.Step(at, &Input{Kind: SampleInput, Sample: Sample{Channel: rules.Tension, Value: h.v, Quality: h.q}}))...)
		}
		var want []string
		on, since := false, 0
		for i, h := range history {
			switch {
			case h.q == rules.Missing:
			case !on && h.v > 1400:
				on, since = true, i
				want = append(want, fmt.Sprintf("%v true", h.at))
			case on && endsAt(history[since+1:i+1]):
				on = false
				want = append(want, fmt.Sprintf("%v false", h.at))
				ended++
			}
		}
		if !slices.Equal(got, want) {
			rt.Fatalf("history %v\ngot  %v\nwant %v", history, got, want)
		}
	})
	if ended == 0 && !testing.Short() {
		t.Error("no caution ended: nothing was compared")
	}
}

// endsAt reports whether a caution that began before these ends with the last of them.
func endsAt(behind []heard) bool {
	last := behind[len(behind)-1]
	later := last.at
	for _, h := range slices.Backward(behind) {
		if h.q == rules.Missing {
			continue
		}
		if h.q != rules.Good || h.v > 1300 || later-h.at >= 200*time.Millisecond {
			return false
		}
		if later = h.at; last.at-h.at >= 2*time.Second {
			return true
		}
	}
	return false
}
