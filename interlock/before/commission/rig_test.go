package commission

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"downhaul/hw/virtual"
	"downhaul/interlock/model/benchboard"
	"downhaul/interlock/pad"
	"downhaul/interlock/records/prooftest"
)

// testPad reads the pad of the tests, changed where told (old, new, ...).
func testPad(t testing.TB, folder string, change ...string) *pad.Pad {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("testdata", "pad.toml"))
	if err != nil {
		t.Fatal(err)
	}
	p, faults := pad.Read("pad.toml", []byte(strings.NewReplacer(append([]string{"@FOLDER@", folder}, change...)...).Replace(string(text))))
	if faults != nil {
		t.Fatal(faults)
	}
	return p
}

// hands is a crew that answers and acts by what it is told. Every phrase of
// the script must be met, in any order, as often as it comes.
type hands struct {
	t      testing.TB
	board  *virtual.Board
	script []cue
	met    map[string]bool
	said   []string
}

// cue answers a question, or acts on what is said, that holds the phrase. The
// first that fits counts.
type cue struct {
	phrase string
	answer string
	act    func(*virtual.Board) error
	once   bool // only the first time
}

func (h *hands) cue(text string) *cue {
	for i := range h.script {
		c := &h.script[i]
		if strings.Contains(text, c.phrase) && !(c.once && h.met[c.phrase]) {
			h.met[c.phrase] = true
			return c
		}
	}
	return nil
}

func (h *hands) Say(text string) {
	h.said = append(h.said, text)
	if c := h.cue(text); c != nil && c.act != nil {
		// A person needs a moment.
		time.AfterFunc(700*time.Millisecond, func() {
			if err := c.act(h.board); err != nil {
				h.t.Errorf("%q: %v", c.phrase, err)
			}
		})
	}
}

func (h *hands) Ask(ctx context.Context, question, _ string) (string, error) {
	h.said = append(h.said, "? "+question)
	if s, err := h.board.Show(); err != nil || s.Coil || s.Outputs[0].On {
		h.t.Errorf("the relay is on while %q waits for its answer (%v)", question, err)
	}
	if ctx.Err() != nil {
		return "", ctx.Err()
	}
	c := h.cue(question)
	if c == nil {
		return "", fmt.Errorf("nobody knows an answer to %q: %w", question, io.EOF)
	}
	if c.act != nil {
		if err := c.act(h.board); err != nil {
			h.t.Errorf("%q: %v", c.phrase, err)
		}
	}
	return c.answer, nil
}

func press(name string) func(*virtual.Board) error {
	return func(b *virtual.Board) error { return b.Press(name) }
}
func release(name string) func(*virtual.Board) error {
	return func(b *virtual.Board) error { return b.Release(name) }
}
func openIt(name string) func(*virtual.Board) error {
	return func(b *virtual.Board) error { return b.OpenContact(name) }
}
func closeIt(names ...string) func(*virtual.Board) error {
	return func(b *virtual.Board) error {
		for _, n := range names {
			if err := b.CloseContact(n); err != nil {
				return err
			}
		}
		return nil
	}
}
func breaks(name string) func(*virtual.Board) error {
	return func(b *virtual.Board) error { return b.Break(name) }
}
func load(newtons float64) func(*virtual.Board) error {
	return func(b *virtual.Board) error { return b.Load(newtons) }
}

// goodCrew does everything as it is told to.
func goodCrew() []cue {
	return []cue{
		{phrase: "Who does these tests", answer: "A. B."},
		{phrase: "Press the emergency stop", act: press("estop")},
		{phrase: "Twist", act: release("estop")},
		{phrase: "wire of contact A", act: openIt("estop_a")},
		{phrase: "wire of contact B", act: openIt("estop_b")},
		{phrase: "Close that wire", act: closeIt("estop_a", "estop_b")},
		{phrase: "Press reset", act: press("reset")}, {phrase: "Let reset", act: release("reset")},
		{phrase: "Press start", act: press("start")}, {phrase: "Let start", act: release("start")},
		{phrase: "Press end", act: press("end")}, {phrase: "Let end", act: release("end")},
		{phrase: "Hold the hold", act: press("hold")}, {phrase: "Let the hold", act: release("hold")},
		{phrase: "Open the gate", act: openIt("gate")}, {phrase: "Close the gate", act: closeIt("gate")},
		{phrase: "Turn the anemometer", act: func(b *virtual.Board) error { return b.Turn(6) }},
		{phrase: "stop it", act: func(b *virtual.Board) error { return b.Turn(0) }},
		{phrase: "hang free", answer: "yes", act: load(0)},
		// 20 kg is 196.133 N by the standard gravity.
		{phrase: "How much is it", answer: "20 kg", act: load(196.133)},
		{phrase: "How long did it take", answer: "2.4 s"},
		{phrase: "How was it read", answer: "video at 60 frames a second"},
		{phrase: "Who read it", answer: "C. D."},
		{phrase: "Shall the relay close", answer: "yes"},
		{phrase: "?", answer: "yes"},
	}
}

