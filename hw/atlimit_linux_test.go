package hw

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"
)

// What a config may just say, and what is just too much.
func TestConfigAtItsBounds(t *testing.T) {
	board := func(change func(*GPIOConfig)) error {
		c := testBoard(t)
		change(&c)
		return c.check()
	}
	for name, c := range map[string]struct {
		change func(*GPIOConfig)
		bad    bool
	}{
		"every input":              {func(c *GPIOConfig) { c.Inputs = make([]GPIOInput, MostInputs) }, false},
		"one input more":           {func(c *GPIOConfig) { c.Inputs = make([]GPIOInput, MostInputs+1) }, true},
		"a debounce of a second":   {func(c *GPIOConfig) { c.Inputs[3].Debounce = time.Second }, false},
		"one of more":              {func(c *GPIOConfig) { c.Inputs[3].Debounce = time.Second + 1 }, true},
		"one of less than nothing": {func(c *GPIOConfig) { c.Inputs[3].Debounce = -1 }, true},
	} {
		if err := board(c.change); (err != nil) != c.bad {
			t.Errorf("%s: %v", name, err)
		}
	}
	for c, bad := range map[LoadCellConfig]bool{
		{Rate: 10}: false, {Rate: 320}: false, {Rate: 79}: true, {Rate: 0.9, Raw: "x"}: true, {Rate: 1, Raw: "x"}: false, {Rate: 79, Raw: "x"}: false,
		{Rate: 79, Raw: "x", NAU7802: -1}: false, {Rate: 1000, Raw: "x"}: false, {Rate: 1000.1, Raw: "x"}: true, {Rate: 10, NAU7802: -1}: true,
	} {
		c.Fitted = true
		if err := c.check(); (err != nil) != bad {
			t.Errorf("%+v: %v", c, err)
		}
	}
	if err := (&LoadCellConfig{Rate: -1}).check(); err != nil {
		t.Errorf("no load cell: %v", err)
	}
	for n, want := range map[int]int{40: 40, 41: 43} {
		if got := clip(strings.Repeat("x", n)); len(got) != want {
			t.Errorf("%d bytes are cut to %q", n, got)
		}
	}
	if got := (Pin{}).String(); got != "no line" {
		t.Errorf("no line is %q", got)
	}
	for want, b := range map[string][]byte{"": {0, 0, 0}, "ab": {'a', 'b'}, "a": {'a', 0, 'b'}} {
		if got := unix.ByteSliceToString(b); got != want {
			t.Errorf("%v is %q, want %q", b, got, want)
		}
	}
}

// The kernel has 64 lines and ten settings for a request, and 31 bytes for the name
// of who holds it: one more must be refused here, in words, not cut off in silence.
func TestRequestAtItsBounds(t *testing.T) {
	for n, bad := range map[int]bool{mostLines: false, mostLines + 1: true} {
		r, err := inputRequest(make([]uint32, n), make([]GPIOInput, n), true, "x")
		if (err != nil) != bad || err == nil && r.Num_lines != uint32(n) {
			t.Errorf("%d lines: %v", n, err)
		}
	}
	var inputs []GPIOInput
	for i := range 9 {
		inputs = append(inputs, GPIOInput{Bias: Bias(1 + i%2), Debounce: time.Duration(i+1) * time.Millisecond})
	}
	r, err := inputRequest(make([]uint32, 8), inputs[:8], true, strings.Repeat("n", 40))
	if err != nil || r.Config.Num_attrs != 10 {
		t.Errorf("two pulls and eight times are %d settings, %v; want 10", r.Config.Num_attrs, err)
	}
	if got := unix.ByteSliceToString(r.Consumer[:]); len(got) != 31 {
		t.Errorf("the name has %d bytes, want 31 and a zero", len(got))
	}
	if _, err := inputRequest(make([]uint32, 9), inputs, true, "x"); err == nil || !strings.Contains(err.Error(), "at most 10 kinds of settings") {
		t.Errorf("nine times: %v", err)
	}
}

// Times are whole nanoseconds; numbers that are half their range ahead are behind.
func TestEventAtItsBounds(t *testing.T) {
	if e, err := decodeEvent(event(1<<62+1, rise, 7)); err != nil || e != (lineEvent{1<<62 + 1, true, 7}) {
		t.Errorf("%+v, %v", e, err)
	}
	for seq, bad := range map[uint32]bool{1 << 31: false, 1<<31 + 1: true} {
		s := edges{}
		if got, err := s.take(nil, event(0, fall, seq), 0); (err != nil) != bad || !bad && got[0].Lost != 1<<31-1 {
			t.Errorf("after number 0, %d: %v, %v", seq, got, err)
		}
	}
}

// Five readings of two clocks: the one that took the least counts, wherever it stands.
func TestEpochIsThatOfTheQuickestReading(t *testing.T) {
	for quickest := range 5 {
		now, n := time.Duration(0), 0
		o := opening{cfg: GPIOConfig{Now: func() time.Duration { return now }}, parts: parts{clock: func() (time.Duration, error) {
			took, kernel := 40*time.Microsecond, now+77*time.Second // read late
			if n == quickest {
				took, kernel = 20*time.Microsecond, now+100*time.Second+10*time.Microsecond
			}
			n++
			now += took
			return kernel, nil
		}}}
		if since, err := o.epoch(); since != 100*time.Second || n != 5 || err != nil {
			t.Errorf("reading %d of %d is the quickest: %v, %v", quickest, n, since, err)
		}
	}
}

