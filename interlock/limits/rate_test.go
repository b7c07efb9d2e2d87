package limits

import (
	"testing"
	"time"

	"downhaul/rules"
)

// A rule on a rate hears values and gets no rate from them: after its span and its
// staleness it is missing, until a rate comes. Doubtful values count against it and
// make no rate for later.
func TestRateThatNeverComes(t *testing.T) {
	const ms = time.Millisecond
	rule := rules.Rule{Watch: rules.SupplyVoltage, Form: rules.RisingFaster, Limit: 2, Over: 1000 * ms, Stop: rules.Immediate, MissingStop: rules.Immediate, StaleAfter: 1500 * ms}
	gap := rateGap(&rule)
	if gap != min(1500*ms, max(1000*ms, rules.SupplyVoltage.Stale())) {
		t.Errorf("values may be %v apart", gap)
	}
	l, up := flat(t, rules.Envelope{Rules: []rules.Rule{rule}}, rules.SupplyVoltage)
	take := func(at time.Duration, r Result) { l.Take(at, rules.SupplyVoltage, r) }
	for at := time.Duration(0); at <= 2500*ms; at += 500 * ms { // a missing one between any two
		if at == 2500*ms {
			up.wants(t, "just before its time")
		}
		take(at, good(5))
		if at < 2500*ms {
			take(at+250*ms, Result{Cause: rules.Sentinel})
		}
	}
	up.wants(t, "2.5 s without a rate", asks(2500*ms, 0, ByMissing, true))
	for at := 2600 * ms; at < 3500*ms; at += 100 * ms {
		take(at, good(5))
	}
	up.wants(t, "values, but no rate yet")
	take(3500*ms, good(5))
	up.wants(t, "a rate", asks(3500*ms, 0, ByMissing, false))
	take(3600*ms, good(7.1))
	up.wants(t, "2.1 V in a second", asks(3600*ms, 0, ByValue, true))
	take(3700*ms, good(5))
	up.wants(t, "steady again", asks(3700*ms, 0, ByValue, false))
	take(3800*ms, doubted(9, rules.Disagreement))
	up.wants(t, "in doubt it counts against the limit", asks(3800*ms, 0, ByValue, true))
	if r := l.Rule(0); r.Value != 4 || r.Past != 4 || !r.Seen {
		t.Errorf("%+v", r)
	}
	take(3900*ms, good(5))
	up.wants(t, "and leaves nothing behind", asks(3900*ms, 0, ByValue, false))
	take(3900*ms+gap, good(50)) // just near enough for a rate
	up.wants(t, "over the widest gap", asks(3900*ms+gap, 0, ByValue, true))
	take(3900*ms+2*gap+1, good(140)) // too far apart: no rate, and nothing is judged
	if r := l.Rule(0); r.Value != 45/gap.Seconds() {
		t.Errorf("a rate across more than %v: %+v", gap, r)
	}
}

// Rates that came once count as heard: after a break a rule on them has its whole time
// again, wherever the session's clock stands. A plain rule on the same channel is over
// its silence with the first value, the rate's with the first rate.
func TestRateAfterABreak(t *testing.T) {
	const ms = time.Millisecond
	rate := rules.Rule{Watch: rules.WindSpeed, Form: rules.RisingFaster, Limit: 20, Over: 1000 * ms, Stop: rules.Immediate, MissingStop: rules.Immediate, StaleAfter: 1500 * ms}
	plain := rate
	plain.Form, plain.Over = rules.Above, 0
	l, up := flat(t, rules.Envelope{Rules: []rules.Rule{rate, plain}}, rules.WindSpeed)
	take := func(at time.Duration, r Result) { l.Take(at, rules.WindSpeed, r) }
	at := 10_000 * ms
	for ; at <= 20_000*ms; at += 100 * ms {
		take(at, good(5))
		if at == 15_000*ms {
			c := l.Clone(&phased{})
			c.above.(*phased).l = c
			c.Take(at, rules.WindSpeed, Result{Cause: rules.Sentinel}) // of a second one
		}
	}
	take(20_050*ms, Result{Cause: rules.Sentinel})
	for ; at < 21_000*ms; at += 100 * ms {
		take(at, good(5))
	}
	up.wants(t, "a second without a rate, after ten with one")
	take(at, good(5))
	l.Fire(at + 1500*ms)
	up.wants(t, "silent", asks(at+1500*ms, 0, ByMissing, true), asks(at+1500*ms, 1, ByMissing, true))
	at += 2000 * ms
	take(at, good(5))
	up.wants(t, "one value", asks(at, 1, ByMissing, false))
	if take(at+100*ms, doubted(0, rules.MayBeCut)); l.Health(rules.WindSpeed).Good != at {
		t.Error("a calm or a cut wire is borne, and a rule on the channel is missing")
	}
	up.told = nil
	for k := range 30 {
		take(at+time.Duration(k+1)*100*ms, good(5))
	}
	up.wants(t, "one rate, and 2 s of values and of rates", asks(at+1000*ms, 0, ByMissing, false), cautions(at+2100*ms, 1, false), cautions(at+3000*ms, 0, false))
}
