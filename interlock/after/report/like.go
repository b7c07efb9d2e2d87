package report

import (
	"encoding/json"
	"slices"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/before/bench"
)

// LikeTrips are all trips of one rule for one reason, of a guard that only watched or of a
// recording: a thin link brings thousands.
type LikeTrips struct {
	Rule  string    `json:"rule"`
	Says  string    `json:"says"` // of the worst
	Stop  string    `json:"stop"`
	Count int       `json:"count"`
	First *Quantity `json:"first_at"`
	Last  *Quantity `json:"last_at"`
	Worst *Quantity `json:"worst_at"` // nil where all are alike
	// Of is the worst, nil where it is not listed one by one.
	Of *Trip `json:"-"`
}

// alike puts the trips that are listed together.
func (s *Session) alike() {
	for i := range s.Episodes {
		for j := range s.Episodes[i].Trips {
			t := &s.Episodes[i].Trips[j]
			k := slices.IndexFunc(s.Like, func(l LikeTrips) bool {
				return l.Of.Rule == t.Rule && l.Of.Reason == t.Reason && l.Of.Cause == t.Cause && l.Of.Stop == t.Stop && (l.Of.Value == nil) == (t.Value == nil)
			})
			if k < 0 {
				k = len(s.Like)
				s.Like = append(s.Like, LikeTrips{Rule: t.Rule, First: t.At, Of: t})
			}
			l := &s.Like[k]
			l.Count++
			if l.Last = t.At; t.Worse(l.Of) {
				l.Of = t
			}
			if l.Says, l.Stop = l.Of.Says, l.Of.Stop; l.Of.Value != nil {
				l.Worst = l.Of.At
			}
		}
	}
}

// alikeIn takes them from a replay, which counts those that are not listed as well.
func (r *reading) alikeIn(res *bench.Result) {
	s := r.out
	s.Like = s.Like[:0]
	for i := range res.Like {
		x := &res.Like[i]
		if x.Kind != "trip" {
			continue
		}
		f := x.Worst.Effect()
		var d decision
		_ = json.Unmarshal(interlock.AppendDecision(nil, r.env, f), &d) // it is our own form
		l := LikeTrips{Rule: d.Rule, Says: d.cause(ruleNamed(r.env, d.Rule)), Stop: d.Stop, Count: int(x.Count),
			First: seconds(ofSeconds(x.First)), Last: seconds(ofSeconds(x.Last))}
		if d.Value != nil {
			l.Worst = seconds(d.at())
		}
		s.Like = append(s.Like, l)
	}
}

func ofSeconds(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }

// trips counts the trips of a rule, or all, but for faults of the chain, which are counted
// as that.
func (s *Session) trips(of func(rule string) bool) (n int) {
	if s.Duty == "watch" {
		for i := range s.Like {
			if of(s.Like[i].Rule) {
				n += s.Like[i].Count
			}
		}
		return n
	}
	for i := range s.Episodes {
		for j := range s.Episodes[i].Trips {
			if t := &s.Episodes[i].Trips[j]; !ofChain(t.Reason) && of(t.Rule) {
				n++
			}
		}
	}
	return n
}
