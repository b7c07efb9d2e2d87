package main

import (
	"bytes"
	"os"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"downhaul/interlock/before/prove"
	"downhaul/interlock/pad"
	"downhaul/rules"
)

// What failed is told in the row, below it with what was found, and in the last
// line. The core is right, so the time that it is given is made too short.
func TestWhatFailsIsTold(t *testing.T) {
	text, err := os.ReadFile("demo/envelope.toml")
	if err != nil {
		t.Fatal(err)
	}
	env, faults := rules.ReadEnvelope("envelope.toml", text)
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	p, faults := pad.Read("pad.toml", builtinPad)
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	report, err := prove.Run(prove.Setup{Envelope: env, Site: p.Site(), Intake: p.Intake(), CellRate: p.LoadCell.Rate, Fed: p.Fed,
		Budget: func(r *rules.Rule) prove.Budget {
			if r.Name == "tilt" {
				return prove.Budget{Relay: 120 * time.Millisecond}
			}
			return prove.Budget{Relay: time.Minute}
		}})
	if err != nil {
		t.Fatal(err)
	}
	r := proved{Report: report, env: env, Passed: report.Pass, Counts: outcomesOf(report)}
	var out bytes.Buffer
	r.print(&out)
	if r.Passed || r.Counts.Fail == 0 {
		t.Fatalf("a rule that takes too long passed\n%s", &out)
	}
	got := strings.Join(strings.Fields(out.String()), " ")
	for _, want := range []string{
		"tilt above 35 deg 199 ms 120 ms 1 s FAILED",
		"gust above 8 m/s 3 s 60 s 3 s pass",
		"FAILED: - tilt above, outside: took 199 ms, and may take 120 ms",
		"- tilt above, silence: stale after 1 s, and the whole budget is 120 ms",
		"FAILED: - tilt above", "cases passed, ",
	} {
		if !strings.Contains(got, want) {
			t.Errorf("%q is not told", want)
		}
	}
	for i, line := range strings.Split(out.String(), "\n") {
		if n := utf8.RuneCountInString(line); n > columns {
			t.Errorf("line %d has %d columns: %s", i+1, n, line)
		}
	}
	if t.Failed() {
		t.Log("\n" + out.String())
	}
}
