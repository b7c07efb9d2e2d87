package main

import (
	"encoding/json"
	"path/filepath"
	"testing"
	"time"

	"downhaul/hw/localsocket"
	"downhaul/interlock/day/answers"
	"downhaul/interlock/day/answers/told"
	"downhaul/interlock/day/guard"
	"downhaul/interlock/model/benchboard"
	"downhaul/interlock/model/rehearsal"
)

// A guard whose loop stands still answers on its socket all the same, with what it last saw:
// that is no state any more, and no script goes on by it.
func TestStatusUntilGoesByNoOldState(t *testing.T) {
	dir := t.TempDir()
	link, err := rehearsal.FreePort()
	must(t, err)
	must(t, hoverFiles(dir, link))
	files, err := guard.ReadFiles(filepath.Join(dir, "pad.toml"), "", "")
	must(t, err)
	g, err := guard.Open(files, guard.Options{Virtual: benchboard.Open, Software: "test", Room: 1, Stepped: true, Now: func() time.Duration { return 0 }})
	must(t, err)
	seen, runs := g.Seen(), g.Files()
	must(t, g.Finish(0))
	socket := filepath.Join(dir, "old.sock")
	s, err := localsocket.Serve(localsocket.Config{Path: socket, Mode: 0o600, Group: -1, Refusal: answers.Reply{}, TooLong: answers.Reply{}, Handle: func(c *localsocket.Client, line []byte) bool {
		var r answers.Request
		if json.Unmarshal(line, &r) != nil {
			return false
		}
		if r.Do == "files" {
			return c.Send(answers.Reply{OK: true, Files: runs}) == nil
		}
		return c.Send(answers.Reply{OK: true, Seen: seen}) == nil
	}})
	must(t, err)
	defer s.Close()
	for age, want := range map[time.Duration]int{0: 0, told.OldAfter + 1: somethingWas} {
		seen.Age = age
		code, out, trouble := tool("", "status", "--socket", socket, "--until", seen.View.State.String(), "--for", "300ms")
		if code != want {
			t.Errorf("a state of %v ago: code %d, want %d: %s%s", age, code, want, out, trouble)
		}
	}
}
