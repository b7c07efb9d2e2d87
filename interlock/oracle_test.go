package interlock

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"downhaul/rules"
)

// heard is one sample of the oracle's history.
type heard struct {
	at time.Duration
	v  float64
	q  rules.Quality
}

// oracleRule is a rule in the oracle's own words: is the value past the limit,
// and is it back.
type oracleRule struct {
	text    string
	channel rules.ChannelID
	past    func(v float64) bool
	back    func(v float64) bool
	rate    time.Duration // over, 0 for the value itself
	lasting time.Duration
	stale   time.Duration
	low     float64
	high    float64
}

// forms draws a rule of any form with its meaning written out by hand. The
// numbers are whole, so that nothing rounds.
func drawOracleRule(rt *rapid.T) oracleRule {
	limit := float64(rapid.IntRange(-20, 20).Draw(rt, "limit"))
	width := float64(rapid.IntRange(1, 10).Draw(rt, "width"))
	band := float64(rapid.IntRange(0, 5).Draw(rt, "deadband"))
	o := oracleRule{
		channel: rules.Tension, low: -30, high: 30,
		lasting: time.Duration(rapid.SampledFrom([]int{0, 1, 7, 40, 100}).Draw(rt, "lasting")) * time.Millisecond,
		stale:   time.Duration(rapid.SampledFrom([]int{13, 50, 200}).Draw(rt, "stale")) * time.Millisecond,
	}
	form := ""
	switch rapid.SampledFrom([]string{"above", "below", "outside", "is", "is_not", "rising", "falling"}).Draw(rt, "form") {
	case "above":
		form = fmt.Sprintf("above = \"%g N\"\ndeadband = \"%g N\"", limit, band)
		o.past, o.back = func(v float64) bool { return v > limit }, func(v float64) bool { return v <= limit-band }
	case "below":
		form = fmt.Sprintf("below = \"%g N\"\ndeadband = \"%g N\"", limit, band)
		o.past, o.back = func(v float64) bool { return v < limit }, func(v float64) bool { return v >= limit+band }
	case "outside":
		high := limit + 2*width
		band = min(band, width-1)
		form = fmt.Sprintf("outside = [\"%g N\", \"%g N\"]\ndeadband = \"%g N\"", limit, high, band)
		o.past = func(v float64) bool { return v < limit || v > high }
		o.back = func(v float64) bool { return v >= limit+band && v <= high-band }
	case "is":
		o.channel, o.low, o.high = rules.ESCFailures, 0, 4
		limit = math.Mod(math.Abs(limit), 4)
		form = fmt.Sprintf("is = %g", limit)
		o.past, o.back = func(v float64) bool { return v == limit }, func(v float64) bool { return v != limit }
	case "is_not":
		o.channel, o.low, o.high = rules.ESCFailures, 0, 4
		limit = math.Mod(math.Abs(limit), 4)
		form = fmt.Sprintf("is_not = %g", limit)
		o.past, o.back = func(v float64) bool { return v != limit }, func(v float64) bool { return v == limit }
	case "rising":
		form = fmt.Sprintf("rising_faster = \"%g N/s\"\ndeadband = \"%g N/s\"\nover = \"100 ms\"", 20*width, band)
		o.past, o.back, o.rate = func(v float64) bool { return v > 20*width }, func(v float64) bool { return v <= 20*width-band }, 100*time.Millisecond
	case "falling":
		form = fmt.Sprintf("falling_faster = \"%g N/s\"\ndeadband = \"%g N/s\"\nover = \"100 ms\"", 20*width, band)
		o.past, o.back, o.rate = func(v float64) bool { return -v > 20*width }, func(v float64) bool { return -v <= 20*width-band }, 100*time.Millisecond
	}
	if o.channel == rules.ESCFailures {
		o.stale += time.Second // its period is 1 s
	}
	o.text = fmt.Sprintf("version = 1\ntitle = \"t\"\n[[rule]]\nname = \"r\"\nwatch = \"%v\"\n%s\nlasting = \"%d ms\"\nstale_after = \"%d ms\"\nfrozen_after = 0\nstop = \"immediate\"\n",
		o.channel, form, o.lasting.Milliseconds(), o.stale.Milliseconds())
	return o
}

