package limits

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"downhaul/rules"
)

// plain derives nothing.
type plain struct{}

func (plain) Needs(id rules.ChannelID) []rules.ChannelID { return []rules.ChannelID{id} }
func (plain) Helps(rules.ChannelID) []rules.ChannelID    { return nil }
func (plain) Stale(id rules.ChannelID) time.Duration     { return id.Stale() }
func (plain) Calculators(*rules.Envelope, func(rules.ChannelID) bool) ([]Calculator, error) {
	return nil, nil
}

// notes is what came up, in order.
type notes struct {
	listener
	l         *Limits
	told      []string
	next      time.Duration // may be early, never late: as the engine keeps it
	unsettled bool
}

func (n *notes) Wake(due time.Duration) { n.next = min(n.next, due) }
func (n *notes) Unsettled()             { n.unsettled = true }

func (n *notes) Asked(at time.Duration, i int, why Why) {
	n.told = append(n.told, asks(at, i, why, n.l.Rule(i).Asks[why]))
}

func (n *notes) Cautioned(at time.Duration, i int, _ Why) {
	n.told = append(n.told, cautions(at, i, n.l.Rule(i).Cautions))
}

func asks(at time.Duration, i int, why Why, on bool) string {
	return fmt.Sprintf("%v rule %d asks by %d: %v", at, i, why, on)
}

func cautions(at time.Duration, i int, on bool) string {
	return fmt.Sprintf("%v rule %d cautions: %v", at, i, on)
}

// sample is one that came.
type sample struct {
	at time.Duration
	v  float64
	q  rules.Quality
}

// history is a channel and its rules by a list of all that came: at every instant
// everything is worked out anew from the first sample on.
type history struct {
	rules   []rules.Rule
	perms   []rules.Permissive
	ready   time.Duration
	samples []sample
}

// standing is what the list says of an instant: of the samples before it, and of what
// is due by then.
type standing struct {
	asks     [][2]bool
	cautions []bool
	holds    []bool
	health   Health
	last     sample
	past     []float64
	looked   bool // at a value that is not missing
	value    float64
}

// seen returns the samples as they count: a value that stands still for too long is
// missing.
func (h *history) seen() (out []sample) {
	most := 0
	for _, r := range h.rules {
		if r.FrozenAfter > 0 && (most == 0 || r.FrozenAfter < most) {
			most = r.FrozenAfter
		}
	}
	var good []float64
	for _, s := range h.samples {
		if s.q == rules.Good {
			good = append(good, s.v)
			if most > 0 && len(good) >= most && !slices.ContainsFunc(good[len(good)-most:], func(v float64) bool { return v != s.v }) {
				s.q = rules.Missing
			}
		}
		if s.q == rules.Missing {
			s.v = 0
		}
		out = append(out, s)
	}
	return out
}

// at returns how everything stands at an instant, after the samples so far and what is
// due by then.
func (h *history) at(now time.Duration, all []sample) (st standing) {
	const never = rules.Never
	good, since := never, never
	shortest := never
	for _, r := range h.rules {
		shortest = min(shortest, r.StaleAfter)
	}
	for _, p := range h.perms {
		shortest = min(shortest, p.StaleAfter)
	}
	for _, s := range all {
		st.last = s
		if s.q != rules.Missing {
			st.looked, st.value = true, s.v
		}
		if s.q != rules.Good {
			continue
		}
		if good == never || s.at >= good+shortest {
			since = s.at
		}
		good = s.at
	}
	heard := good != never
	fresh := heard && now < good+shortest
	st.health = Health{Heard: heard, Since: never}
	if heard {
		st.health.Good = good
	}
	if fresh {
		st.health.Since, st.health.Healthy = since, now >= since+h.ready
	}
	for _, r := range h.rules {
		beyond, caution, missing := never, false, false
		past := 0.0
		asked := false
		last, eased := never, never // good; since when it is back from its caution
		cautious := r.WhenMissing == rules.MissingCautions || r.MissingStop == rules.NoStop
		lapse := func(at time.Duration) { // what silence does up to at
			asked = asked || beyond != never && at >= beyond+r.Lasting
			if last != never && at >= last+r.StaleAfter {
				missing, eased = true, never
				caution = caution || cautious
			}
		}
		for _, s := range all {
			lapse(s.at)
			if s.q == rules.Missing {
				continue
			}
			if s.q == rules.Good {
				last, missing = s.at, false
			}
			switch side := r.Side(s.v); {
			case side == rules.Beyond:
				past = s.v
				if beyond == never {
					beyond = s.at
				}
				asked = asked || r.Lasting == 0
			case side != rules.InDeadband && s.q == rules.Good:
				beyond, asked = never, false
			}
			switch side := r.Side(s.v); {
			case !caution:
				caution, eased = side != rules.Inside && (r.HasCaution || r.Stop == rules.NoStop && side == rules.Beyond), never
			case s.q != rules.Good || r.Side(s.v+r.Deadband) != rules.Inside || r.Side(s.v-r.Deadband) != rules.Inside || missing && r.WhenMissing == rules.MissingCautions:
				eased = never
			case eased == never:
				eased = s.at
			case s.at >= eased+2*time.Second:
				caution = false
			}
		}
		lapse(now)
		st.asks, st.cautions = append(st.asks, [2]bool{asked, missing}), append(st.cautions, caution)
		st.past = append(st.past, past)
	}
	for _, p := range h.perms {
		holds, last := false, never
		for _, s := range all {
			if last != never && s.at >= last+p.StaleAfter {
				holds = false
			}
			if s.q == rules.Good {
				last = s.at
			}
			if s.q != rules.Missing {
				holds = s.q == rules.Good && p.Holds(s.v)
			}
		}
		st.holds = append(st.holds, holds && now < last+p.StaleAfter)
	}
	return st
}

