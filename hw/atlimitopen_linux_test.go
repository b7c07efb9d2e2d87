package hw

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// A file of the kernel's is opened to write too, and no child of the guard keeps it: a
// line that a child holds is never let go.
func TestChipIsOpenedForRequestsAndNoChild(t *testing.T) {
	name := filepath.Join(t.TempDir(), "chip")
	if err := os.WriteFile(name, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	c, err := (device{}).open(filepath.Join("..", name))
	if err != nil {
		t.Fatal(err)
	}
	fd := uintptr(c.(chipFile))
	flags, err := unix.FcntlInt(fd, unix.F_GETFL, 0)
	kept, e := unix.FcntlInt(fd, unix.F_GETFD, 0)
	if err != nil || e != nil || flags&unix.O_ACCMODE != unix.O_RDWR || kept&unix.FD_CLOEXEC == 0 {
		t.Errorf("flags %#x, %#x, %v, %v", flags, kept, err, e)
	}
	if err := c.close(); err != nil {
		t.Error(err)
	}
	var a, b unix.Timespec
	err = unix.ClockGettime(unix.CLOCK_MONOTONIC, &a)
	now, e := kernelTime()
	if err := errors.Join(err, e, unix.ClockGettime(unix.CLOCK_MONOTONIC, &b)); err != nil || now < time.Duration(a.Nano()) || now > time.Duration(b.Nano()) {
		t.Errorf("the kernel's clock is %v, and was from %v to %v, %v", now, time.Duration(a.Nano()), time.Duration(b.Nano()), err)
	}
	// The most that the kernel keeps of edges is 16 a line of the most lines
	// (drivers/gpio/gpiolib-cdev.c, linereq_create).
	if most := len(unix.GPIOV2LineRequest{}.Offsets); mostLines != most || EdgeRoom != 16*most {
		t.Errorf("%d lines, %d edges; want %d and 16 each", mostLines, EdgeRoom, most)
	}
}

// A line without a pull of the chip's own asks for none.
func TestLineWithoutABiasAsksForNone(t *testing.T) {
	r, err := inputRequest([]uint32{3}, []GPIOInput{{}}, false, "x")
	if err != nil || r.Config.Flags != lineInput || r.Config.Num_attrs != 0 {
		t.Errorf("%+v, %v", r.Config, err)
	}
	if r, err := inputRequest([]uint32{3}, []GPIOInput{{}}, true, "x"); err != nil || r.Config.Flags != lineInput|lineRising|lineFalling {
		t.Errorf("flags %b, %v", r.Config.Flags, err)
	}
	if _, err := decodeEvent(make([]byte, eventSize-1)); err == nil || !strings.Contains(err.Error(), "48 bytes (got 47)") {
		t.Errorf("a short event: %v", err)
	}
	if e, err := decodeEvent(event(-1<<63+5, fall, 1)); err != nil || e.at != 5 {
		t.Errorf("the kernel's times have 63 bits: %v, %v", e.at, err)
	}
}

// What the kernel refuses on the way is told as it is.
func TestRefusalsOnTheWay(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*GPIOConfig, *fakeKernel)
		want   string
	}{
		{"no such line for the anemometer", func(c *GPIOConfig, _ *fakeKernel) { c.Anemometer.Pin.Line = 99 }, "anemometer on gpiochip0:99: the chip has lines 0 to 31; look up the line on the board's own chart"},
		{"lines refused together only", func(_ *GPIOConfig, k *fakeKernel) { k.chips["gpiochip0"].alone = true }, "inputs on gpiochip0: argument list too long"},
		{"a line that does not say what it is", func(c *GPIOConfig, k *fakeKernel) {
			c.Relay = Pin{Chip: "gpiochip0", Name: "GPIO17"}
			k.chips["gpiochip0"].names = nil
		}, "relay on gpiochip0:GPIO17: ask for line 0: invalid argument; the chip cannot do what the line needs, use another chip"},
	} {
		cfg, k := testBoard(t), newFakeKernel(t, 32, "gpiochip0", "gpiochip1")
		c.change(&cfg, k)
		if g, err := openGPIO(cfg, fakeParts(k)); g != nil || err == nil || err.Error() != c.want {
			t.Errorf("%s: got  %v\nwant %s", c.name, err, c.want)
		}
	}
}

// Letting go drives every output low, and never high: a relay that closes for an
// instant at the end of a session closes on a crew that goes in.
func TestNothingGoesHighAtTheEnd(t *testing.T) {
	g, k := openFake(t, nil)
	outputs := []Output{g.Relay(), g.Heartbeat(), g.Buzzer(), g.Lamp()}
	for _, o := range outputs {
		if err := o.Set(true); err != nil {
			t.Fatal(err)
		}
	}
	before := len(k.trail)
	if err := g.Close(); err != nil {
		t.Fatal(err)
	}
	for i, step := range k.trail[before:] {
		if strings.HasPrefix(step, "high") || strings.HasPrefix(step, "let go") && !strings.HasPrefix(k.trail[before+i-1], "low") {
			t.Errorf("step %d of the end: %v", i, k.trail[before:])
		}
	}
	if levels, err := g.Levels(); levels != 0 || err == nil {
		t.Errorf("closed: %b, %v", levels, err)
	}
}

// A part that lost one of its settings, or an exchange on the way to a count, gives no
// count until it is set up and settled anew.
func TestNAU7802NeverCountsHalfSetUp(t *testing.T) {
	for _, bit := range []byte{1 << 1, 1 << 2, 1 << 4, 1 << 7} { // digital, analogue, converting, supply
		p := newNauPart(t)
		n, err := newNAU7802(p, 80, p.sleep, nil)
		if err != nil {
			t.Fatal(err)
		}
		p.reg[nauControl] &^= bit
		if v, err := n.next(); v != 0 || err == nil || !strings.Contains(err.Error(), "the part was reset") {
			t.Errorf("bit %02X is off: %d, %v", bit, v, err)
		}
		if v, err := n.next(); v != 7 || err != nil { // six settle
			t.Errorf("bit %02X was off: %d, %v", bit, v, err)
		}
	}
	bus := &failing{nauPart: newNauPart(t)}
	n, err := newNAU7802(bus, 80, bus.sleep, nil)
	if err != nil {
		t.Fatal(err)
	}
	one := 2 // exchanges of a count that is waiting: control and result
	whole := bus.n
	for at := 1; at <= one+whole; at++ {
		bus.n, bus.at, n.ready = 0, at, false
		bus.sleep(time.Second)
		v, err := n.next()
		for range 2 {
			if err != nil && v != 0 {
				t.Errorf("exchange %d fails: %d, %v", at, v, err)
			}
			if err == nil {
				break
			}
			before := bus.settings
			bus.sleep(time.Second)
			if v, err = n.next(); err == nil && bus.settings == before {
				t.Errorf("exchange %d failed, and the part was not set up anew", at)
			}
		}
		if err != nil {
			t.Errorf("exchange %d: it does not come back: %v", at, err)
		}
	}
}

// A channel's counts have 32 bits; it is let go once.
func TestIndustrialIOAtItsEnds(t *testing.T) {
	raw := filepath.Join(t.TempDir(), "in_voltage0_raw")
	for text, bad := range map[string]bool{"-2147483648": false, "-2147483649": true, "2147483647": false, "2147483648": true} {
		if err := os.WriteFile(raw, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		r, err := openIIO(raw, 100)
		if (err != nil) != bad {
			t.Errorf("%s: %v", text, err)
		}
		if err == nil && (r.close() != nil || r.close() == nil) {
			t.Error("it is not let go, or twice")
		}
	}
}
