//go:build linux

package report

import (
	"bytes"
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/after/report/lift"
	"downhaul/interlock/records/ledger"
	"downhaul/interlock/records/session"
	"downhaul/interlock/records/triplog"
)

// faultAfterEnd is a day on which a run ends in a trip and, after its reset, another
// by the crew's own end, whose opening does not take the power off.
var faultAfterEnd = []string{
	`{"at_ns":1000000000,"kind":"state","from":"closing","state":"live","reason":"chain closed and read back"}`,
	`{"at_ns":2000000000,"kind":"trip","trip":1,"first_out":true,"stop":"immediate","reason":"emergency stop"}`,
	`{"at_ns":2000000000,"kind":"state","from":"live","state":"tripped","reason":"emergency stop"}`,
	`{"at_ns":5000000000,"kind":"state","from":"tripped","state":"blocked","reason":"reset"}`,
	`{"at_ns":6000000000,"kind":"state","from":"ready","state":"closing","reason":"start"}`,
	`{"at_ns":9000000000,"kind":"state","from":"closing","state":"live","reason":"chain closed and read back"}`,
	`{"at_ns":20000000000,"kind":"state","from":"live","state":"blocked","reason":"end pressed"}`,
	`{"at_ns":20200000000,"kind":"state","from":"blocked","state":"fault","reason":"POWER NOT REMOVED: use the hard-wired stop"}`,
}

// The run whose end left the power on has its own row, and the fault a window of
// its own; the run before has neither.
func TestRead_RunThatLeftThePowerOn(t *testing.T) {
	s, err := Read(context.Background(), toldSession(t, brokenFiles, faultAfterEnd...), Options{})
	if err != nil {
		t.Fatal(err)
	}
	if len(s.Runs) != 2 || s.Runs[0].Fault != "" || s.Runs[1].Fault != "power was not removed" || s.Runs[1].Trips != 0 ||
		!strings.Contains(s.Runs[1].How, "POWER NOT REMOVED, told at "+s.When(seconds(20200*time.Millisecond))) {
		t.Fatalf("runs %+v", s.Runs)
	}
	if len(s.Episodes) != 2 || s.Episodes[1].Run != 2 || s.Episodes[1].Trips[0].Name() != "fault" || s.Episodes[1].From.Value > 20 || s.Episodes[1].To.Value < 20.2 {
		t.Errorf("windows %+v", s.Episodes)
	}
	if want := "POWER NOT REMOVED. 1 fault of the chain. 1 trip in 2 runs"; !strings.HasPrefix(s.Headline(), want) {
		t.Errorf("headline %q, want %q", s.Headline(), want)
	}
	r := Of(time.Unix(0, 0), "a test", []*Session{s, s}, nil, Asked{})
	if row := r.Across.Rows[0]; row.Trips != 1 || row.Faults != 1 {
		t.Errorf("across %+v", row)
	}
	// Twice the same day: 1 s and 11 s live each.
	if w := r.Across.Worn; w.Starts != 4 || w.LiveS != 24 || w.Says() != "4 starts, power on for 24.00 s, 0 openings of the contactor" {
		t.Errorf("counted %+v: %s", w, w.Says())
	}
	var page bytes.Buffer
	if err := r.WritePage(&page); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{`<span class="bad">fault: power was not removed</span>`, "<h3>Fault at ", "20.20 s, run ", `<p class="bad">WITHHELD: a fault of the chain stands open`} {
		if !strings.Contains(page.String(), want) {
			t.Errorf("the page lacks %q", want)
		}
	}
}

