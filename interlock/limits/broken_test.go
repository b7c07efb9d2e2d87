package limits

import (
	"math"
	"testing"
	"time"

	"downhaul/rules"
)

// listener takes what the limits find.
type listener struct {
	asked []Why
	broke []any
	at    time.Duration
}

func (*listener) InForce(rules.Phase) bool                    { return true }
func (h *listener) Asked(_ time.Duration, _ int, why Why)     { h.asked = append(h.asked, why) }
func (*listener) Cautioned(time.Duration, int, Why)           {}
func (*listener) Read(time.Duration, rules.ChannelID, Result) {}
func (*listener) Wake(time.Duration)                          {}
func (*listener) Unsettled()                                  {}
func (h *listener) Broke(at time.Duration, p any)             { h.broke, h.at = append(h.broke, p), at }

// wild is a calculator that is wrong.
type wild struct {
	Calculator
	say func() (Result, bool)
	due func() time.Duration
}

func (w *wild) Sample(time.Duration, *Table) (Result, bool) { return w.say() }
func (w *wild) Tick(time.Duration, *Table) (Result, bool)   { return w.say() }
func (w *wild) Due() time.Duration                          { return w.due() }
func (w *wild) React(time.Duration, time.Duration)          { w.say() }

// tilting derives the tilt and nothing else, by a calculator that is yet to be put in.
type tilting struct{}

func (tilting) Needs(id rules.ChannelID) []rules.ChannelID {
	if id == rules.Tilt {
		return []rules.ChannelID{rules.Roll, rules.Pitch}
	}
	return []rules.ChannelID{id}
}
func (tilting) Helps(rules.ChannelID) []rules.ChannelID { return nil }
func (tilting) Stale(id rules.ChannelID) time.Duration  { return id.Stale() }
func (tilting) Calculators(*rules.Envelope, func(rules.ChannelID) bool) ([]Calculator, error) {
	return []Calculator{&wild{due: never}}, nil
}

func (w *wild) Trigger() rules.ChannelID { return rules.Pitch }
func (w *wild) Output() rules.ChannelID  { return rules.Tilt }

func never() time.Duration { return rules.Never }

// tilted has a rule on the tilt, which say works out in place of the true calculator.
func tilted(t *testing.T, say func() (Result, bool), due func() time.Duration) (*Limits, *listener) {
	t.Helper()
	h := &listener{}
	env := &rules.Envelope{Rules: []rules.Rule{{Name: "tilt", Watch: rules.Tilt, Form: rules.Above, Limit: 0.6, Stop: rules.Immediate, MissingStop: rules.Immediate, StaleAfter: rules.Tilt.Stale()}}}
	fed := [rules.ChannelCount]rules.Origin{rules.Roll: rules.CraftSays, rules.Pitch: rules.CraftSays}
	l, err := New(h, env, tilting{}, &fed, time.Second, nil)
	if err != nil {
		t.Fatal(err)
	}
	if len(l.calcs) != 1 {
		t.Fatalf("%d calculators, want the tilt's", len(l.calcs))
	}
	l.calcs[0] = &wild{l.calcs[0], say, due}
	return l, h
}

// A value that is none, of whatever quality it is said to be, is missing: it clears
// nothing and keeps nothing fresh.
func TestPromise03_WhatIsSaidToBeGoodIsLookedAt(t *testing.T) {
	for id := rules.ChannelID(1); id < rules.ChannelCount; id++ {
		well := max(id.Channel().Low, 0)
		for _, s := range []Result{
			{Value: math.NaN(), Quality: rules.Good}, {Value: math.Inf(1), Quality: rules.Good}, {Value: math.Inf(-1), Quality: rules.Doubtful},
			{Value: math.MaxFloat64, Quality: rules.Good}, {Value: -math.MaxFloat64, Quality: rules.Doubtful},
			{Value: well, Quality: 3}, {Value: well, Quality: 255}, {Value: well, Quality: rules.Missing},
		} {
			l, _ := tilted(t, func() (Result, bool) { return Result{}, false }, never)
			l.Take(0, id, Result{Value: well, Quality: rules.Good})
			l.Take(time.Millisecond, id, s)
			if r := l.table[id]; r.Quality != rules.Missing || r.Value != 0 || l.channels[id].Good != 0 {
				t.Errorf("%v: %+v stands as %+v, last good at %v", id, s, r, l.channels[id].Good)
			}
		}
	}
}

// What a calculator says is held to the range of its channel like a sensor's word, and
// the rule goes missing in its own time.
func TestPromise03_AWrongCalculatorFeedsNothing(t *testing.T) {
	for _, v := range []float64{math.NaN(), math.Inf(1), -1, math.MaxFloat64} {
		say := Result{Quality: rules.Good}
		l, h := tilted(t, func() (Result, bool) { return say, true }, never)
		l.Take(0, rules.Roll, Result{Quality: rules.Good})
		l.Take(0, rules.Pitch, Result{Quality: rules.Good})
		say.Value = v
		for at := time.Duration(0); at <= rules.Tilt.Stale(); at += 10 * time.Millisecond {
			l.Take(at, rules.Roll, Result{Quality: rules.Good})
			l.Take(at, rules.Pitch, Result{Quality: rules.Good})
			l.Fire(at)
		}
		if len(h.asked) != 1 || h.asked[0] != ByMissing || l.Reading(rules.Tilt).Quality != rules.Missing {
			t.Errorf("%v: asked %v, it stands as %+v", v, h.asked, l.Reading(rules.Tilt))
		}
	}
}

// A calculator that panics, whatever it was asked, is told of in that very call, has
// said nothing, and is the last that was asked of any.
func TestPromise01_APanicOfACalculatorIsCaught(t *testing.T) {
	for what, ask := range map[string]func(l *Limits){
		"a sample":   func(l *Limits) { l.calculate(time.Second, &l.channels[l.calcs[0].Trigger()]) },
		"a deadline": func(l *Limits) { l.calcDue[0] = time.Second; l.Fire(time.Second) },
		"a reaction": func(l *Limits) { l.Expect(time.Second, time.Millisecond) },
	} {
		for _, late := range []bool{false, true} { // in its work, or when it is asked for its deadline
			asked, bad := 0, false
			say := func() (Result, bool) {
				if asked++; bad && !late {
					panic("seeded")
				}
				return Result{Quality: rules.Good}, true
			}
			l, h := tilted(t, say, func() time.Duration {
				if bad {
					panic("seeded")
				}
				return rules.Never
			})
			bad = true
			ask(l)
			if len(h.broke) != 1 || h.broke[0] != "seeded" || h.at != time.Second || !l.Broken() || l.channels[rules.Tilt].Heard {
				t.Errorf("%s, %v: told %v at %v", what, late, h.broke, h.at)
			}
			before := asked
			ask(l)
			l.Take(2*time.Second, rules.Roll, Result{Quality: rules.Good})
			l.Fire(3 * time.Second)
			l.Expect(3*time.Second, 0)
			if asked != before || len(h.broke) != 1 || l.Due() < 3*time.Second {
				t.Errorf("%s, %v: asked %d times more, next at %v", what, late, asked-before, l.Due())
			}
		}
	}
}
