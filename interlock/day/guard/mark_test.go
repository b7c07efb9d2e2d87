package guard

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"downhaul/interlock/model/benchboard"
)

// A rehearsal must not pass for a guard on real pins, whichever of its records
// somebody holds in his hand later; and a program without a virtual board refuses
// such a pad before it begins anything.
func TestVirtualBoardIsMarkedEverywhere(t *testing.T) {
	dir := t.TempDir()
	files := testFiles(t, dir, "tilt.toml")
	_, err := Open(files, Options{Software: "test", Room: 1})
	if err == nil || !strings.Contains(err.Error(), "run downhauld-bench") {
		t.Fatalf("without a virtual board: %v", err)
	}
	if left, _ := filepath.Glob(filepath.Join(dir, "*Z-*")); len(left) > 0 {
		t.Fatalf("a session was begun: %v", left)
	}
	now := time.Duration(0)
	g, err := Open(files, Options{Virtual: benchboard.Open, Software: "test", Room: 1, Stepped: true, Now: func() time.Duration { return now }})
	must(t, err)
	const mark = "virtual board, a rehearsal"
	if s := g.Status(); s.Mark != mark || len(s.Unseen) == 0 || !strings.Contains(s.Unseen[0], mark) {
		t.Errorf("status: %q, cannot see %q", s.Mark, s.Unseen)
	}
	if said := strings.Join(g.Opening(), "\n"); !strings.Contains(said, mark) {
		t.Errorf("said at the start:\n%s", said)
	}
	must(t, g.Finish(now))
	for _, name := range []string{"session.json", "trips.jsonl", "recording.pcapng"} {
		text, err := os.ReadFile(filepath.Join(g.Folder(), name))
		must(t, err)
		if !strings.Contains(string(text), mark) {
			t.Errorf("%s does not say %q", name, mark)
		}
	}
}

// A pad on real pins is never marked.
func TestRealBoardIsNotMarked(t *testing.T) {
	var none OpenVirtual
	c, faults := testFiles(t, t.TempDir(), "tilt.toml").Check()
	must(t, faults.Err())
	c.Pad.Board.Kind = "gpio"
	if mark := c.Pad.Mark(); mark != "" || none.Fits(c.Pad) != nil {
		t.Errorf("%q, %v", mark, none.Fits(c.Pad))
	}
}
