package main

import (
	"bytes"
	"os"
	"strings"
	"testing"

	"golang.org/x/sys/unix"

	"downhaul/rules/architecture"
)

// The size is the terminal's own.
func TestWatchAsksTheTerminalForItsSize(t *testing.T) {
	pty, err := os.OpenFile("/dev/ptmx", os.O_RDWR|unix.O_NOCTTY, 0)
	architecture.Want(t, err == nil, "no pseudo terminal on this system")
	defer pty.Close()
	t.Setenv("TERM", "xterm")
	must(t, unix.IoctlSetWinsize(int(pty.Fd()), unix.TIOCSWINSZ, &unix.Winsize{Row: 24, Col: 80}))
	text := printed(crowded("tripped"))
	if got := fitted(text, pty); got != cutTo(text, 24, 80) || got == text {
		t.Errorf("on a terminal of 24 rows:\n%s", got)
	}
}

// Nothing is drawn over on a terminal that cannot, nor in a pipe: all of it stands there,
// one picture behind the other.
func TestADumbTerminalGetsNoDrawing(t *testing.T) {
	pty, err := os.OpenFile("/dev/ptmx", os.O_RDWR|unix.O_NOCTTY, 0)
	architecture.Want(t, err == nil, "no pseudo terminal on this system")
	defer pty.Close()
	must(t, unix.IoctlSetWinsize(int(pty.Fd()), unix.TIOCSWINSZ, &unix.Winsize{Row: 24, Col: 80}))
	text := printed(crowded("tripped"))
	for term, draws := range map[string]bool{"xterm": true, "": true, "dumb": false} {
		t.Setenv("TERM", term)
		if got := anew(pty); strings.Contains(got, "\x1b") != draws || newProgress(pty, "", 0).w != nil != draws || fitted(text, pty) == text == draws {
			t.Errorf("TERM=%q: %q", term, got)
		}
		if got := anew(new(bytes.Buffer)); strings.Contains(got, "\x1b") || len(got) > columns {
			t.Errorf("in a pipe, TERM=%q: %q", term, got)
		}
	}
}
