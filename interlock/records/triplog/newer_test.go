package triplog

import (
	"bytes"
	"errors"
	"io"
	"strings"
	"testing"
)

// A log that a newer program wrote is refused as that. Told as tampered with it would
// send a crew to look for somebody who was never there; read on, it could be misread.
// One byte changed in a log of ours is still a change.
func TestNewerLogIsRefused(t *testing.T) {
	ours := []byte(`{"v":1,"n":1,"at_ns":0,"wall":"2026-05-30T18:04:11.000Z","kind":"head","head":{"session":"x"}`)
	line := func(version string) []byte {
		body := bytes.Replace(ours, []byte(`{"v":1,`), []byte(`{"v":`+version+`,`), 1)
		return append(append(body, chainKey+sum(link{}, body).String()+chainEnd...), '\n')
	}
	for _, version := range []string{"2", "17"} {
		_, err := walk([]io.Reader{bytes.NewReader(line(version))}, nil)
		if err == nil || !strings.Contains(err.Error(), "newer version") {
			t.Errorf("version %s: verify says %v", version, err)
		}
		for _, err := range linesOf(bytes.NewReader(line(version))) {
			if err == nil || errors.Is(err, ErrBroken) || !strings.Contains(err.Error(), "newer version") {
				t.Errorf("version %s: read as %v", version, err)
			}
		}
	}
	edited := bytes.Replace(line("1"), []byte(`{"v":1,`), []byte(`{"v":2,`), 1)
	if rep, err := walk([]io.Reader{bytes.NewReader(edited)}, nil); err != nil || rep.Verdict != Tampered || rep.FirstBad != 1 {
		t.Errorf("an edited version: %+v, %v", rep, err)
	}
	if rep, err := walk([]io.Reader{bytes.NewReader(line("1"))}, nil); err != nil || rep.Verdict != CutShort {
		t.Errorf("ours: %+v, %v", rep, err)
	}
}
