package prove

import (
	"errors"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"downhaul/interlock/day/derived"
	"downhaul/interlock/pad"
	"downhaul/rules"
)

// budgetOf is generous: how the real one is worked out is the command's.
func budgetOf(r *rules.Rule) Budget {
	v := map[rules.ChannelID]time.Duration{rules.Gust: 3 * time.Second, rules.RotorGust: 3 * time.Second, rules.Sway: 5 * time.Second, rules.LinkLoss: 10 * time.Second}[r.Watch] +
		r.Over + 2*r.Watch.Channel().Period + r.Lasting
	return Budget{Value: v, Silence: r.StaleAfter, Relay: max(v, r.StaleAfter) + 50*time.Millisecond}
}

func demoFile(t testing.TB, name string) []byte {
	t.Helper()
	b, err := os.ReadFile("../../../cmd/downhaul/demo/" + name)
	if err != nil {
		t.Fatal(err)
	}
	return []byte(strings.NewReplacer("@FOLDER@", "/tmp/proof", "@LINK@", "127.0.0.1:40123", "@TODAY@", time.Now().Format(time.DateOnly)).Replace(string(b)))
}

func setupOf(t testing.TB, envelope, padText []byte) Setup {
	t.Helper()
	env, faults := rules.ReadEnvelope("envelope.toml", envelope)
	if env == nil || len(faults) > 0 {
		t.Fatal(faults)
	}
	p, faults := pad.Read("pad.toml", padText)
	if p == nil || len(faults) > 0 {
		t.Fatal(faults)
	}
	return Setup{Envelope: env, Site: p.Site(), Intake: p.Intake(), CellRate: p.LoadCell.Rate, Fed: p.Fed, Budget: budgetOf}
}

