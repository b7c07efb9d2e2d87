package main

import (
	"io"
	"regexp"
	"strings"
	"testing"

	"downhaul/interlock/pad"
)

// What new leaves as comments in the pad file are the lines of a full pad: with the
// marks taken away it is one that the reader takes, with the anemometer's wire
// supervised.
func TestStarterPadWithItsMarksTakenAway(t *testing.T) {
	a, err := askAll(t.Context(), newAsker(strings.NewReader(strings.Repeat("\n", 20)), io.Discard))
	if err != nil {
		t.Fatal(err)
	}
	f := a.reckon()
	f.Sessions, f.Socket = "/tmp/sessions", "/tmp/guard.sock"
	texts, _, err := f.texts()
	if err != nil {
		t.Fatal(err)
	}
	key := regexp.MustCompile(`^# (\[|[a-z_]+ +=|[a-z_]+ =)`)
	var lines []string
	for _, line := range strings.Split(string(texts["pad.toml"]), "\n") {
		if key.MatchString(line) {
			line = strings.TrimPrefix(line, "# ")
		}
		lines = append(lines, line)
	}
	text := strings.Replace(strings.Join(lines, "\n"), `duty    = "watch"`, `duty    = "guard"`, 1)
	p, faults := pad.Read("pad.toml", []byte(text))
	if faults != nil {
		t.Fatalf("%v\n%s", faults, text)
	}
	if !p.Wind.Fitted || !p.Board.Line("wind_loop").Fitted || !p.LoadCell.Fitted {
		t.Errorf("wind %v, wind_loop %v, load cell %v", p.Wind.Fitted, p.Board.Line("wind_loop").Fitted, p.LoadCell.Fitted)
	}
}