// run does a run in a bubble of made-up time. before works the board first,
// crew comes before the good crew.
func run(t *testing.T, p *pad.Pad, only []prooftest.Test, before func(*virtual.Board) error, crew ...cue) (record *prooftest.Record, h *hands, err error) {
	t.Helper()
	return runOn(t, p, p, only, before, crew...)
}

// runWired is run on a board that is wired as another pad file says.
func runWired(t *testing.T, wired, p *pad.Pad, only []prooftest.Test, crew ...cue) (*prooftest.Record, *hands, error) {
	t.Helper()
	return runOn(t, wired, p, only, nil, crew...)
}

func runOn(t *testing.T, wired, p *pad.Pad, only []prooftest.Test, before func(*virtual.Board) error, crew ...cue) (record *prooftest.Record, h *hands, err error) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		began := time.Now()
		now := func() time.Duration { return time.Since(began) }
		board, openErr := virtual.Open(benchboard.Config(wired, now))
		if openErr != nil {
			t.Fatal(openErr)
		}
		if before != nil {
			if err := before(board); err != nil {
				t.Fatal(err)
			}
		}
		h = &hands{t: t, board: board, met: map[string]bool{}, script: append(crew, goodCrew()...)}
		record, err = Run(t.Context(), Config{Pad: p, File: "pad.toml", Board: board, Crew: h, Now: now, Sleep: time.Sleep,
			Wall: time.Now, Software: "test", Only: only, Patience: 4 * time.Second})
		if record != nil && strings.Contains(fmt.Sprint(record.Tests), "cannot be written") {
			_ = board.Mend("outputs") // it says so: nothing more can be asked of it
			_ = board.Inert()
		}
		if s, showErr := board.Show(); showErr != nil || s.Outputs[0].On || s.Coil {
			t.Errorf("the relay is on after the run (%v)", showErr)
		}
		time.Sleep(2 * time.Second) // what the hands still had in mind
		_ = board.Close()
	})
	return record, h, err
}

// runUntil does chain, signals and buttons and breaks the run off at the cue.
func runUntil(t *testing.T, p *pad.Pad, stop string, crew ...cue) (record *prooftest.Record, err error) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		began := time.Now()
		now := func() time.Duration { return time.Since(began) }
		board, openErr := virtual.Open(benchboard.Config(p, now))
		if openErr != nil {
			t.Fatal(openErr)
		}
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		crew = append(crew, cue{phrase: stop, act: func(*virtual.Board) error { cancel(); return nil }, answer: "yes"})
		h := &hands{t: t, board: board, met: map[string]bool{}, script: append(crew, goodCrew()...)}
		record, err = Run(ctx, Config{Pad: p, Board: board, Crew: h, Now: now, Sleep: time.Sleep, Wall: time.Now,
			Only: []prooftest.Test{prooftest.Chain, prooftest.Signals, prooftest.Buttons}, Patience: 4 * time.Second})
		if s, showErr := board.Show(); showErr != nil || s.Outputs[0].On || s.Coil {
			t.Errorf("the relay is on after the run (%v)", showErr)
		}
		time.Sleep(2 * time.Second)
		_ = board.Close()
	})
	return record, err
}

// result wants one test's outcome.
func result(t *testing.T, r *prooftest.Record, test prooftest.Test, want prooftest.Outcome) *prooftest.Result {
	t.Helper()
	if r == nil {
		t.Fatal("no record")
	}
	got, ok := r.Test(test)
	if !ok {
		t.Fatalf("%v is not in the record", test)
	}
	if got.Outcome != want {
		t.Errorf("%v: %s (%q), want %s", test, got.Outcome, got.Found, want)
	}
	return got
}

