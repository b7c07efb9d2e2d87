package report

import (
	"strings"
	"testing"
	"time"

	"downhaul/interlock/limits"
	"downhaul/interlock/pad"
	"downhaul/interlock/records/session"
	"downhaul/interlock/records/timeofday"
	"downhaul/rules"
)

func eventsOf(t *testing.T, decisions ...string) *events {
	t.Helper()
	e := &events{}
	for _, d := range decisions {
		if err := e.add([]byte(d)); err != nil {
			t.Fatal(err)
		}
	}
	return e
}

// TestEpisodes_OpeningOfItsOwn: a trip in the chain's test, where nothing was
// closed yet, is not given the opening of the run that follows; nor is a trip
// that came when the relay was open already.
func TestEpisodes_OpeningOfItsOwn(t *testing.T) {
	e := eventsOf(t,
		`{"at_ns":1000000000,"kind":"state","from":"ready","state":"closing","reason":"start"}`,
		`{"at_ns":1500000000,"kind":"relay","on":true}`,
		`{"at_ns":1600000000,"kind":"relay","on":false}`,
		`{"at_ns":1600000000,"kind":"trip","trip":1,"first_out":true,"stop":"immediate","reason":"emergency stop"}`,
		`{"at_ns":1600000000,"kind":"state","from":"closing","state":"tripped","reason":"emergency stop"}`,
		`{"at_ns":3000000000,"kind":"state","from":"tripped","state":"blocked","reason":"reset"}`,
		`{"at_ns":4000000000,"kind":"relay","on":true}`,
		`{"at_ns":4000000000,"kind":"heartbeat","on":true}`,
		`{"at_ns":4100000000,"kind":"state","from":"closing","state":"live","reason":"chain closed and read back"}`,
		`{"at_ns":5000000000,"kind":"relay","on":false}`,
		`{"at_ns":5000000000,"kind":"heartbeat","on":false}`,
		`{"at_ns":5000000000,"kind":"trip","trip":2,"first_out":true,"stop":"immediate","reason":"gate open"}`,
		`{"at_ns":5000000000,"kind":"state","from":"live","state":"tripped","reason":"gate open"}`,
		`{"at_ns":6000000000,"kind":"trip","trip":3,"first_out":false,"stop":"immediate","reason":"nothing heard from the craft"}`)
	s := &Session{Session: "s"}
	s.Runs = runsOf(e, session.Story{}, nil, nil, 7*time.Second)
	s.Episodes = episodesOf(e, s, nil, time.Time{})
	if len(s.Runs) != 1 || len(s.Episodes) != 2 || len(s.Episodes[1].Trips) != 2 || s.Episodes[0].Run != 0 || s.Episodes[1].Run != 1 {
		t.Fatalf("%+v %+v", s.Runs, s.Episodes)
	}
	k := &collector{ses: s, ch: &channels{}}
	k.watchOpenings(e)
	k.mirror(4*time.Second, true)
	k.mirror(5*time.Second, true)
	k.mirror(5030*time.Millisecond, false)
	k.rotor(5100*time.Millisecond, limits.Reading{Value: 20, Quality: rules.Good})
	k.rotor(5900*time.Millisecond, limits.Reading{Value: 0.5, Quality: rules.Good})
	r := &reading{out: s, pad: &pad.Pad{Contactor: pad.Contactor{Readback: true}}}
	r.takeTimes(k)
	first, second, third := s.Episodes[0].Trips[0].Times, s.Episodes[1].Trips[0].Times, s.Episodes[1].Trips[1].Times
	if first.Relay != nil || !contains(first.Notes, "no closed relay") {
		t.Errorf("in the chain's test: %+v", first)
	}
	if second.Relay == nil || second.Relay.Value != 5 || second.DropOut.Value != 0.03 || second.StopTime.Value != 0.9 {
		t.Errorf("the cut: %+v", second)
	}
	if third.Relay != nil || !contains(third.Notes, "open already") {
		t.Errorf("behind it: %+v", third)
	}
}

