package bench

import (
	"cmp"
	"slices"
	"time"

	"downhaul/interlock/records/recording"
	"downhaul/rules"
)

// Change is one trip or caution that two envelopes do not have in common, or
// not at the same time. Values are SI.
type Change struct {
	File string `json:"file"`
	Rule string `json:"rule"`
	// What is "trip", "trip by silence" or "caution".
	What string `json:"what"`
	// How is "gained" (only the second envelope has it), "lost" (only the
	// first), "earlier" or "later" (the second has it at another time).
	How string `json:"how"`
	// AtS is when the second envelope has it, of a lost one when the first had.
	AtS float64 `json:"at_s"`
	// ByS is how much earlier or later, always positive; 0 for the others.
	ByS     float64  `json:"by_s"`
	Channel string   `json:"channel"`
	Value   *float64 `json:"value"`
	Limit   *float64 `json:"limit"`
	Unit    string   `json:"unit"`

	// Shown is the unit that the rule's limit is written in.
	Shown string `json:"-"`
}

// Tally counts the changes of one rule and one kind over all recordings.
type Tally struct {
	Rule    string `json:"rule"`
	What    string `json:"what"`
	A       uint64 `json:"a"`
	B       uint64 `json:"b"`
	Gained  uint64 `json:"gained"`
	Lost    uint64 `json:"lost"`
	Earlier uint64 `json:"earlier"`
	Later   uint64 `json:"later"`
	// Joined counts those of one envelope that fall into one longer of the
	// other that is counted already: neither gained nor lost.
	Joined uint64 `json:"joined"`
	// OnlyIn is "a" or "b" for a rule that only that envelope has.
	OnlyIn string `json:"only_in,omitempty"`
	// RenamedTo is the rule's name in the second envelope where that is another.
	RenamedTo string `json:"renamed_to,omitempty"`
}

// Differs reports whether the two envelopes do not do the same.
func (t *Tally) Differs() bool { return t.Gained+t.Lost+t.Earlier+t.Later+t.Joined > 0 }

// Difference is what two envelopes make of the same recording, or of several.
type Difference struct {
	File      string   `json:"file"`
	DurationS float64  `json:"duration_s"`
	Tallies   []Tally  `json:"rules"`
	Changes   []Change `json:"changes"`
	Notes     []string `json:"notes"`
}

// Compare runs one recording through two envelopes side by side, as a guard in
// the setup's duty would have been. Which rules are the same is told by Pairs.
func Compare(file string, rec *recording.Reader, setup Setup, a, b *rules.Envelope, options ...Option) (*Difference, error) {
	p, err := newPass(setup, []*rules.Envelope{a, b}, options)
	if err != nil {
		return nil, err
	}
	inA, inB := newSpans(a), newSpans(b)
	p.lanes[0].watch, p.lanes[1].watch = inA.take, inB.take
	if err := p.run(file, rec); err != nil {
		return nil, err
	}
	for _, s := range []*spans{inA, inB} {
		if err := s.tooMany(); err != nil {
			return nil, err
		}
	}
	out := &Difference{File: file, DurationS: p.end.Seconds(), Tallies: []Tally{}, Changes: []Change{},
		Notes: slices.Concat([]string{}, p.notes, rec.Info().Notes(), p.health.notes())}
	for _, x := range Pairs(a, b) {
		var ra, rb *rules.Rule
		var sa, sb [aboutCount][]span
		if x.A >= 0 {
			ra, sa = &a.Rules[x.A], inA.all[x.A]
		}
		if x.B >= 0 {
			rb, sb = &b.Rules[x.B], inB.all[x.B]
		}
		out.hold(ra, rb, sa, sb)
	}
	slices.SortStableFunc(out.Changes, func(x, y Change) int { return cmp.Compare(x.AtS, y.AtS) })
	return out, nil
}

// Pair is a rule of two envelopes by its place in each, -1 where it has none.
type Pair struct{ A, B int }

