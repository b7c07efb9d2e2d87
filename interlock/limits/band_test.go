package limits

import (
	"fmt"
	"math/rand/v2"
	"reflect"
	"testing"
	"time"

	"downhaul/rules"
)

// teller writes down all that goes up, and has phases that change.
type teller struct {
	listener
	l        *Limits
	said     []string
	least    [6]float64
	leastAt  [6]time.Duration
	airborne bool
}

func (h *teller) InForce(p rules.Phase) bool { return p == rules.Always || h.airborne }
func (h *teller) Asked(at time.Duration, i int, why Why) {
	h.said = append(h.said, fmt.Sprint("asked ", at, i, why, h.l.Rule(i)))
}
func (h *teller) Cautioned(at time.Duration, i int, why Why) {
	h.said = append(h.said, fmt.Sprint("cautioned ", at, i, why, h.l.Rule(i)))
}

// A channel's band changes nothing: with it shut in front of every value the same goes
// up, and every rule stands the same, and so does the least headroom of what it was shown. Values rest, creep towards
// the limits, jump, fall silent and come in doubt.
func TestBandChangesNothing(t *testing.T) {
	open := 0
	for seed := range uint64(300) {
		dice := rand.New(rand.NewPCG(seed, 4))
		env := &rules.Envelope{}
		for i := range 1 + dice.IntN(6) {
			r := rules.Rule{Name: fmt.Sprint("r", i), Watch: rules.Tension, Form: []rules.Form{rules.Above, rules.Above, rules.Below, rules.Below, rules.Outside, rules.Outside, rules.RisingFaster, rules.Is, rules.IsNot}[dice.IntN(6+3*dice.IntN(2))], Limit: 1000, LimitHigh: 1600,
				Deadband: float64(dice.IntN(3) * 40), Stop: rules.Immediate, MissingStop: rules.Immediate, StaleAfter: time.Duration(1+dice.IntN(3)) * 200 * time.Millisecond}
			r.Lasting = time.Duration(dice.IntN(2)) * 60 * time.Millisecond
			r.Over = 300 * time.Millisecond
			r.While = []rules.Phase{rules.Always, rules.Always, rules.Airborne}[dice.IntN(3)]
			r.WhenMissing = []rules.WhenMissing{rules.MissingTrips, rules.MissingCautions}[dice.IntN(2)]
			if r.HasCaution = dice.IntN(2) == 0; r.HasCaution {
				r.Caution, r.CautionHigh = 1100, 1500
			}
			if r.Form == rules.Above {
				r.Limit, r.Caution = r.LimitHigh, r.CautionHigh
			}
			env.Rules = append(env.Rules, r)
		}
		judged := dice.IntN(2) == 0
		fed := [rules.ChannelCount]rules.Origin{rules.Tension: rules.CraftSays}
		var two [2]*teller
		for k := range two {
			two[k] = &teller{}
			h := two[k]
			l, err := New(h, env, tilting{}, &fed, time.Second, nil)
			if err != nil {
				t.Fatal(err)
			}
			if h.l = l; judged {
				l.WhenJudged(func(at time.Duration, i int, v float64) {
					if room := env.Rules[i].Headroom(v); h.leastAt[i] == 0 || room < h.least[i] {
						h.least[i], h.leastAt[i] = room, at
					}
				})
			}
		}
		at, v := time.Duration(0), 1300.0
		for step := range 500 {
			at += time.Duration(1+dice.IntN(90)) * time.Millisecond
			r := Result{Quality: rules.Good}
			switch n := dice.IntN(120); {
			case n == 0:
				at += 700 * time.Millisecond
			case n == 1:
				v = []float64{850, 900, 960, 1000, 1040, 1100, 1140, 1300, 1500, 1560, 1600, 1700}[dice.IntN(12)]
			case n == 2:
				r = Result{Quality: rules.Doubtful, Cause: rules.MayBeCut}
			case n == 3:
				r = Result{Cause: rules.Sentinel}
			case n < 64:
				v += dice.Float64()*60 - 30
			}
			if r.Value = v; r.Quality == rules.Missing {
				r.Value = 0
			}
			lands, named := dice.IntN(40) == 0, dice.IntN(40) == 0
			told := at + time.Duration(dice.IntN(3)-1)*time.Millisecond
			for k, h := range two {
				for due := h.l.Due(); due <= at; due = h.l.Due() {
					h.l.Fire(due)
				}
				if lands {
					h.airborne = !h.airborne
				}
				if named {
					h.l.Named(0)
				}
				h.l.ToldUntil(told)
				c := &h.l.channels[rules.Tension]
				if k == 1 {
					c.shut()
				} else if c.low <= r.Value && r.Value <= c.high {
					open++
				}
				h.l.Take(at, rules.Tension, r)
			}
			for i := range env.Rules {
				if a, b := two[0].l.Rule(i), two[1].l.Rule(i); a != b {
					t.Fatalf("seed %d, step %d at %v, %v, rule %d: %+v with the band, %+v without", seed, step, at, r, i, a, b)
				}
			}
			if two[0].least != two[1].least || two[0].leastAt != two[1].leastAt {
				t.Fatalf("seed %d, step %d at %v, %v: least %v at %v with the band, %v at %v without", seed, step, at, r, two[0].least, two[0].leastAt, two[1].least, two[1].leastAt)
			}
			if !reflect.DeepEqual(two[0].said, two[1].said) {
				t.Fatalf("seed %d, step %d at %v: with the band %q, without %q", seed, step, at, two[0].said, two[1].said)
			}
		}
	}
	if open < 10_000 {
		t.Errorf("the band was open to %d values: this tests little", open)
	}
}
