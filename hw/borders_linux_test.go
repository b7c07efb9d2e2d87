package hw

import (
	"errors"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// The flags of a line: include/uapi/linux/gpio.h of Linux, enum gpio_v2_line_flag.
func TestLineFlagsAreTheKernels(t *testing.T) {
	for name, f := range map[string]struct{ got, bit uint64 }{
		"INPUT": {lineInput, 2}, "OUTPUT": {lineOutput, 3}, "EDGE_RISING": {lineRising, 4}, "EDGE_FALLING": {lineFalling, 5},
		"BIAS_PULL_UP": {linePullUp, 8}, "BIAS_PULL_DOWN": {linePullDown, 9},
	} {
		if f.got != 1<<f.bit {
			t.Errorf("GPIO_V2_LINE_FLAG_%s is %#x, want bit %d", name, f.got, f.bit)
		}
	}
}

// A buzzer that cannot be opened is told, not left out.
func TestBuzzerThatDoesNotOpen(t *testing.T) {
	cfg, k := testBoard(t), newFakeKernel(t, 32, "gpiochip0", "gpiochip1")
	k.chips[cfg.Buzzer.Chip].refuse[uint32(cfg.Buzzer.Line)] = unix.EOPNOTSUPP
	if _, err := openGPIO(cfg, fakeParts(k)); !errors.Is(err, unix.EOPNOTSUPP) || !strings.Contains(err.Error(), "buzzer on "+cfg.Buzzer.String()) {
		t.Errorf("got %v, want it told", err)
	}
}

// The part has five rates; codes that it has not are no rate. It waits for as long
// as it says, and gives no count with an error.
func TestNAU7802AtItsBorders(t *testing.T) {
	for rate, want := range map[float64]int{10: 0, 20: 1, 40: 2, 80: 3, 320: 7} {
		if got := nauRate(rate); got != want {
			t.Errorf("%v a second has code %d, want %d", rate, got, want)
		}
	}
	for _, rate := range []float64{0, 1, -10, 160} {
		if got := nauRate(rate); got >= 0 {
			t.Errorf("%v a second has code %d", rate, got)
		}
	}
	p := newNauPart(t)
	n, err := newNAU7802(p, 80, p.sleep, func() error { return nil })
	if err != nil {
		t.Fatal(err)
	}
	p.stopped = true
	before := p.now
	v, err := n.convert()
	if waited := p.now - before; err == nil || v != 0 || waited != 3*time.Second/80 {
		t.Errorf("%d, %v after %v, want no count after three periods", v, err, waited)
	}
	p.gone = true
	if v, err := n.convert(); v != 0 || err == nil {
		t.Errorf("%d, %v", v, err)
	}
}