// Pairs returns which rules of two envelopes are the same: those of one name, and of
// the others those that do the same in all, in order, which were only renamed. It
// gives the rules of a in order, then those that only b has.
func Pairs(a, b *rules.Envelope) []Pair {
	out := make([]Pair, 0, len(a.Rules)+len(b.Rules))
	taken := make([]bool, len(b.Rules))
	for i := range a.Rules {
		k := slices.IndexFunc(b.Rules, func(r rules.Rule) bool { return r.Name == a.Rules[i].Name })
		if k >= 0 {
			taken[k] = true
		}
		out = append(out, Pair{i, k})
	}
	for i := range out {
		for k := range b.Rules {
			if out[i].B < 0 && !taken[k] && doTheSame(a.Rules[i], b.Rules[k]) {
				out[i].B, taken[k] = k, true
			}
		}
	}
	for k := range b.Rules {
		if !taken[k] {
			out = append(out, Pair{-1, k})
		}
	}
	return out
}

// doTheSame reports whether two rules differ in nothing that decides: neither a name, nor
// a line, nor the unit that a number was written in does.
func doTheSame(x, y rules.Rule) bool {
	for _, r := range []*rules.Rule{&x, &y} {
		r.Name, r.Line, r.Unit, r.DeadbandWritten = "", 0, "", false
	}
	return x == y
}

// hold holds one rule of both envelopes against each other; one of them is nil
// where only the other has it.
func (d *Difference) hold(a, b *rules.Rule, inA, inB [aboutCount][]span) {
	only, renamed, either := "", "", a
	switch {
	case a == nil:
		only, either = "b", b
	case b == nil:
		only = "a"
	case a.Name != b.Name:
		renamed = b.Name
	}
	for about := range aboutCount {
		t := Tally{Rule: either.Name, What: aboutText[about], A: uint64(len(inA[about])), B: uint64(len(inB[about])), OnlyIn: only, RenamedTo: renamed}
		change := func(how string, s span, r *rules.Rule, by time.Duration) {
			c := Change{File: d.File, Rule: r.Name, What: t.What, How: how, AtS: s.from.Seconds(), ByS: by.Seconds(),
				Channel: r.Watch.String(), Unit: ruleUnit(r), Shown: r.Unit}
			if s.hasValue {
				c.Value, c.Limit = &s.value, &s.limit
			}
			d.Changes = append(d.Changes, c)
		}
		match(inA[about], inB[about], func(how pairing, x, y span) {
			switch {
			case how == joined:
				t.Joined++
			case how == onlyA:
				t.Lost++
				change("lost", x, a, 0)
			case how == onlyB:
				t.Gained++
				change("gained", y, b, 0)
			case y.from < x.from:
				t.Earlier++
				change("earlier", y, b, x.from-y.from)
			case y.from > x.from:
				t.Later++
				change("later", y, b, y.from-x.from)
			}
		})
		d.Tallies = append(d.Tallies, t)
	}
}

// pairing states how a span of one list stands to those of the other.
type pairing uint8

const (
	onlyA pairing = iota
	onlyB
	both
	joined
)

// match pairs the spans of two lists, each in order and without overlap: those
// that overlap, or begin together, are one event. The first overlap of two
// spans pairs them; a further one that falls into a span that is paired already
// is joined to it.
func match(a, b []span, tell func(how pairing, x, y span)) {
	i, j := 0, 0
	usedA, usedB := false, false
	nextA := func() {
		if !usedA {
			tell(onlyA, a[i], span{})
		}
		i, usedA = i+1, false
	}
	nextB := func() {
		if !usedB {
			tell(onlyB, span{}, b[j])
		}
		j, usedB = j+1, false
	}
	for i < len(a) && j < len(b) {
		x, y := a[i], b[j]
		switch {
		case x.from != y.from && x.to <= y.from:
			nextA()
			continue
		case x.from != y.from && y.to <= x.from:
			nextB()
			continue
		case !usedA && !usedB:
			tell(both, x, y)
		case !usedA || !usedB:
			tell(joined, x, y)
		}
		usedA, usedB = true, true
		switch {
		case x.to < y.to:
			nextA()
		case y.to < x.to:
			nextB()
		default:
			nextA()
			nextB()
		}
	}
	for i < len(a) {
		nextA()
	}
	for j < len(b) {
		nextB()
	}
}

// Total adds the tallies of several recordings that were held against the same
// two envelopes.
func Total(all []*Difference) []Tally {
	var sum []Tally
	for n, d := range all {
		for i, t := range d.Tallies {
			if n == 0 {
				sum = append(sum, t)
				continue
			}
			s := &sum[i]
			s.A += t.A
			s.B += t.B
			s.Gained += t.Gained
			s.Lost += t.Lost
			s.Earlier += t.Earlier
			s.Later += t.Later
			s.Joined += t.Joined
		}
	}
	return sum
}