func report(t testing.TB, s Setup) *Report {
	t.Helper()
	r, err := Run(s)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// faults lists the failed cases as "rule: case: what".
func faults(r *Report, own ...Case) []string {
	var out []string
	for _, row := range r.Rules {
		for _, c := range row.Cases {
			if c.Outcome == Fail {
				out = append(out, row.Rule+" "+row.Side+": "+c.Name+": "+c.Says)
			}
		}
	}
	for _, c := range own {
		if c.Outcome == Fail {
			out = append(out, c.Name+": "+c.Says)
		}
	}
	for _, c := range r.Starts {
		if c.Outcome == Fail {
			out = append(out, "to start: "+c.Name+": "+c.Says)
		}
	}
	return out
}

// Whoever is told of the progress may end it.
func TestAProofCanBeEnded(t *testing.T) {
	s := setupOf(t, demoFile(t, "envelope.toml"), demoFile(t, "pad.toml"))
	for end := range 8 {
		told := 0
		s.Progress = func(what string, n, of int) bool {
			if told++; what == "" || n != told || of != 7 {
				t.Errorf("told %q, %d of %d, as number %d", what, n, of, told)
			}
			return told <= end
		}
		r, err := Run(s)
		if (end < 7) != errors.Is(err, errStopped) || (end == 7) != (r != nil) {
			t.Errorf("ended after %d: %v, %v", end, r, err)
		}
	}
}

func TestTheDemosFilesAreProved(t *testing.T) {
	began := time.Now()
	r, own := wholly(t, setupOf(t, demoFile(t, "envelope.toml"), demoFile(t, "pad.toml")))
	t.Logf("%d cases, and %d whatever the files say, in %v", r.Count(Pass), len(own), time.Since(began))
	for _, f := range faults(r, own...) {
		t.Error(f)
	}
	for _, row := range r.Rules {
		if row.Outcome != Pass {
			t.Errorf("%s: %s %s", row.Rule, row.Outcome, row.Why)
		}
		for _, c := range row.Cases {
			t.Logf("%s: %s: %s: %s", row.Rule, c.Name, c.Outcome, c.Says)
		}
	}
	for _, c := range own {
		t.Logf("%s: %s: %s", c.Name, c.Outcome, c.Says)
	}
	for _, c := range r.Starts {
		t.Logf("to start: %s: %s: %s", c.Name, c.Outcome, c.Says)
	}
	t.Log(r.Notes)
}

// The height before a start: the bound is a metre, as the handbook promises, and
// everything about it is proved on the demo's pad, to the millimetre of the field.
func TestTheHeightBeforeAStartIsProved(t *testing.T) {
	starts := func(s Setup) map[string]Case {
		s.only = func(rule string) bool { return rule == "" }
		r, own := wholly(t, s)
		for _, f := range faults(r, own...) {
			t.Error(f)
		}
		got := map[string]Case{}
		for _, c := range own {
			if name, ok := strings.CutPrefix(c.Name, "to start: "); ok && strings.HasPrefix(name, "height ") {
				got[name] = c
			}
		}
		return got
	}
	expect := func(got map[string]Case, want map[string][2]string) {
		t.Helper()
		if len(got) != len(want) {
			t.Errorf("%d cases %v, want %d", len(got), got, len(want))
		}
		for name, w := range want {
			if c := got[name]; c.Outcome != w[0] || !strings.Contains(c.Says, w[1]) {
				t.Errorf("%s: %s: %s, want %s with %q", name, c.Outcome, c.Says, w[0], w[1])
			}
		}
	}
	pad := demoFile(t, "pad.toml")
	expect(starts(setupOf(t, demoFile(t, "envelope.toml"), pad)), map[string][2]string{
		"height above zero": {Pass, "1.001 m alone holds the start back, and so does 1.5 m; 1 m does not"},
		"height below zero": {Pass, "-1.001 m alone holds the start back, and so does -1.5 m; -1 m does not"},
		"height near zero":  {Pass, "a start is made at 0.5 m, also after 1.5 m"},
		"height silent":     {Pass, "holds the start back (craft.apex)"},
	})
	// Where no limit rests on the height its silence matters to none; where other
	// limits stand at the same height, each is shown without them.
	head := "version = 1\ntitle = \"heights\"\n"
	tilt := wideRule("tilt", "craft.tilt", `above = "35 deg"`, now)
	expect(starts(setupOf(t, []byte(head+tilt), pad)), map[string][2]string{
		"height above zero": {Pass, "1.001 m alone"}, "height below zero": {Pass, "-1.001 m alone"},
		"height near zero": {Pass, "0.5 m"}, "height silent": {Moot, "no limit"},
	})
	low := startRow("low", "craft.height", `below = "20 cm"`)
	expect(starts(setupOf(t, []byte(head+tilt+low), pad)), map[string][2]string{
		"height above zero": {Pass, "without the rules, for beside it there is: low"}, "height below zero": {Pass, "-1.001 m alone"},
		"height near zero": {Pass, "0.5 m"}, "height silent": {Moot, "no limit"},
	})
	// A range finder tells nothing below the ground.
	ranged := setupOf(t, []byte(head+tilt), pad)
	cfg := ranged.Site.Derived.(derived.Config)
	cfg.HeightSources = []rules.ChannelID{rules.HeightRange}
	ranged.Site.Derived = cfg
	ranged.Site.Fed[rules.HeightRange] = rules.CraftSays
	got := starts(ranged)
	if got["height below zero"].Outcome != Moot || got["height above zero"].Outcome != Pass {
		t.Errorf("a range finder: %v", got)
	}
}

// A ceiling high up has a wide deadband of its own: the step past it sets out from below
// that, and must not become a jump that no height makes.
func TestCeilingsHighUpAreProved(t *testing.T) {
	for _, limit := range []string{"6 m", "19 m", "23 m", "40 m", "75 ft"} {
		text := "version = 1\ntitle = \"high\"\n" + wideRule("ceiling", "craft.apex", `above = "`+limit+`"`, now)
		s := setupOf(t, []byte(text), demoFile(t, "pad.toml"))
		s.only = func(rule string) bool { return rule == "ceiling" }
		r, own := wholly(t, s)
		for _, f := range faults(r, own...) {
			t.Errorf("%s: %s", limit, f)
		}
		steps := 0
		for _, c := range own {
			if c.Name == "ceiling above: step" && c.Outcome == Pass {
				steps++
			}
		}
		if steps != 1 {
			t.Errorf("%s: %d steps past it were proved", limit, steps)
		}
	}
}

// A pack of more than 65.534 V is told in two fields (MAVLink common.xml,
// BATTERY_STATUS: cell 0 is 65534 and the rest in the next), and is proved like any.
func TestAFloorOfManyCellsIsProved(t *testing.T) {
	padText := strings.Replace(string(demoFile(t, "pad.toml")), "cells  = 14\nfloor  = \"46 V\"", "cells  = 24", 1)
	text := "version = 1\ntitle = \"many\"\n" + wideRule("floor", "pack.mean_cell", `below = "3.45 V"`, now) + startRow("full", "pack.mean_cell", `above = "3.9 V"`)
	r := report(t, setupOf(t, []byte(text), []byte(padText)))
	for _, f := range faults(r) {
		t.Error(f)
	}
	for _, row := range r.Rules {
		for _, c := range row.Cases {
			if c.Name == "the whole rule" || c.Name == "outside" && c.Outcome != Pass {
				t.Errorf("%s: %s: %s %s", row.Rule, c.Name, c.Outcome, c.Says)
			}
		}
	}
	for _, c := range r.Starts {
		if c.Outcome == NotProven && !strings.Contains(c.Says, "clock") {
			t.Errorf("to start: %s: %s", c.Name, c.Says)
		}
	}
}

// A craft that signs is proved behind the guard's own door for signed frames,
// and comes to the same times and edges.
func TestASigningCraftIsProvedBehindItsDoor(t *testing.T) {
	s := setupOf(t, demoFile(t, "envelope.toml"), demoFile(t, "pad.toml"))
	plain, bare := wholly(t, s)
	r, own := wholly(t, signed(s, nil))
	for _, f := range faults(r, own...) {
		t.Error(f)
	}
	for i, row := range r.Rules {
		was := plain.Rules[i]
		if row.Outcome != Pass || *row.Held != *was.Held || *row.Tripped != *was.Tripped || *row.Detect != *was.Detect || *row.Silence != *was.Silence {
			t.Errorf("%s: %s, and unsigned %+v", row.Rule, row.Outcome, was)
		}
		forged := slices.ContainsFunc(own, func(c Case) bool {
			return c.Name == row.Rule+" "+row.Side+": forged frames" && c.Outcome == Pass
		})
		if told := row.Rule == "ceiling" || row.Rule == "tilt" || row.Rule == "pack floor"; told != forged {
			t.Errorf("%s: forged frames tried: %v", row.Rule, forged)
		}
	}
	if got := r.Count(Pass) - plain.Count(Pass) + len(own) - len(bare); got != 3+int(forgeries)-1 {
		t.Errorf("%d cases more than for a craft that does not sign", got)
	}
}
