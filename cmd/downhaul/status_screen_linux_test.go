package main

import (
	"os"
	"testing"

	"golang.org/x/sys/unix"

	"downhaul/rules/architecture"
)

// The size is the terminal's own.
func TestWatchAsksTheTerminalForItsSize(t *testing.T) {
	pty, err := os.OpenFile("/dev/ptmx", os.O_RDWR|unix.O_NOCTTY, 0)
	architecture.Want(t, err == nil, "no pseudo terminal on this system")
	defer pty.Close()
	must(t, unix.IoctlSetWinsize(int(pty.Fd()), unix.TIOCSWINSZ, &unix.Winsize{Row: 24, Col: 80}))
	text := printed(crowded("tripped"))
	if got := fitted(text, pty); got != cutTo(text, 24, 80) || got == text {
		t.Errorf("on a terminal of 24 rows:\n%s", got)
	}
}
