package prove

import (
	"fmt"
	"strings"
	"time"

	"downhaul/interlock"
	"downhaul/rules"
)

// starts proves the envelope's own conditions of a start, each of them alone.
type starts struct {
	p   *plan
	b   *bases
	out []Case
}

func (t *starts) add(name, fault, format string, args ...any) {
	t.out = append(t.out, judged(name, fault, fmt.Sprintf(format, args...)))
}

func (t *starts) skip(name, outcome, why string) {
	t.out = append(t.out, Case{Name: name, Outcome: outcome, Says: why})
}

func (t *starts) all() {
	for i := range t.p.setup.Envelope.Permissives {
		c := &t.p.setup.Envelope.Permissives[i]
		if why, out := t.p.leftOut[c.Name]; out {
			t.skip(c.Name, NotProven, why)
		}
	}
	for i := range t.p.env.Permissives {
		t.permissive(i)
	}
}

// refuses judges a pad on which the one thing is not met: not ready, for that
// reason, and the start button closes nothing. among lists what may be missing
// besides.
func (t *starts) refuses(r *rig, is, among func(interlock.Unmet) bool) (fault string, beside []string) {
	if s := r.state(); s == interlock.Ready {
		return "it is ready all the same", nil
	}
	found := false
	for _, u := range r.view.Unmet {
		switch {
		case is(u):
			found = true
		case !among(u):
			beside = append(beside, r.view.Say(t.p.env, u))
		}
	}
	if !found {
		return "it is not ready, but not for that reason (" + t.p.reasons(r, r.view.Unmet) + ")", nil
	}
	r.press(interlock.Start, 200*time.Millisecond)
	r.run(t.p.setup.Site.Horn + t.p.setup.Site.PickUp + time.Second)
	if s := r.state(); s == interlock.Live || s == interlock.Closing || r.relay {
		return fmt.Sprintf("start led to %v", s), nil
	}
	return "", beside
}

// condition is one condition of the envelope with the way to break it.
type condition struct {
	i      int
	c      *rules.Permissive
	d      *drive
	q      float64
	way    float64 // out of what is asked
	limit  float64
	period time.Duration
}

// apart gives a pad on which the value lies k steps out of the condition.
func (t *starts) apart(base *rig, x *condition, k int) *rig {
	r := from(base)
	r.moved, r.outward = x.d.moves, 0
	x.d.set(&r.sc, x.limit+x.way*float64(k)*x.q)
	r.rest()
	r.run(x.d.settle + 4*x.period)
	return r
}

// breaks lists the ways out of a condition; a plain value has one.
func (t *starts) breaks(i int) ([]condition, string) {
	c := &t.p.env.Permissives[i]
	if c.Watch == rules.TensionRate {
		return nil, "a change of the tension cannot be held for as long as a start takes"
	}
	d, why := t.p.driveOf(c.Watch)
	if d == nil {
		if why == "" {
			why = "nothing but silence moves it"
		}
		return nil, why
	}
	x := condition{i: i, c: c, d: d, q: 1, limit: c.Limit, period: t.p.period(d.moves)}
	if c.Form != rules.Is && c.Form != rules.IsNot {
		x.q = d.step(c.Limit)
	}
	switch c.Form {
	case rules.Above:
		x.way = -1
	case rules.Below:
		x.way = 1
	case rules.Outside:
		low, high := x, x
		low.way, high.way, high.limit, high.q = 1, -1, c.LimitHigh, d.step(c.LimitHigh)
		return []condition{low, high}, ""
	case rules.Is:
		x.way = other(&rules.Rule{Watch: c.Watch, Limit: c.Limit}) - c.Limit
	}
	return []condition{x}, ""
}

