package bench

import (
	"slices"

	"downhaul/interlock"
	"downhaul/rules"
)

// Like is all events of one kind, of one rule and for one reason: a link that is too slow
// for its limits brings ten thousand of them in an hour.
type Like struct {
	Kind  string  `json:"kind"` // "trip", "consequence" or "caution"
	Count uint64  `json:"count"`
	First float64 `json:"first_at_s"`
	Last  float64 `json:"last_at_s"`
	// FirstOut is how many of them were a first cause.
	FirstOut uint64 `json:"first_out"`
	// Worst is the one that went furthest past its limit, or lasted longest.
	Worst Event `json:"worst"`
}

// alike finds or adds the row of an event.
func (r *Result) alike(kind string, e Event, env *rules.Envelope) {
	f := e.effect
	i := slices.IndexFunc(r.Like, func(l Like) bool {
		g := &l.Worst.effect
		return l.Kind == kind && g.Rule == f.Rule && g.Reason == f.Reason && g.Cause == f.Cause && g.Stop == f.Stop && (l.Worst.Value == nil) == (e.Value == nil)
	})
	if i < 0 {
		i = len(r.Like)
		r.Like = append(r.Like, Like{Kind: kind, First: e.AtS, Worst: e})
	}
	l := &r.Like[i]
	l.Count++
	l.Last = e.AtS
	if e.FirstOut {
		l.FirstOut++
	}
	if worse(&f, &l.Worst.effect, env) {
		l.Worst = e
	}
}

// manyOfAge is from how many stops of age alone on their cause is told; ours.
const manyOfAge = 10

// ofAge counts the stops that nothing but the age of a value brought.
func (r *Result) ofAge() (n uint64) {
	for i := range r.Like {
		if l := &r.Like[i]; l.Kind == "trip" && l.Worst.effect.Cause == rules.Stale && l.Worst.Value == nil {
			n += l.Count
		}
	}
	return n
}

func worse(f, than *interlock.Effect, env *rules.Envelope) bool {
	if f.Rule < 0 || !f.HasValue || !than.HasValue {
		return f.Lasted > than.Lasted
	}
	rule := &env.Rules[f.Rule]
	return rule.Headroom(f.Value) < rule.Headroom(than.Value)
}