// moves returns what has to come up between two instants, in the order of its words. A
// rule that only cautions of a missing channel demands nothing then.
func (h *history) moves(at time.Duration, from, to standing) (out []string) {
	for i, r := range h.rules {
		for why, on := range to.asks[i] {
			if on != from.asks[i][why] && !(Why(why) == ByMissing && on && (r.WhenMissing == rules.MissingCautions || r.MissingStop == rules.NoStop)) {
				out = append(out, asks(at, i, Why(why), on))
			}
		}
		if on := to.cautions[i]; on != from.cautions[i] {
			out = append(out, cautions(at, i, on))
		}
	}
	slices.Sort(out)
	return out
}

func (h *history) compare(t *rapid.T, l *Limits, now time.Duration, all []sample) {
	want := h.at(now, all)
	for i := range h.rules {
		got := l.Rule(i)
		if got.Asks != want.asks[i] || got.Cautions != want.cautions[i] || got.Past != want.past[i] || got.Seen != want.looked || got.Value != want.value {
			t.Fatalf("at %v rule %+v asks %v, cautions %v, past %v; want %v, %v, %v after %v", now, h.rules[i], got.Asks, got.Cautions, got.Past, want.asks[i], want.cautions[i], want.past[i], all)
		}
	}
	if !slices.Equal(l.Holds(), want.holds) {
		t.Fatalf("at %v permissives %+v hold: %v, want %v after %v", now, h.perms, l.Holds(), want.holds, all)
	}
	if got := l.Health(rules.Tension); got != want.health {
		t.Fatalf("at %v the channel stands as %+v, want %+v after %v", now, got, want.health, all)
	}
	if got := l.Reading(rules.Tension); len(all) > 0 && (got.At != want.last.at || got.Value != want.last.v || got.Quality != want.last.q) {
		t.Fatalf("at %v the last is %+v, want %+v", now, got, want.last)
	}
}

// astray feeds a second one what the first does not get: none of it may show there.
func astray(l *Limits, now time.Duration, v float64) {
	l.above.(*notes).l = l
	for k, q := range []rules.Quality{rules.Good, rules.Good, rules.Missing} {
		now += time.Duration(k) * 7 * time.Millisecond
		for l.Due() <= now {
			l.Fire(l.Due())
		}
		l.Take(now, rules.Tension, Result{Value: 10 - v + float64(k), Quality: q})
	}
}

