package triplog_test

import (
	"fmt"
	"os"
	"strings"

	"downhaul/interlock/records/triplog"
)

// A line that somebody edited is named.
func ExampleVerifyParts() {
	text, err := os.ReadFile("../../before/bench/testdata/session/trips.jsonl")
	if err != nil {
		fmt.Println(err)
		return
	}
	whole, _ := triplog.VerifyParts(strings.NewReader(string(text)))
	lines := strings.Split(string(text), "\n")
	lines[2] = strings.Replace(lines[2], "1", "2", 1)
	edited, _ := triplog.VerifyParts(strings.NewReader(strings.Join(lines, "\n")))
	fmt.Println(whole.Verdict)
	fmt.Println(edited.Verdict, "line", edited.FirstBad)
	// Output:
	// whole
	// tampered line 3
}