// TestCautions_NearMiss: a caution that goes off without a trip of its own rule
// is a near miss, also when another rule tripped meanwhile.
func TestCautions_NearMiss(t *testing.T) {
	e := eventsOf(t,
		`{"at_ns":1000000000,"kind":"caution","on":true,"rule":"a","channel":"wind.gust3s","value":6.5,"limit":6,"unit":"m/s"}`,
		`{"at_ns":2000000000,"kind":"trip","trip":1,"first_out":true,"stop":"immediate","rule":"b","reason":"past a limit"}`,
		`{"at_ns":3000000000,"kind":"caution","on":false,"rule":"a"}`,
		`{"at_ns":4000000000,"kind":"caution","on":true,"rule":"b"}`,
		`{"at_ns":5000000000,"kind":"trip","trip":2,"first_out":true,"stop":"immediate","rule":"b","reason":"past a limit"}`,
		`{"at_ns":6000000000,"kind":"caution","on":false,"rule":"b"}`,
		`{"at_ns":7000000000,"kind":"caution","on":true,"rule":"a"}`)
	got := cautionsOf(e, nil)
	if len(got) != 3 || !got[0].Near || got[0].Lasted.Value != 2 || got[1].Near || got[2].Near || got[2].Lasted != nil {
		t.Errorf("%+v", got)
	}
	// One that stood until the end is no near miss where its rule tripped meanwhile.
	e = eventsOf(t,
		`{"at_ns":4000000000,"kind":"caution","on":true,"rule":"b"}`,
		`{"at_ns":5000000000,"kind":"trip","trip":2,"first_out":true,"stop":"immediate","rule":"b","reason":"past a limit"}`,
		`{"at_ns":7000000000,"kind":"caution","on":true,"rule":"a"}`)
	if s := spansOf(cautionsOf(e, nil)); len(s) != 2 || s[0].Came() != "with a trip" || s[1].Came() != "stood until the end" {
		t.Errorf("%+v", s)
	}
	rule := &rules.Rule{Watch: rules.Gust, Form: rules.Above, Limit: 8, HasCaution: true, Caution: 6, Unit: "m/s"}
	n := &nearest{rule: rule, cautions: []*Caution{&got[0]}}
	for s, v := range []float64{9, 6.5, 7.5, 6.2, 9} { // what lies outside of it does not count
		n.take(time.Duration(s)*time.Second, limits.Reading{Value: v, Quality: rules.Good})
	}
	if got[0].Worst.Value != 7.5 || got[0].Headroom.Value != 0.5 || *got[0].Share != 0.25 {
		t.Errorf("worst %v, headroom %v, share %v", got[0].Worst, got[0].Headroom, got[0].Share)
	}
	// Beside its limit the worst value reads otherwise than it.
	for v, want := range map[float64]string{8.0004: "8.0004 m/s", 7.52: "7.5 m/s"} {
		if got := ofRule(&v, rule, "m/s").String(); got != want {
			t.Errorf("%v beside a limit of 8 m/s reads %q, want %q", v, got, want)
		}
	}
}

// Power that stays on after a reset, or at the next start, is not of the run
// before.
func TestStayedOnIsOfTheRunBefore(t *testing.T) {
	second, began := int64(time.Second), time.Date(2031, 5, 3, 9, 0, 0, 0, time.UTC)
	remains := decision{AtNS: 9 * second, Kind: "state", From: closing, State: fault, Reason: notRemoved[1]}
	for _, c := range []struct {
		between []decision
		want    string
	}{
		{nil, "power commanded off at once: past a limit; POWER NOT REMOVED, told at " + timeofday.Clock(began.Add(9*time.Second)) + ", 9.00 s"},
		{[]decision{{AtNS: 8 * second, Kind: "state", From: tripped, State: blocked, Reason: "reset"}}, "power off at once: past a limit"},
	} {
		e := &events{list: append(append([]decision{{AtNS: 5 * second, Kind: "state", From: live, State: tripped, Reason: "past a limit"}}, c.between...), remains)}
		runs := []Run{{Ended: true, end: 5 * time.Second, How: "power off at once: past a limit"}, {How: "the record breaks off while it was live"}}
		(&Session{Runs: runs, Began: began}).stayedOn(e)
		if runs[0].How != c.want || (len(runs[0].Doubts) == 1) != (c.between == nil) || len(runs[1].Doubts) != 0 {
			t.Errorf("%+v: %+v", c.between, runs)
		}
	}
}

// Hours over the sessions of two crafts are those of the chain, and said so.
func TestHoursOfTwoCraftsAreSaidSo(t *testing.T) {
	of := func(craft string) *Session {
		return &Session{Duty: "guard", craft: craft, Runs: []Run{{Number: 1, Lasted: quantity(60, rules.Duration, "s")}}}
	}
	for n, sessions := range map[string][]*Session{"": {of("Big"), of("big"), of("")}, "of 2 crafts together": {of("Big"), of("Small")}} {
		w := acrossOf(sessions)
		if says := w.Says(); strings.Contains(says, "together") != (n != "") || !strings.Contains(says, n) {
			t.Errorf("%q, want %q", says, n)
		}
	}
}