// expect says, from the whole history and the definitions alone, when the
// rule's two demands come and go until end.
func (o *oracleRule) expect(history []heard, end time.Duration) []string {
	var out []string
	say := func(at time.Duration, what string) {
		if at <= end {
			out = append(out, fmt.Sprintf("%012d %s", at, what))
		}
	}
	// What the rule looks at: the values, or the rate against the newest one
	// that is old enough.
	// A rate does not reach across what is missing, nor across a silence longer
	// than the span, the staleness and the channel's own allow, and it never
	// starts from a doubtful value.
	var looked []heard
	gap := min(o.stale, max(o.rate, o.channel.Stale()))
	for i, h := range history {
		if h.q == rules.Missing {
			continue
		}
		if o.rate == 0 {
			looked = append(looked, h)
			continue
		}
		after := h.at
		for j := i - 1; j >= 0; j-- {
			b := history[j]
			if b.q == rules.Missing || b.q == rules.Good && after-b.at > gap {
				break
			}
			if b.q != rules.Good {
				continue
			}
			if after = b.at; h.at-b.at >= o.rate {
				looked = append(looked, heard{h.at, (h.v - b.v) / (h.at - b.at).Seconds(), h.q})
				break
			}
		}
	}
	// The value's demand: from the end of the on-delay of the first one past
	// the limit to the first good one that is back.
	for i := 0; i < len(looked); i++ {
		if !o.past(looked[i].v) {
			continue
		}
		begun, over := looked[i].at, rules.Never
		for i++; i < len(looked); i++ {
			if looked[i].q == rules.Good && o.back(looked[i].v) {
				over = looked[i].at
				break
			}
		}
		if over < begun+o.lasting {
			continue
		}
		say(begun+o.lasting, "trip, past a limit")
		say(over, "clear, past a limit")
	}
	// Silence: from the staleness after a good one to the next good one.
	// What ends it is a rate, for a rule on one; that none can be had for the
	// span and the staleness is as good as silence.
	last, rated, missing := rules.Never, rules.Never, false
	lost := func(at time.Duration) {
		if !missing {
			say(at, "trip, channel missing")
		}
		missing = true
	}
	for _, h := range history {
		if h.q != rules.Good {
			continue
		}
		if last == rules.Never {
			rated = h.at
		} else if h.at >= last+o.stale {
			lost(last + o.stale)
		}
		last = h.at
		known := o.rate == 0 || slices.ContainsFunc(looked, func(l heard) bool { return l.at == h.at })
		switch {
		case known && missing:
			say(h.at, "clear, channel missing")
			missing, rated = false, h.at
		case known:
			rated = h.at
		case h.at >= rated+o.rate+o.stale:
			lost(h.at)
		}
	}
	if last != rules.Never {
		lost(last + o.stale)
	}
	slices.SortStableFunc(out, func(a, b string) int { return strings.Compare(a[:12], b[:12]) })
	return out
}

// TestAgainstTheWholeHistory holds the rules, which remember a few numbers,
// against an oracle that remembers everything.
func TestAgainstTheWholeHistory(t *testing.T) {
	told := map[string]int{}
	for range 10 { // short histories: many
		rapid.Check(t, func(rt *rapid.T) { againstHistory(rt, t, told) })
	}
	for _, what := range []string{"trip, past a limit", "clear, past a limit", "trip, channel missing", "clear, channel missing"} {
		if told[what] == 0 {
			t.Errorf("no history brought %q", what)
		}
	}
}

func againstHistory(rt *rapid.T, t *testing.T, told map[string]int) {
	o := drawOracleRule(rt)
	r := newRig(t, o.text, watchDuty)
	var history []heard
	var got []string
	take := func(effects []Effect) {
		for _, f := range effects {
			switch {
			case f.Kind == TripEffect && f.Rule == 0:
				got = append(got, fmt.Sprintf("%012d trip, %v", f.At, f.Reason))
			case f.Kind == ClearEffect && f.Rule == 0:
				got = append(got, fmt.Sprintf("%012d clear, %v", f.At, f.Reason))
			}
		}
	}
	at := time.Duration(0)
	for range rapid.IntRange(1, 80).Draw(rt, "samples") {
		// At least 2 ms: a slope of 100 ms keeps one sample in 1.6 ms.
		at += time.Duration(rapid.SampledFrom([]int{2, 3, 5, 10, 13, 40, 99, 230, 1100}).Draw(rt, "gap")) * time.Millisecond
		h := heard{at: at, v: float64(rapid.IntRange(int(o.low), int(o.high)).Draw(rt, "value")),
			q: rapid.SampledFrom([]rules.Quality{rules.Good, rules.Good, rules.Good, rules.Doubtful, rules.Missing}).Draw(rt, "quality")}
		in := Input{Kind: SampleInput, Sample: Sample{Channel: o.channel, Value: h.v, Quality: h.q}}
		if h.q == rules.Missing && rapid.Bool().Draw(rt, "as a number") {
			in.Sample.Quality, in.Sample.Value = rules.Good, rapid.SampledFrom([]float64{math.NaN(), math.Inf(1), 1e9}).Draw(rt, "bad")
		}
		history = append(history, h)
		take(r.e.Step(at, &in))
	}
	end := at + time.Duration(rapid.IntRange(0, 300).Draw(rt, "rest"))*time.Millisecond
	take(r.e.Advance(end))
	// In one instant the engine lets staleness and on-delays come in their
	// order and then the input; the oracle's order there is its own.
	slices.Sort(got)
	want := o.expect(history, end)
	slices.Sort(want)
	if !slices.Equal(got, want) {
		rt.Fatalf("%s\nhistory %v\ngot\n%s\nwant\n%s", o.text, history, strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	for _, w := range want {
		told[w[13:]]++
	}
}