// What goes wrong at the very end of opening leaves nothing held, and is told.
func TestOpeningThatFailsLate(t *testing.T) {
	broken := errors.New("no clock here")
	for _, c := range []struct {
		name   string
		change func(*GPIOConfig, *fakeKernel, *parts)
		want   string
	}{
		{"clock", func(_ *GPIOConfig, _ *fakeKernel, p *parts) {
			p.clock = func() (time.Duration, error) { return 0, broken }
		}, "read the kernel's clock: no clock here"},
		{"held by nobody with a name", func(_ *GPIOConfig, k *fakeKernel, _ *parts) { k.chips["gpiochip0"].refuse[27] = unix.EBUSY },
			"heartbeat on gpiochip0:27: the line is held by something else (device or resource busy); stop that, or use another line"},
		{"chip", func(_ *GPIOConfig, k *fakeKernel, p *parts) { p.kernel = dumbKernel{k} }, "relay on gpiochip0:17: ask the chip: operation not permitted; put the user that runs the guard in the group that owns the chip"},
		{"settings", func(c *GPIOConfig, _ *fakeKernel, _ *parts) {
			for i := range 11 {
				c.Inputs = append(c.Inputs, GPIOInput{Name: "more", Pin: Pin{Chip: "gpiochip1", Line: 10 + i}, Debounce: time.Duration(i+1) * time.Millisecond})
			}
		}, "inputs on gpiochip1: the kernel takes at most 10 kinds of settings in one chip; use fewer different debounce times"},
		{"bus", func(c *GPIOConfig, _ *fakeKernel, _ *parts) {
			c.LoadCell = LoadCellConfig{Fitted: true, Rate: 80, NAU7802: 98765}
		}, "load cell: open bus 98765: "},
	} {
		cfg, k := testBoard(t), newFakeKernel(t, 32, "gpiochip0", "gpiochip1")
		p := fakeParts(k)
		c.change(&cfg, k, &p)
		g, err := openGPIO(cfg, p)
		if g != nil || err == nil || !strings.HasPrefix(err.Error(), c.want) {
			t.Errorf("%s: got  %v\nwant %s", c.name, err, c.want)
		}
		for name, chip := range k.chips {
			for l, who := range chip.heldBy {
				if who != "" {
					t.Errorf("%s: %s:%d stays held", c.name, name, l)
				}
			}
		}
	}
}

// dumbKernel gives chips that do not say what they are.
type (
	dumbKernel struct{ *fakeKernel }
	dumbChip   struct{ chipDevice }
)

func (k dumbKernel) open(chip string) (chipDevice, error) {
	c, err := k.fakeKernel.open(chip)
	return dumbChip{c}, err
}

func (dumbChip) info() (i unix.GPIOChipInfo, err error) { return i, unix.EPERM }

// A call that the kernel grants is no error, one that it refuses is; a file that is
// watched wakes for what comes, at its deadline and at its end. A pipe stands for the
// line.
func TestWatchedFileWakes(t *testing.T) {
	var p [2]int
	if err := unix.Pipe2(p[:], unix.O_CLOEXEC|unix.O_NONBLOCK); err != nil {
		t.Fatal(err)
	}
	defer func() { _ = unix.Close(p[1]) }()
	waiting := int32(-1)
	if err := ioctl(p[0], unix.TIOCINQ, unsafe.Pointer(&waiting)); err != nil || waiting != 0 {
		t.Errorf("%d bytes wait, %v", waiting, err)
	}
	e := lineFile(p[0])
	var b [8]byte
	if n, err := e.pending(b[:]); n != 0 || !errors.Is(err, unix.EAGAIN) {
		t.Errorf("nothing waits: %d, %v", n, err)
	}
	if _, err := unix.Write(p[1], []byte("edge")); err != nil {
		t.Fatal(err)
	}
	if n, err := e.pending(b[:]); n != 4 || err != nil {
		t.Errorf("of 4 bytes: %d, %v", n, err)
	}
	if _, err := e.values(1); !errors.Is(err, unix.ENOTTY) {
		t.Errorf("a pipe is asked for its level: %v", err)
	}
	if err := e.close(); err != nil || e.close() == nil {
		t.Errorf("it is not let go, or twice: %v", err)
	}
	if _, err := e.values(1); err == nil {
		t.Error("closed, it answers for its level")
	}
}

// Without a converter the wait lasts until it is ended: a wait that
// ends by itself is taken for a board that failed.
func TestNothingFittedWaitsForTheEnd(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g, _ := openFake(t, nil)
		ctx, stop := context.WithCancel(t.Context())
		ended := make(chan error, 1)
		go func() { ended <- g.Counts(ctx, nil) }()
		time.Sleep(time.Hour)
		if len(ended) != 0 {
			t.Errorf("%d waits ended by themselves", len(ended))
		}
		stop()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
}

