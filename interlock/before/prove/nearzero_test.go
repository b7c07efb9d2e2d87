package prove

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"downhaul/interlock"
	"downhaul/rules"
)

// The heights that are tried before a start, m: one that a start may be made
// with, and one that it may not, on either side of what the pad allows.
const (
	nearZero = 0.5
	offZero  = 1.5
)

// heightNear proves that a start wants a height that reads near zero: the bound to
// the step on both sides, what lies past it, what lies inside it also after it
// was past, and silence.
func (t *starts) heightNear() {
	const name = "height near zero"
	sources := t.p.cfg.HeightSources
	if len(sources) == 0 {
		t.skip(name, Moot, "this pad is told no height")
		return
	}
	d, why := t.p.driveOf(rules.Height)
	if d == nil {
		t.skip(name, NotProven, why)
		return
	}
	h := &nearby{t: t, p: t.p, base: t.b.ready, d: d, unit: rules.DefaultUnit(rules.Length, t.p.env.Units)}
	for _, way := range [...]float64{1, -1} {
		if lowest := lowestOf(sources); way < 0 && -offZero < lowest {
			t.skip("height below zero", Moot, "what tells the height here tells none below the ground")
			continue
		}
		h.past(way)
	}
	h.inside()
	t.heightSilent(sources)
}

// lowestOf is the lowest that all of the channels can read.
func lowestOf(ids []rules.ChannelID) float64 {
	low := math.Inf(-1)
	for _, id := range ids {
		low = max(low, id.Channel().Low)
	}
	return low
}

// nearby tries heights before a start.
type nearby struct {
	t    *starts
	p    *plan
	base *rig
	d    *drive
	unit string
	bare string // why it is proved in a core that has no rule, if it is
}

// alone goes on in a core that has neither rule nor condition, where the
// envelope's own stand against a start at the same heights.
func (h *nearby) alone(beside []string) bool {
	if h.bare != "" {
		return false
	}
	q := *h.p
	env := *h.p.env
	env.Rules, env.Permissives = nil, nil
	q.index, q.asideWhy, q.notes, q.leftOut = []int{}, map[int]string{}, nil, map[string]string{}
	if q.lay(&env) != nil {
		return false
	}
	b, err := q.begin()
	if err != nil {
		return false
	}
	h.p, h.base, h.bare = &q, b.ready, "; without the rules, for beside it there is: "+strings.Join(beside, "; ")
	return true
}

// at is a pad whose craft reads these heights one after the other. For an edge
// to the step the last digit is held still, which else moves: a sensor's that
// stands still counts as frozen in time.
func (h *nearby) at(still bool, heights ...float64) *rig {
	r := from(h.base)
	if still {
		r.moved, r.outward = h.d.moves, 0
	}
	for _, x := range heights {
		h.d.set(&r.sc, x)
		r.rest()
		r.run(time.Second)
	}
	r.core.View(&r.view)
	return r
}

func isHeightNeed(u interlock.Unmet) bool { return u.Need == interlock.NeedHeight }

// past: the height just past the bound holds the start back, the one inside it
// does not, and one well past it does with its value as the reason.
func (h *nearby) past(way float64) {
	name := pick(way > 0, "height above zero", "height below zero")
	bound := h.p.setup.Site.LowHeight
	q := h.d.step(bound)
	value := func(k int) float64 { return way * (bound + float64(k)*q) }
	in, out, ok := straddle(func(k int) bool { return slices.ContainsFunc(h.at(true, value(k)).view.Unmet, isHeightNeed) },
		func(k int) bool { return float64(k)*q < 2*offZero })
	if !ok {
		h.t.add(name, fmt.Sprintf("nothing near %s holds the start back", Say(way*bound, h.unit)), "")
		return
	}
	off := way * max(offZero, 1.5*bound)
	r := h.at(false, off)
	read := 0.0
	for _, u := range r.view.Unmet {
		if isHeightNeed(u) {
			read = u.Value
		}
	}
	other := &starts{p: h.p}
	fault, beside := other.refuses(r, isHeightNeed, func(interlock.Unmet) bool { return false })
	switch {
	case fault != "":
	case out > 3 || in < -3:
		fault = fmt.Sprintf("it is %s and more that holds the start back, and the bound is %s", Say(value(out), h.unit), Say(way*bound, h.unit))
	case math.Abs(read-off) > 2*h.d.step(off):
		fault = fmt.Sprintf("the reason tells %s, and the craft %s", Say(read, h.unit), Say(off, h.unit))
	case len(beside) > 0:
		if h.alone(beside) {
			h.past(way)
			return
		}
		h.t.skip(name, NotProven, "the same height is also in the way of something else: "+strings.Join(beside, "; "))
		return
	}
	h.t.add(name, fault, "%s alone holds the start back, and so does %s; %s does not%s", Say(value(out), h.unit), Say(off, h.unit), Say(value(in), h.unit), h.bare)
}

// inside: a height inside the bound, also one that was past it, lets a start be
// made.
func (h *nearby) inside() {
	const name = "height near zero"
	bound := h.p.setup.Site.LowHeight
	near, off := min(nearZero, bound/2), max(offZero, 1.5*bound)
	for _, way := range [...][]float64{{near}, {off, near}} {
		r := h.at(false, way...)
		if r.view.State != interlock.Ready {
			if !slices.ContainsFunc(r.view.Unmet, isHeightNeed) && len(r.view.Unmet) > 0 {
				beside := h.p.reasons(r, r.view.Unmet)
				if h.alone([]string{beside}) {
					h.inside()
					return
				}
			}
			h.t.add(name, fmt.Sprintf("at %s it is not ready (%s)", Say(near, h.unit), h.p.reasons(r, r.view.Unmet)), "")
			return
		}
		if err := r.start(); err != nil {
			h.t.add(name, fmt.Sprintf("at %s no start can be made (%v)", Say(near, h.unit), r.view.Why), "")
			return
		}
	}
	h.t.add(name, "", "a start is made at %s, also after %s%s", Say(near, h.unit), Say(off, h.unit), h.bare)
}

// heightSilent: a height that is not heard holds a start back where a limit that
// takes the power off rests on it.
func (t *starts) heightSilent(sources []rules.ChannelID) {
	const name = "height silent"
	var rests []rules.ChannelID
	for i := range t.p.env.Rules {
		r := &t.p.env.Rules[i]
		needs := slices.ContainsFunc(t.p.cfg.Needs(r.Watch), func(id rules.ChannelID) bool { return slices.Contains(sources, id) })
		if needs && r.Stop != rules.NoStop && r.WhenMissing == rules.MissingTrips {
			rests = append(rests, r.Watch)
		}
	}
	if rests == nil {
		t.skip(name, Moot, "no limit that takes the power off rests on the height, so its silence holds no start back")
		return
	}
	r := from(t.b.ready)
	longest := t.p.cfg.Stale(rules.Height)
	for _, k := range t.p.sourcesOf(sources) {
		r.mute[k] = true
	}
	for i := range t.p.env.Rules {
		if x := &t.p.env.Rules[i]; slices.Contains(rests, x.Watch) {
			longest = max(longest, x.StaleAfter)
		}
	}
	r.run(longest + time.Second)
	fault, _ := t.refuses(r, func(u interlock.Unmet) bool {
		return u.Need == interlock.NeedChannel && slices.Contains(rests, rules.ChannelID(u.Index))
	}, func(interlock.Unmet) bool { return true })
	t.add(name, fault, "holds the start back (%s)", rests[0])
}
