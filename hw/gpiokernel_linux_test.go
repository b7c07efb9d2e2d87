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

// What the kernel calls chip and line is asked for without requesting anything; a pin that is
// written by its line's name says that already.
func TestWhatTheKernelCallsAPin(t *testing.T) {
	k := newFakeKernel(t, 4, "gpiochip0")
	k.chips["gpiochip0"].names[2] = "GPIO2"
	for _, c := range []struct{ pin, chip, line string }{
		{"gpiochip0:2", "label of gpiochip0", "GPIO2"},
		{"gpiochip0:3", "label of gpiochip0", ""},
		{"gpiochip0:9", "label of gpiochip0", ""},
		{"gpiochip0:GPIO2", "label of gpiochip0", ""},
		{"gpiochip1:2", "", ""},
	} {
		p, err := ParsePin(c.pin)
		if err != nil {
			t.Fatal(err)
		}
		if chip, line := called(k, p); chip != c.chip || line != c.line {
			t.Errorf("%s is on %q and called %q, want %q and %q", c.pin, chip, line, c.chip, c.line)
		}
	}
	if k.chips["gpiochip0"].opened != 0 {
		t.Errorf("a chip was left open, or lines were asked for: %+v", k.chips["gpiochip0"])
	}
	for _, pin := range []string{"gpiochip999:0", "gpiochip999:GPIO2"} {
		p, err := ParsePin(pin)
		if err != nil {
			t.Fatal(err)
		}
		if chip, line := p.Called(); chip+line != "" {
			t.Errorf("%s is on %q and called %q", pin, chip, line)
		}
	}
}