// finite is a converter that counts how often it was closed.
type finite struct {
	steps
	closed int
}

func (f *finite) close() error { f.closed++; return errors.New("not closed") }

// The board's converter is read at the board's rate, and let go with the board; an
// error of that is told.
func TestBoardReadsAndClosesItsConverter(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		began := time.Now()
		cell := &finite{steps: steps{of: []step{{10 * time.Millisecond, 7, nil}}}}
		cfg, k := testBoard(t), newFakeKernel(t, 32, "gpiochip0", "gpiochip1")
		cfg.LoadCell = LoadCellConfig{Fitted: true, Raw: "x", Rate: 100}
		cfg.Now = func() time.Duration { return time.Since(began) }
		p := fakeParts(k)
		p.loadCell = func(LoadCellConfig) (converterReader, error) { return cell, nil }
		g, err := openGPIO(cfg, p)
		if err != nil {
			t.Fatal(err)
		}
		ctx, stop := context.WithTimeout(t.Context(), 36*time.Millisecond)
		defer stop()
		var got []Count
		if err := g.Counts(ctx, func(c Count) { got = append(got, c) }); err != nil {
			t.Error(err)
		}
		if want := fmt.Sprint([]Count{{7, 10 * time.Millisecond, false}, {0, 35 * time.Millisecond, true}}); fmt.Sprint(got) != want {
			t.Errorf("got %v, want %v", got, want)
		}
		if err := g.Close(); cell.closed != 1 || err == nil || err.Error() != "not closed" {
			t.Errorf("closed %d times: %v", cell.closed, err)
		}
		time.Sleep(2 * time.Hour) // the stuck reader comes back, and goes
	})
}

// A channel of industrial I/O is read once a period, not as fast as the file gives;
// an empty one is told as unread.
func TestIndustrialIOIsReadAtItsRate(t *testing.T) {
	raw := filepath.Join(t.TempDir(), "in_voltage0_raw")
	if err := os.WriteFile(raw, []byte("5\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	synctest.Test(t, func(t *testing.T) {
		r, err := openIIO(raw, 100)
		if err != nil {
			t.Fatal(err)
		}
		defer func() { _ = r.close() }()
		began := time.Now()
		for i := range 4 {
			if v, err := r.next(); v != 5 || err != nil || time.Since(began) != time.Duration(i)*10*time.Millisecond {
				t.Errorf("reading %d: %d, %v after %v", i, v, err, time.Since(began))
			}
		}
		time.Sleep(time.Second) // held up: no reading is made up for
		for i := range 2 {
			before := time.Now()
			if _, err := r.next(); err != nil || time.Since(before) != time.Duration(i)*10*time.Millisecond {
				t.Errorf("after a second, reading %d took %v, %v", i, time.Since(before), err)
			}
		}
		if err := os.Truncate(raw, 0); err != nil {
			t.Fatal(err)
		}
		if _, err := r.next(); err == nil || !strings.HasPrefix(err.Error(), "read a count from ") {
			t.Errorf("empty: %v", err)
		}
	})
	if _, err := openLoadCell(LoadCellConfig{Raw: raw, Rate: 100}); err == nil {
		t.Error("an empty channel was opened")
	}
}

// failing is a part whose bus fails at the nth exchange.
type failing struct {
	*nauPart
	at, n int
}

func (f *failing) Tx(addr uint16, w, r []byte) error {
	if f.n++; f.n == f.at {
		return errors.New("no acknowledge")
	}
	return f.nauPart.Tx(addr, w, r)
}

// Whichever exchange of setting it up fails, no count comes of it, and it is told. A
// part that does not power up is waited for 100 ms.
func TestNAU7802SetUpFailsAtAnyExchange(t *testing.T) {
	bus := &failing{nauPart: newNauPart(t)}
	if _, err := newNAU7802(bus, 80, bus.sleep, nil); err != nil {
		t.Fatal(err)
	}
	for at := 1; at <= bus.n; at++ {
		bus := &failing{nauPart: newNauPart(t), at: at}
		if n, err := newNAU7802(bus, 80, bus.sleep, nil); n != nil || err == nil || !strings.Contains(err.Error(), "NAU7802") || !strings.Contains(err.Error(), "no acknowledge") {
			t.Errorf("exchange %d of %d fails: %v", at, bus.n, err)
		}
	}
	asleep := &failing{nauPart: newNauPart(t)}
	asleep.unpowered = true
	if _, err := newNAU7802(asleep, 80, asleep.sleep, nil); err == nil || err.Error() != "NAU7802 does not power up: it does not come in time" || asleep.now != 100*time.Millisecond {
		t.Errorf("%v after %v", err, asleep.now)
	}
	left := errors.New("bus stays open")
	part := newNauPart(t)
	n, err := newNAU7802(part, 80, part.sleep, func() error { return left })
	if err == nil {
		err = n.close()
	}
	if !errors.Is(err, left) {
		t.Errorf("closed: %v", err)
	}
}
