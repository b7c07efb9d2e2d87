package hw

import (
	"errors"
	"testing"

	"golang.org/x/sys/unix"
)

// What the kernel refuses is never an answer: on a descriptor that is no chip,
// each call must hand the error on. A level of zero that nobody read would stand
// for a line that is off.
func TestWhatTheKernelRefusesIsToldByEveryCall(t *testing.T) {
	chip, line := chipFile(-1), lineFile(-1)
	for name, call := range map[string]func() error{
		"chip info":   func() error { _, err := chip.info(); return err },
		"line info":   func() error { _, err := chip.lineInfo(3); return err },
		"request":     func() error { _, err := chip.request(&unix.GPIOV2LineRequest{}); return err },
		"close chip":  chip.close,
		"read lines":  func() error { _, err := line.values(1); return err },
		"write lines": func() error { return line.set(1, 1) },
		"close lines": line.close,
		"take events": func() error { _, err := line.pending(make([]byte, eventSize)); return err },
	} {
		if err := call(); !errors.Is(err, unix.EBADF) {
			t.Errorf("%s: got %v, want %v", name, err, unix.EBADF)
		}
	}
	if i, err := chip.lineInfo(3); i.Offset != 3 || err == nil {
		t.Errorf("the line asked for is %d, want 3 (%v)", i.Offset, err)
	}
}
