package main

import (
	"bytes"
	"context"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"downhaul/interlock/after/report"
)

// TestReport_DamagedFiles: whatever is damaged in a session, in one file or in
// several, the report is made of the rest, or says why nothing can be said.
func TestReport_DamagedFiles(t *testing.T) {
	dir := t.TempDir()
	day := filepath.Join(dir, "day")
	s := &streams{strings.NewReader(""), io.Discard, io.Discard}
	if code := run(context.Background(), []string{"demo", "--fast", "--out", day}, s); code != nothingFound {
		t.Fatal(code)
	}
	sessions, err := filepath.Glob(filepath.Join(day, "20*"))
	if err != nil || len(sessions) != 1 {
		t.Fatal(sessions, err)
	}
	whole := map[string][]byte{}
	for _, name := range []string{"session.json", "pad.toml", "envelope.toml", "card.toml", "trips.jsonl", "recording.pcapng"} {
		if whole[name], err = os.ReadFile(filepath.Join(sessions[0], name)); err != nil {
			t.Fatal(err)
		}
	}
	names := []string{"recording.pcapng", "trips.jsonl", "envelope.toml", "pad.toml", "card.toml", "session.json"}
	rnd := rand.New(rand.NewPCG(5, 9))
	made := 0
	for round := range 36 {
		broken := filepath.Join(dir, "broken")
		if err := os.MkdirAll(broken, 0o755); err != nil {
			t.Fatal(err)
		}
		for i, name := range names {
			text := bytes.Clone(whole[name])
			if i == round%len(names) || rnd.IntN(8) == 0 {
				text = damage(rnd, text)
			}
			if err := os.WriteFile(filepath.Join(broken, name), text, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		ses, err := report.Read(context.Background(), broken, report.Options{})
		if err != nil {
			if !strings.Contains(err.Error(), "session") {
				t.Errorf("round %d: %v", round, err)
			}
			continue
		}
		made++
		rep := report.Of(ses.Began, "a test", []*report.Session{ses}, nil, report.Asked{})
		var out bytes.Buffer
		if err := rep.WritePage(&out); err != nil {
			t.Errorf("round %d: page: %v", round, err)
		}
		if err := printJSON(&out, rep); err != nil {
			t.Errorf("round %d: object: %v", round, err)
		}
		printReport(&out, rep)
	}
	if made < 20 {
		t.Errorf("only %d of 36 could be reported on", made)
	}
}

// damage changes, cuts out, cuts short or doubles some bytes.
func damage(rnd *rand.Rand, b []byte) []byte {
	at := rnd.IntN(len(b))
	end := min(len(b), at+1+rnd.IntN(300))
	switch rnd.IntN(4) {
	case 0:
		return b[:at]
	case 1:
		return append(b[:at:at], b[end:]...)
	case 2:
		return append(b[:end:end], b[at:]...)
	}
	for range 1 + rnd.IntN(40) {
		b[rnd.IntN(len(b))] ^= 1 << rnd.IntN(8)
	}
	return b
}
