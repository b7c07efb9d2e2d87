package main

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// benchHour is the blocks of lines to copy of the README's bench hour: those of the first
// terminal, of the second, and what comes after control-C.
func benchHour(t *testing.T) (blocks [][]string) {
	t.Helper()
	text, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	_, section, ok := strings.Cut(string(text), "## The first hour at the bench")
	if !ok {
		t.Fatal("the README has no bench hour")
	}
	section, _, _ = strings.Cut(section, "\n`downhaul board")
	var block []string
	for line := range strings.Lines(section) {
		if text, ok := strings.CutPrefix(strings.TrimRight(line, "\n"), "    "); ok {
			block = append(block, text)
		} else if len(block) > 0 {
			blocks, block = append(blocks, block), nil
		}
	}
	if len(block) > 0 {
		blocks = append(blocks, block)
	}
	return blocks
}

// The README's bench hour, line by line as it stands there, comes to LIVE, a trip, a
// reset and a report.
func TestTheBenchHourOfTheReadme(t *testing.T) {
	if testing.Short() {
		t.Skip("it takes a minute of waiting for a craft that flies")
	}
	t.Parallel()
	blocks := benchHour(t)
	if len(blocks) != 3 || len(blocks[0]) != 2 || len(blocks[1]) < 10 || len(blocks[2]) != 1 {
		t.Fatalf("the bench hour has other blocks: %q", blocks)
	}
	// A short path: the sockets of guard and board stand in this folder.
	dir, err := os.MkdirTemp("", "bench")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	bin := filepath.Join(dir, "bin")
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	// "go run ./cmd/X" runs this very program under its name.
	for _, err := range []error{os.Mkdir(bin, 0o755), os.Symlink(self, filepath.Join(bin, "downhaul")),
		os.WriteFile(filepath.Join(bin, "go"), fmt.Appendf(nil, "#!/bin/sh\n[ \"$1\" = run ] && [ \"$2\" = ./cmd/downhaul ] || exit 9\nshift 2\nexec %q \"$@\"\n", filepath.Join(bin, "downhaul")), 0o755)} {
		if err != nil {
			t.Fatal(err)
		}
	}
	shell := func(line string) *exec.Cmd {
		c := exec.CommandContext(t.Context(), "/bin/sh", "-c", line)
		c.Dir, c.Env = dir, append(os.Environ(), "PATH="+bin+":"+os.Getenv("PATH"))
		return c
	}
	run := func(line string) string {
		t.Helper()
		out, err := shell(line).CombinedOutput()
		ended := new(exec.ExitError)
		if errors.As(err, &ended) && ended.ExitCode() == somethingWas && strings.Contains(line, " report ") {
			return string(out) // it found a trip
		}
		if err != nil {
			t.Fatalf("%s: %v\n%s", line, err, out)
		}
		return string(out)
	}
	run(blocks[0][0])
	var first bytes.Buffer
	guard := shell("exec " + blocks[0][1])
	guard.Stdout, guard.Stderr = &first, &first
	if err := guard.Start(); err != nil {
		t.Fatal(err)
	}
	ended := make(chan error, 1)
	go func() { ended <- guard.Wait() }()
	for range 600 {
		if _, err := os.Stat(filepath.Join(dir, "evening", "board.sock")); err == nil {
			break
		}
		time.Sleep(100 * time.Millisecond)
	}
	var second strings.Builder
	for _, line := range blocks[1] {
		second.WriteString("$ " + line + "\n" + run(line))
	}
	if err := guard.Process.Signal(syscall.SIGINT); err != nil {
		t.Fatal(err)
	}
	if err := <-ended; err != nil {
		t.Errorf("%s: %v", blocks[0][1], err)
	}
	for _, want := range []string{"READY. RELAY OPEN", "LIVE. KEEP OUT", "TRIPPED"} {
		if !strings.Contains(second.String(), want) {
			t.Errorf("the second terminal shows no %q:\n%s", want, second.String())
		}
	}
	for _, want := range []string{"Hovers.", "TRIPPED: emergency stop", "waits  for", "READY: everything"} {
		if !strings.Contains(first.String(), want) {
			t.Errorf("the first terminal shows no %q:\n%s", want, first.String())
		}
	}
	if out := run(blocks[2][0]); !strings.Contains(out, "rehearsal") {
		t.Errorf("the report is not marked as a rehearsal's:\n%s", out)
	}
	if _, err := os.Stat(filepath.Join(dir, "evening", "report")); err != nil {
		t.Error(err)
	}
	t.Logf("%s\n%s", first.String(), second.String())
}
