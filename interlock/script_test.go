package interlock

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

var rewrite = flag.Bool("rewrite", false, "rewrite the expected part of the scripts; only for somebody who can say why")

// TestScripts plays testdata/script/*.txt: the first line says what is proved,
// then "envelope" text up to "----", then commands, and after each command the
// effects it brought, one a line, indented.
//
//fault:row a contactor that is welded, dead or miswired, at a start | found by the guard itself, before the relay closes for good
//fault:row end is stuck, or held, as start is pressed | no start is taken
func TestScripts(t *testing.T) {
	files, err := filepath.Glob("testdata/script/*.txt")
	if err != nil || len(files) == 0 {
		t.Fatalf("no scripts in testdata/script: %v", err)
	}
	for _, name := range files {
		t.Run(strings.TrimSuffix(filepath.Base(name), ".txt"), func(t *testing.T) { playScript(t, name, 0) })
		t.Run(strings.TrimSuffix(filepath.Base(name), ".txt")+"/woken too often", func(t *testing.T) { playScript(t, name, 3*time.Millisecond) })
	}
}

// playScript plays a script and compares what was said.
func playScript(t *testing.T, name string, extra time.Duration) {
	head, body, got := runScript(t, name, extra, nil)
	if *rewrite && extra == 0 {
		if err := os.WriteFile(name, []byte(head+"\n----\n"+got), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	if got != body {
		t.Errorf("%s:\ngot\n%s\nwant\n%s", name, got, body)
	}
}

// runScript plays a script; seen, if there is one, sees every answer.
func runScript(t *testing.T, name string, extra time.Duration, seen func(*Engine, []Effect)) (head, body, said string) {
	text, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	head, body, ok := strings.Cut(string(text), "\n----\n")
	if !ok || !strings.HasPrefix(head, "# ") {
		t.Fatal("want a first line that says what is proved, an envelope, and a line ----")
	}
	_, envelope, _ := strings.Cut(head, "\n")
	var r *rig
	site := func(*Site) {}
	for _, line := range strings.Split(envelope, "\n") {
		if s, ok := strings.CutPrefix(line, "#site "); ok {
			prev := site
			site = func(x *Site) { prev(x); siteOption(t, x, s) }
		}
	}
	r = newRig(t, envelope, site)
	r.extra = extra
	if seen != nil {
		r.seen = func(effects []Effect) { seen(r.e, effects) }
	}
	var got strings.Builder
	for _, line := range strings.Split(body, "\n") {
		if line == "" || strings.HasPrefix(line, "    ") {
			continue
		}
		got.WriteString(line + "\n")
		if strings.HasPrefix(line, "#") {
			continue
		}
		r.command(line)
		for _, s := range r.take() {
			got.WriteString("    " + s + "\n")
		}
		fmt.Fprintf(&got, "    = %v\n", r.e.latch.state)
	}
	return head, body, got.String()
}