// permissive: the value just out of what is asked holds the start back, and
// nothing else does; silence does too; and losing it while live is put on
// record and trips nothing.
func (t *starts) permissive(i int) {
	ways, why := t.breaks(i)
	if ways == nil {
		t.skip(t.p.env.Permissives[i].Name, NotProven, why)
		return
	}
	is := func(u interlock.Unmet) bool { return u.Need == interlock.NeedPermissive && u.Index == i }
	var out *rig
	for k := range ways {
		x := &ways[k]
		name := x.c.Name
		unmet := func(n int) bool {
			r := t.apart(t.b.ready, x, n)
			r.core.View(&r.view)
			for _, u := range r.view.Unmet {
				if is(u) {
					return true
				}
			}
			return false
		}
		step := 0
		if x.c.Form == rules.Is {
			step = 1 // not this one is another
		}
		in := step - 1
		if x.c.Form != rules.Is && x.c.Form != rules.IsNot {
			ok := false
			if in, step, ok = straddle(unmet, func(int) bool { return true }); !ok {
				t.add(name, fmt.Sprintf("nothing near %s holds the start back", Say(x.limit, x.c.Unit)), "")
				return
			}
		}
		say := func(n int) string {
			v := x.limit + x.way*float64(n)*x.q
			if x.c.Watch.Channel().Kind == rules.Flag {
				return map[bool]string{true: "true", false: "false"}[v != 0]
			}
			return Say(v, x.c.Unit)
		}
		r := t.apart(t.b.ready, x, step)
		fault, beside := t.refuses(r, is, func(interlock.Unmet) bool { return false })
		switch {
		case fault == "" && x.c.Form != rules.Is && x.c.Form != rules.IsNot && (step > 3 || in < -3):
			fault = fmt.Sprintf("it is %s and more that holds the start back, and the limit is %s", say(step), Say(x.limit, x.c.Unit))
		case fault == "" && len(beside) > 0 && !t.single():
			t.byItself(i, strings.Join(beside, "; "))
			return
		case fault == "" && len(beside) > 0:
			t.skip(name, NotProven, "the same value is also in the way of something else: "+strings.Join(beside, "; "))
			continue
		}
		t.add(name, fault, "%s alone holds the start back", say(step))
		out = t.apart(t.b.ground, x, step)
	}
	if out == nil {
		return
	}
	t.live(&ways[len(ways)-1], out)
	r := from(t.b.ready)
	for _, k := range t.p.sourcesOf(ways[0].d.moves) {
		r.mute[k] = true
	}
	r.run(ways[0].c.StaleAfter + 3*ways[0].period + 20*time.Millisecond)
	fault, _ := t.refuses(r, is, func(interlock.Unmet) bool { return true })
	t.add(ways[0].c.Name+", silent", fault, "holds the start back")
}

func (t *starts) single() bool { return len(t.p.env.Rules) == 0 && len(t.p.env.Permissives) == 1 }

// byItself proves a condition in a core that has no other and no rule, for at
// the same value others stand against the start as well.
func (t *starts) byItself(i int, beside string) {
	q := *t.p
	env := *t.p.env
	env.Rules, env.Permissives = nil, env.Permissives[i:i+1:i+1]
	q.index, q.asideWhy, q.notes, q.leftOut = []int{}, map[int]string{}, nil, map[string]string{}
	err := q.lay(&env)
	var b *bases
	if err == nil {
		b, err = q.begin()
	}
	if err != nil || len(q.env.Permissives) == 0 {
		t.skip(env.Permissives[0].Name, NotProven, "the same value is also in the way of something else: "+beside)
		return
	}
	alone := &starts{p: &q, b: b}
	alone.permissive(0)
	for k := range alone.out {
		if alone.out[k].Outcome == Pass && k == 0 {
			alone.out[k].Says += "; by itself, for beside it there is: " + beside
		}
	}
	t.out = append(t.out, alone.out...)
}

// live: what is lost while live is put on record, and no more.
func (t *starts) live(x *condition, r *rig) {
	fault := ""
	note := find(r.log, interlock.NoteEffect, func(e *event) bool {
		return e.Reason == interlock.ReasonPermissiveLost && e.Permissive == x.i && e.On
	})
	trip := find(r.log, interlock.TripEffect, func(*event) bool { return true })
	switch s := r.state(); {
	case trip != nil && trip.Rule >= 0:
		t.skip(x.c.Name+", lost while live", NotProven, fmt.Sprintf("the same value trips %q", t.p.env.Rules[trip.Rule].Name))
		return
	case trip != nil || s != interlock.Live || !r.relay:
		fault = fmt.Sprintf("it led from live to %v", s)
	case note == nil:
		fault = "it was not put on record"
	}
	t.add(x.c.Name+", lost while live", fault, "is put on record, and trips nothing")
}
