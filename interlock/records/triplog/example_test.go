package triplog_test

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"downhaul/interlock/records/triplog"
)

// A line that somebody edited is named.
func ExampleWalkFiles() {
	const log = "../../before/bench/testdata/session/trips.jsonl"
	text, err := os.ReadFile(log)
	if err != nil {
		fmt.Println(err)
		return
	}
	dir, _ := os.MkdirTemp("", "log")
	defer os.RemoveAll(dir)
	lines := strings.Split(string(text), "\n")
	lines[2] = strings.Replace(lines[2], "1", "2", 1)
	copied := filepath.Join(dir, "trips.jsonl")
	_ = os.WriteFile(copied, []byte(strings.Join(lines, "\n")), 0o600)
	whole, _ := triplog.WalkFiles([]string{log}, nil)
	edited, _ := triplog.WalkFiles([]string{copied}, nil)
	fmt.Println(whole.Verdict)
	fmt.Println(edited.Verdict, "line", edited.FirstBad)
	// Output:
	// whole
	// tampered line 3
}