// Rules, permissives and the freshness of a channel are, at every instant, what the
// list of all that came says; and each demand comes up at its very instant.
func TestEveryInstantIsWhatTheHistorySays(t *testing.T) {
	const tick = 100 * time.Millisecond // so that a caution can end
	rapid.Check(t, func(t *rapid.T) {
		pick := func(name string, of ...time.Duration) time.Duration {
			return rapid.SampledFrom(of).Draw(t, name) * tick
		}
		h := &history{ready: pick("ready", 3, 5, 40)}
		for range rapid.IntRange(0, 3).Draw(t, "rules") {
			r := rules.Rule{
				Watch: rules.Tension, Form: rapid.SampledFrom([]rules.Form{rules.Above, rules.Below, rules.Outside, rules.IsNot}).Draw(t, "form"), Limit: 2, LimitHigh: 8,
				HasCaution: rapid.Bool().Draw(t, "caution"), Lasting: pick("lasting", 0, 1, 7), StaleAfter: pick("stale", 5, 9, 20),
				FrozenAfter: rapid.SampledFrom([]int{0, 0, 2, 3}).Draw(t, "frozen"),
				Stop:        rapid.SampledFrom([]rules.Stop{rules.Immediate, rules.Controlled, rules.NoStop}).Draw(t, "stop"),
				WhenMissing: rapid.SampledFrom([]rules.WhenMissing{rules.MissingTrips, rules.MissingCautions}).Draw(t, "when missing"),
			}
			switch r.Form {
			case rules.Above:
				r.Limit, r.Caution, r.Deadband = 6, 4, 1
			case rules.Below:
				r.Caution, r.Deadband = 4, 1
			case rules.Outside:
				r.Caution, r.CautionHigh, r.Deadband = 4, 6, 1
			case rules.IsNot:
				r.HasCaution = false
			}
			if r.MissingStop = r.Stop; r.WhenMissing == rules.MissingCautions {
				r.MissingStop = rules.NoStop
			}
			h.rules = append(h.rules, r)
		}
		for range rapid.IntRange(0, 2).Draw(t, "permissives") {
			h.perms = append(h.perms, rules.Permissive{Watch: rules.Tension, Form: rules.Below, Limit: float64(rapid.IntRange(3, 6).Draw(t, "start")), StaleAfter: pick("stale", 4, 12)})
		}
		if len(h.rules)+len(h.perms) == 0 {
			return // a channel that nothing watches has no health
		}
		up := &notes{}
		fed := [rules.ChannelCount]rules.Origin{rules.Tension: rules.OwnSensor}
		l, err := New(up, &rules.Envelope{Rules: h.rules, Permissives: h.perms}, plain{}, &fed, h.ready, nil)
		if err != nil {
			t.Fatal(err)
		}
		up.l, up.next = l, l.Due()
		now := time.Duration(0)
		before, heard := h.at(now, nil), 0
		ready := func(st standing) string { return fmt.Sprint(st.holds, st.health.Healthy) }
		settled := ready(h.at(now, nil))
		// moved looks at what has moved in one call, and that it was told there, once.
		moved := func(all []sample) {
			st := h.at(now, all)
			want, got := h.moves(now, before, st), slices.Clone(up.told[heard:])
			if slices.Sort(got); !slices.Equal(got, want) {
				t.Fatalf("at %v it told %q, want %q after %v", now, got, want, all)
			}
			before, heard = st, len(up.told)
			is := ready(st)
			if is != settled && !up.unsettled {
				t.Fatalf("at %v what a start asks for moved from %s to %s, and nobody was told", now, settled, is)
			}
			settled, up.unsettled = is, false
		}
		var twin *Limits
		var beside *notes
		twins := func(from, to int) bool { // what both tell after a call alike
			return twin == nil || slices.Equal(up.told[from:], beside.told[to:])
		}
		for range rapid.IntRange(1, 25).Draw(t, "samples") {
			next := now + rapid.SampledFrom([]time.Duration{0, 1, 1, 2, 4, 5, 7, 9, 12, 20, 41}).Draw(t, "step")*tick
			seen := h.seen()
			for up.next <= next {
				due := l.Due()
				if due < now || due < up.next {
					t.Fatalf("at %v it is due %v, and was to be woken at %v", now, due, up.next)
				}
				if up.next = due; due > next {
					break
				}
				if due > now {
					h.compare(t, l, due-1, seen) // nothing was due before
				}
				from := len(up.told)
				l.Fire(due)
				if twin != nil {
					to := len(beside.told)
					if twin.Due() != due {
						t.Fatalf("at %v the twin is due %v", due, twin.Due())
					}
					if twin.Fire(due); !twins(from, to) {
						t.Fatalf("at %v one tells %v, its twin %v", due, up.told[from:], beside.told[to:])
					}
				}
				up.next = l.Due()
				now = due
				h.compare(t, l, now, seen)
				moved(seen)
			}
			now = next
			h.compare(t, l, now, seen)
			s := sample{now, float64(rapid.IntRange(0, 10).Draw(t, "value")), rapid.SampledFrom([]rules.Quality{rules.Good, rules.Good, rules.Good, rules.Doubtful, rules.Missing}).Draw(t, "quality")}
			if rapid.IntRange(0, 9).Draw(t, "twin") == 0 {
				beside = &notes{}
				twin = l.Clone(beside)
				beside.l = twin
			}
			astray(l.Clone(&notes{}), now, s.v)
			from := len(up.told)
			l.Take(now, rules.Tension, Result{Value: s.v, Quality: s.q})
			h.samples = append(h.samples, s)
			h.compare(t, l, now, h.seen())
			moved(h.seen())
			if twin != nil {
				to := len(beside.told)
				if twin.Take(now, rules.Tension, Result{Value: s.v, Quality: s.q}); !twins(from, to) {
					t.Fatalf("at %v one tells %v, its twin %v", now, up.told[from:], beside.told[to:])
				}
				h.compare(t, l, now, h.seen())
				h.compare(t, twin, now, h.seen())
			}
		}
	})
}
