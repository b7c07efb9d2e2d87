package report

import (
	"slices"
	"strings"
	"testing"
	"time"

	"downhaul/interlock/after/report/lift"
	"downhaul/interlock/pad"
	"downhaul/rules/card"
)

// A rehearsal counts for nothing beside sessions of a real board: neither for the
// forecast, nor for the test card, nor for hours. Alone it counts, and its record says
// what it is, so that no real pad takes it.
//
//fault:row a rehearsal's session is reported on with those of a real board | it counts neither for forecast nor test card nor hours, and it is said
func TestRehearsalCountsForNothingBesideRealSessions(t *testing.T) {
	const mark = "virtual board, a rehearsal"
	made := func(name, mark string, lasted time.Duration) *Session {
		c := &card.Card{Craft: card.Craft{Name: "Eight", Mass: 60}}
		return &Session{Session: name, Mark: mark, liftCard: c, liftPad: &pad.Pad{}, Runs: []Run{{Number: 1, Lasted: seconds(lasted)}}, Openings: []Opening{{}}}
	}
	for _, c := range []struct {
		marks  []string
		shown  []string
		record string
		lived  float64
	}{
		{[]string{"", mark}, []string{"a"}, "", 1},
		{[]string{mark, ""}, []string{"b"}, "", 10},
		{[]string{mark, mark}, []string{"a", "b"}, mark, 11},
		{[]string{"", ""}, []string{"a", "b"}, "", 11},
	} {
		sessions := []*Session{made("a", c.marks[0], time.Second), made("b", c.marks[1], 10*time.Second)}
		r := Of(time.Unix(0, 0), "test", sessions, nil, Asked{})
		if r.Lift.Forecast == nil {
			r.Lift.Forecast = &lift.Forecast{}
		}
		shown := r.Shown()
		if !slices.Equal(shown.Sessions, c.shown) || shown.Mark != c.record {
			t.Errorf("marks %q: shown of %q, mark %q", c.marks, shown.Sessions, shown.Mark)
		}
		if w := r.Across.Worn; w.Starts != len(c.shown) || w.Openings != len(c.shown) || w.LiveS != c.lived || len(r.Across.Rows) != 2 {
			t.Errorf("marks %q: counted %+v", c.marks, w)
		}
		if said := strings.Contains(strings.Join(r.Lift.Doubts, "\n"), "a rehearsal counts for nothing"); said != (len(c.shown) == 1) {
			t.Errorf("marks %q: doubts %q", c.marks, r.Lift.Doubts)
		}
	}
}

// What wears counts for each pack that was declared for a run, whatever the case of its name.
func TestPacksAreCountedOverSessions(t *testing.T) {
	run := func(n int, s time.Duration, packs ...string) Run {
		return Run{Number: n, Lasted: seconds(s), Packs: packs}
	}
	a := acrossOf([]*Session{
		{Runs: []Run{run(1, 10*time.Second, "A", "B"), run(2, 5*time.Second, "A")}, Openings: []Opening{{Run: 1}, {Run: 2}, {Run: 2}, {}}},
		{Runs: []Run{run(1, time.Second, "a")}, Openings: []Opening{{Run: 1}}},
		{Duty: "watch", Runs: []Run{run(1, time.Hour, "B")}},
	})
	if want := []PackWorn{{"A", Worn{3, 16, 4}}, {"B", Worn{1, 10, 1}}}; !slices.Equal(a.Packs, want) || a.Worn != (Worn{3, 16, 5}) {
		t.Errorf("%+v, all %+v; want %+v", a.Packs, a.Worn, want)
	}
}
