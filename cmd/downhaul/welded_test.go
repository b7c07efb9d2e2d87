package main

import (
	"bytes"
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"downhaul/hw/virtual"
	"downhaul/interlock/day/answers/told"
	"downhaul/interlock/day/guard"
	"downhaul/interlock/model/benchboard"
	"downhaul/interlock/model/craftmodel"
	"downhaul/interlock/model/rehearsal"
	"downhaul/interlock/records/session"
)

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// welded flies the demo's day with a contactor that welds in the second hover,
// just before the autopilot climbs away. It gives the session's folder and the
// status while the fault stands. What is given more goes behind the envelope.
func welded(t *testing.T, more string) (folder string, seen *told.Status) {
	t.Helper()
	link, err := rehearsal.FreePort()
	must(t, err)
	dir := t.TempDir()
	_, err = writeDemoFiles(dir, link)
	must(t, err)
	limits, err := os.OpenFile(filepath.Join(dir, session.Envelope), os.O_APPEND|os.O_WRONLY, 0)
	must(t, err)
	_, err = limits.WriteString(more)
	must(t, errors.Join(err, limits.Close()))
	files, err := guard.ReadFiles(filepath.Join(dir, session.Pad), "", "")
	must(t, err)
	var clock time.Duration
	g, err := guard.Open(files, guard.Options{Virtual: benchboard.Open, Software: guard.Software(), Room: 1, Stepped: true, Now: func() time.Duration { return clock }})
	must(t, err)
	board := g.Board().(*virtual.Board)
	cfg := craftmodel.EightTwo()
	cfg.Ballast, cfg.Seed, cfg.Unpowered = 12, 7, true
	craft, err := craftmodel.New(cfg)
	must(t, err)
	crew, err := crewOf(g)
	must(t, err)
	s := &stage{craft: craft, board: board, guard: g, send: straight(g, link), crew: crew}
	var says bytes.Buffer
	var m moments
	var at time.Duration
	for _, scene := range story(&teller{out: &says}, craft, board, g, &m) {
		if scene.waiting == "the cut" {
			break
		}
		s.crew.scenes = append(s.crew.scenes, scene)
	}
	s.crew.scenes = append(s.crew.scenes,
		scene{func(time.Duration, *told.Status) bool { return true }, "", func(time.Duration, *told.Status) error { return board.Break("weld") }},
		scene{state("fault"), "the fault", func(now time.Duration, s *told.Status) error { at = now; return nil }},
		scene{func(now time.Duration, _ *told.Status) bool { return now > at+3*time.Second }, "", func(_ time.Duration, s *told.Status) error { seen = s; return nil }})
	must(t, board.OpenContact("gate"))
	must(t, runStepped(s, g, &clock))
	must(t, g.Finish(clock))
	return g.Folder(), seen
}

// After power that was not removed, status and report begin with that, say what
// to do in order, and nowhere that power was off.
func TestPromise06_StatusAndReportOfAWeldedContactor(t *testing.T) {
	folder, seen := welded(t, "")
	status := printed(seen)
	if !strings.HasPrefix(status, "DANGER: POWER NOT REMOVED: use the hard-wired stop.\nKEEP OUT\n  > Use the hard-wired stop. Nobody goes in.\n  > If power stays on: land and disarm") ||
		!strings.Contains(status, "Relay commanded open.") || strings.Contains(status, "Relay open") {
		t.Errorf("status:\n%.800s", status)
	}
	out := filepath.Join(t.TempDir(), "report")
	var text, errs bytes.Buffer
	if code := run(context.Background(), []string{"report", "--out", out, folder}, &streams{strings.NewReader(""), &text, &errs}); code != somethingWas {
		t.Fatal(code, errs.String())
	}
	said := text.String()
	for _, line := range strings.Split(said, "\n") {
		if utf8.RuneCountInString(line) > columns && !strings.HasPrefix(line, "Page: ") { // a path stays whole
			t.Errorf("%d columns: %s", utf8.RuneCountInString(line), line)
		}
	}
	flat := strings.Join(strings.Fields(said), " ")
	at := 0
	for _, part := range []string{"POWER NOT REMOVED " + filepath.Base(folder), "The readback never said open after the opening at", "1. Nobody goes in while power may still be on: use the hard-wired stop.",
		"2. Then unplug the packs", "4. Do not fly again", "POWER NOT REMOVED. 1 fault of the chain. 2 trips in 2 runs", "controlled stop; power off because: brought down.",
		"power commanded off at once: past a limit; POWER NOT REMOVED, told at", "power may have stayed on after this run's end", "THE READBACK NEVER SAID OPEN.",
		"LIFT: WITHHELD: a fault of the chain stands open, so no step is a go. Fault 1 of the chain, power was not removed"} {
		n := strings.Index(flat[at:], part)
		if n < 0 {
			t.Fatalf("%q does not come after what is before it:\n%s", part, said)
		}
		at += n
	}
	if !strings.HasPrefix(said, "POWER NOT REMOVED\n") || strings.Contains(flat, "power off at once") {
		t.Errorf("report:\n%.500s", said)
	}
	page, err := os.ReadFile(filepath.Join(out, "report.html"))
	must(t, err)
	_, body, _ := strings.Cut(string(page), "<main>")
	box, rest, _ := strings.Cut(body, "</section>")
	if !strings.HasPrefix(strings.TrimSpace(box), "<section class=\"stop\">\n<h2>POWER NOT REMOVED</h2>") || strings.Count(box, "<li>") != 4 ||
		!strings.Contains(rest, `<p class="bad">WITHHELD: a fault of the chain stands open`) || strings.Contains(rest, "Power off at once") {
		t.Errorf("page:\n%.2000s", body)
	}
}