// A fault of the chain is put on record with a number like a trip's, and is counted
// once: as a fault.
func TestAFaultOfTheChainIsCountedOnce(t *testing.T) {
	record := `{"at_ns":20200000000,"kind":"trip","trip":2,"first_out":true,"stop":"immediate","reason":"POWER NOT REMOVED: use the hard-wired stop"}`
	in := func(day []string) *Session {
		t.Helper()
		s, err := Read(context.Background(), toldSession(t, brokenFiles, day...), Options{})
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
	n := len(faultAfterEnd) - 1
	s := in(append(append(append([]string(nil), faultAfterEnd[:n]...), record), faultAfterEnd[n]))
	if want := "POWER NOT REMOVED. 1 fault of the chain. 1 trip in 2 runs"; !strings.HasPrefix(s.Headline(), want) {
		t.Errorf("headline %q, want %q", s.Headline(), want)
	}
	if row := acrossOf([]*Session{s}).Rows[0]; row.Trips != 1 || row.Faults != 1 {
		t.Errorf("across %+v", row)
	}
	// While live, it ends its run.
	s = in([]string{faultAfterEnd[0], strings.ReplaceAll(record, "20200000000", "1500000000"),
		`{"at_ns":1500000000,"kind":"state","from":"live","state":"fault","reason":"POWER NOT REMOVED: use the hard-wired stop"}`})
	if r := s.Runs[0]; r.Trips != 0 || r.Fault == "" || !strings.HasPrefix(r.FirstCause, "POWER NOT REMOVED") {
		t.Errorf("run %+v", r)
	}
}

// The red box quotes the opening whose verification failed, not an earlier one that
// a trip brought.
func TestWitnessedQuotesTheOpeningBeforeTheFault(t *testing.T) {
	s := &Session{NotRemoved: []NotRemoved{{At: seconds(20200 * time.Millisecond), Says: "told"}},
		Openings: []Opening{{At: seconds(2 * time.Second), Run: 1, DropOut: seconds(30 * time.Millisecond)}, {At: seconds(20 * time.Second), Run: 2}, {At: seconds(30 * time.Second)}}}
	s.witnessed(true)
	if want := "told. The readback never said open after the opening at 20.00 s"; s.NotRemoved[0].Says != want {
		t.Errorf("%q, want %q", s.NotRemoved[0].Says, want)
	}
}

// While a fault of the chain stands open no forecast, what-if or record for the
// card says go; a no stays a no. Once it is cleared the verdict is given.
//
//fault:row a report is asked for the next step while a fault of the chain stands open | the verdict is withheld, in text, page, object, what-if and the record for the card
func TestVerdictIsWithheldWhileAFaultStandsOpen(t *testing.T) {
	for _, open := range [][]string{nil, {"fault 1 of the chain, power was not removed, on a day: test it again"}} {
		forecast := func() *lift.Forecast {
			return &lift.Forecast{Verdict: lift.Go, Next: []lift.StepForecast{{Name: "ballast 10", Verdict: lift.Go}, {Name: "ballast 90", Verdict: lift.No}}}
		}
		r := &Report{Sessions: []*Session{{ChainOpen: open, Integrity: Integrity{Log: triplog.Report{Verdict: "whole"}}}}, Lift: &Lift{Forecast: forecast(), WhatIf: forecast(), craft: "x"}}
		r.withhold()
		text, err := json.Marshal(r.Lift)
		if err != nil {
			t.Fatal(err)
		}
		held := open != nil
		if goes := strings.Contains(string(text), `"verdict":"go"`) || strings.Contains(r.Lift.Text(), ": GO"); goes == held || r.Found() != held {
			t.Errorf("with %q it says go: %v, found %v", open, goes, r.Found())
		}
		if strings.Count(r.Lift.Text(), "WITHHELD") != map[bool]int{true: 2}[held] || strings.Count(string(text), `"verdict":"no"`) != 2 {
			t.Errorf("with %q: %s", open, r.Lift.Text())
		}
		if got := r.Shown().Reserves[0]; got.Go == held {
			t.Errorf("with %q the record for the card says go: %v", open, got.Go)
		}
	}
}

// A forecast does not say go while what a session of the craft flew is not as it was written,
// or cannot be read: it may have been the flight that speaks against it.
//
//fault:row a report is asked for the next step, and a session of the craft cannot be read, its log was changed or a file of it | the verdict is withheld, and it is said which session that is
func TestVerdictIsWithheldWhereASessionIsNotAsItWasWritten(t *testing.T) {
	const name = "2026-05-01T10-00-00Z-s0002"
	whole := Integrity{Log: triplog.Report{Verdict: triplog.Whole}}
	for _, c := range []struct {
		what   string
		second Session
		failed string
		held   bool
	}{
		{"all in order", Session{craft: "X", Runs: []Run{{}}, Integrity: whole}, "", false},
		{"its log was changed", Session{craft: "X", Runs: []Run{{}}, Integrity: Integrity{Log: triplog.Report{Verdict: triplog.Tampered}}}, "", true},
		{"its card was changed", Session{craft: "X", Runs: []Run{{}}, Integrity: Integrity{Log: whole.Log, Changed: []string{"card.toml"}}}, "", true},
		{"the same of another craft", Session{craft: "y", Runs: []Run{{}}, Integrity: Integrity{Log: whole.Log, Changed: []string{"card.toml"}}}, "", false},
		{"the same, and nothing flew", Session{craft: "x", Integrity: Integrity{Log: whole.Log, Changed: []string{"card.toml"}}}, "", false},
		{"it cannot be read", Session{Integrity: whole}, "/log/" + name, true},
		{"what cannot be read is no session", Session{Integrity: whole}, "/log/ledger", false},
	} {
		c.second.Session = name
		r := &Report{Sessions: []*Session{{Session: "first", craft: "x", Integrity: whole}, &c.second},
			Lift: &Lift{Forecast: &lift.Forecast{Verdict: lift.Go, Next: []lift.StepForecast{{Name: "ballast 10", Verdict: lift.Go}}}, craft: "x"}}
		if c.failed != "" {
			r.Failed = []Failure{{Folder: c.failed}}
		}
		r.withhold()
		if text := r.Lift.Text(); strings.Contains(text, ": GO") == c.held || strings.Contains(text, name) != c.held {
			t.Errorf("%s: %s", c.what, text)
		}
		if s := r.sheet(&c.second); (s.Verdict == "withheld") != c.held {
			t.Errorf("%s: the sheet says %s", c.what, s.Verdict)
		}
	}
}

// A fault is open until the ledger beside the session says otherwise; without a
// ledger nobody cleared it.
func TestChainOpenIsTheLedgersToSay(t *testing.T) {
	dir := toldSession(t, brokenFiles, faultAfterEnd...)
	logs := filepath.Dir(dir)
	open := func() []string {
		t.Helper()
		s, err := Read(context.Background(), dir, Options{})
		if err != nil {
			t.Fatal(err)
		}
		return s.ChainOpen
	}
	if got := open(); len(got) != 1 || !strings.Contains(got[0], "in no ledger beside this session") {
		t.Errorf("without a ledger: %q", got)
	}
	b, err := ledger.Read(logs, "test")
	if err != nil {
		t.Fatal(err)
	}
	sessions, _, err := session.Earlier(logs, "")
	if err != nil {
		t.Fatal(err)
	}
	if err := b.TakeOver(sessions); err != nil {
		t.Fatal(err)
	}
	if got := open(); len(got) != 1 || !strings.HasPrefix(got[0], "fault 1 of the chain, power was not removed") {
		t.Errorf("with a ledger: %q", got)
	}
	// One that calls for no test that this pad has is cleared by the word of who
	// mended it.
	if err := os.RemoveAll(ledger.Folder(logs)); err != nil {
		t.Fatal(err)
	}
	if interlock.ReasonPowerRemains.String() != "POWER NOT REMOVED: use the hard-wired stop" {
		t.Error("the decisions above are no longer those of the engine")
	}
}
