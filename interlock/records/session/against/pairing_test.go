package against

import (
	"fmt"
	"iter"
	"math"
	"testing"

	"downhaul/interlock/records/triplog"
)

// decisions is a log of those decisions, each at the time that stands in it.
func decisions(texts iter.Seq[string]) func() (triplog.Record, error, bool) {
	lines := func(yield func(triplog.Record, error) bool) {
		for text := range texts {
			d := readDecision([]byte(text))
			if !yield(triplog.Record{Kind: triplog.KindDecision, AtNS: d.AtNS, Decision: []byte(text)}, nil) {
				return
			}
		}
	}
	next, _ := iter.Pull2(lines)
	return next
}

// A log and a recording are read side by side: what is kept of them does not grow
// with their length, but where one of them lacks what the other has.
func TestPairingKeepsOnlyWhatWasNotMetYet(t *testing.T) {
	const n = 300_000
	text := func(i int) string { return fmt.Sprintf(`{"at_ns":%d,"kind":"caution","rule":"%d"}`, i/3, i) }
	p := pair(decisions(func(yield func(string) bool) {
		for i := range n {
			if i != 777 && !yield(text(i)) {
				return
			}
		}
	}))
	most := 0
	for i := range n {
		if i != 888 {
			d := readDecision([]byte(text(i)))
			p.recorded(&d)
		}
		most = max(most, len(p.open))
	}
	p.logged(math.MaxInt64)
	var out Result
	p.tell(&out, triplog.Whole)
	if most > 6 || len(p.trips) > 0 {
		t.Errorf("%d of %d decisions were kept, and %d trips", most, n, len(p.trips))
	}
	if out.MissingOthers != 1 || out.NotRecorded != 1 || out.MissingTrips != 0 {
		t.Errorf("%+v; want one missing on either side", out)
	}
}

// Trips that overtook a full queue stand in the log before their time, and what the
// two hold is the same; their comments stand in the recording before or behind them.
func TestPairingOfTripsThatOvertook(t *testing.T) {
	trip := func(n int) string { return fmt.Sprintf(`{"at_ns":%d,"kind":"trip","trip":%d}`, n, n) }
	for _, c := range []struct {
		what           string
		log            []int
		said, recorded []int
		trips, not     int
	}{
		{"in order", []int{1, 2, 3}, []int{1, 2, 3}, []int{1, 2, 3}, 0, 0},
		{"3 overtook", []int{3, 1, 2}, []int{1, 2, 3}, []int{1, 2, 3}, 0, 0},
		{"2 is in a comment alone", []int{1, 3}, []int{1, 2, 3}, []int{1, 3}, 1, 0},
		{"2 is in the log and a comment", []int{1, 2, 3}, []int{2}, []int{1, 3}, 0, 1},
		{"2 is recorded twice over", []int{1, 3}, []int{2, 2}, []int{1, 2, 2, 3}, 1, 0},
		{"3 overtook and is in a comment alone", []int{3, 1}, []int{3}, []int{1}, 0, 1},
		{"the log has none", nil, []int{1, 2}, []int{1, 2, 3}, 3, 0},
	} {
		p := pair(decisions(func(yield func(string) bool) {
			for _, n := range c.log {
				if !yield(trip(n)) {
					return
				}
			}
		}))
		for n := range 4 {
			for _, said := range c.said {
				if d := readDecision([]byte(trip(n))); said == n {
					p.said(&d)
				}
			}
			for _, recorded := range c.recorded {
				if d := readDecision([]byte(trip(n))); recorded == n {
					p.recorded(&d)
				}
			}
		}
		p.logged(math.MaxInt64)
		var out Result
		p.tell(&out, triplog.CutShort)
		if out.MissingTrips != c.trips || out.NotRecorded != c.not || out.MissingOthers != 0 {
			t.Errorf("%s: %+v", c.what, out)
		}
	}
}