// between wants a figure in a range.
func between(t *testing.T, r *prooftest.Result, name string, low, high float64) {
	t.Helper()
	f, ok := figureOf(r, name)
	if !ok || f.Value < low || f.Value > high {
		t.Errorf("%s: %+v (there: %v), want %g to %g", name, f, ok, low, high)
	}
}

func finds(t *testing.T, r *prooftest.Result, words string) {
	t.Helper()
	if !slices.ContainsFunc(r.Found, func(s string) bool { return strings.Contains(s, words) }) {
		t.Errorf("%v found %q, want %q", r.Test, r.Found, words)
	}
}

func TestEverythingInOrderPasses(t *testing.T) {
	p := testPad(t, t.TempDir())
	r, h, err := run(t, p, nil, nil)
	if err != nil {
		t.Fatalf("%v\n%s", err, strings.Join(h.said, "\n"))
	}
	if r.By != "A. B." || r.Interrupted || len(r.Tests) != int(prooftest.Latency)+1 {
		t.Errorf("record %+v", r)
	}
	for test := range prooftest.Test(int(prooftest.Latency) + 1) {
		result(t, r, test, prooftest.Passed)
	}
	c := result(t, r, prooftest.Chain, prooftest.Passed)
	// The modelled chain picks up in 15 ms and drops out in 20 ms, and is read
	// every millisecond.
	between(t, c, "operations", 10, 100)
	for _, which := range []string{"least", "median", "most"} {
		between(t, c, "pick-up, "+which, 0.015, 0.0161)
		between(t, c, "drop-out, "+which, 0.020, 0.0211)
	}
	// 80 ms of the watchdog and 20 ms of the contactor.
	for _, level := range []string{"high", "low"} {
		between(t, c, "last pulse to open, standing "+level, 0.100, 0.1011)
	}
	s := result(t, r, prooftest.Stop, prooftest.Passed)
	between(t, s, "contacts apart", 0, 0)
	between(t, s, "the emergency stop, to open contactor", 0.018, 0.0211)
	between(t, s, "contact A alone, to open contactor", 0.018, 0.0211)
	between(t, s, "contact B alone, to open contactor", 0.018, 0.0211)
	a := result(t, r, prooftest.Anemometer, prooftest.Passed)
	between(t, a, "rate, by periods", 5.99, 6.01)
	between(t, a, "rate, by counts", 5.99, 6.01)
	l := result(t, r, prooftest.LoadCell, prooftest.Passed)
	between(t, l, "newtons per count", 0.002499, 0.002501)
	between(t, l, "zero, mean", 84000, 84000)
	between(t, l, "zero, spread", 0, 0)
	between(t, l, "conversions a second, unloaded", 79, 81)
	between(t, result(t, r, prooftest.Rotors, prooftest.Passed), stopTimeFigure, 2.4, 2.4)
	q := result(t, r, prooftest.Latency, prooftest.Passed)
	between(t, q, "operations", 10, 100)
	between(t, q, "relay write to open, most", 0.020, 0.02006)
	// 196.133 N over the 78453 counts that the modelled converter rounds to.
	if !slices.Contains(h.said, "zero = 84000") || !slices.Contains(h.said, "newtons_per_count = 0.00250001") {
		t.Error("the two keys for the pad file were not told")
	}
}

func TestCautionsComeFirst(t *testing.T) {
	p := testPad(t, t.TempDir())
	for _, c := range []struct{ phrase, without string }{
		{"Local codes", "ask them first"}, {"propellers off", "take them off first"}, {"inside the keep-out", "clear the pad"},
	} {
		moved := false
		r, _, err := run(t, p, nil, nil, cue{phrase: c.phrase, answer: "no"}, cue{phrase: "contactor is worked", act: func(*virtual.Board) error { moved = true; return nil }})
		if r != nil || !errors.Is(err, errRefused) || !strings.Contains(err.Error(), c.without) || moved {
			t.Errorf("without %q: record %v, %v, worked %v", c.phrase, r, err, moved)
		}
	}
	// They cannot be skipped.
	_, h, err := run(t, p, []prooftest.Test{prooftest.Signals}, nil, cue{phrase: "propellers off", answer: "skip no time", once: true})
	if err != nil || !slices.Contains(h.said, "This cannot be skipped.") {
		t.Errorf("a caution was skipped: %v", err)
	}
}

// figureOf finds what was measured by its name.
func figureOf(r *prooftest.Result, name string) (prooftest.Figure, bool) {
	for _, f := range r.Figures {
		if f.Name == name {
			return f, true
		}
	}
	return prooftest.Figure{}, false
}
