package hw

import (
	"context"
	"encoding/binary"
	"errors"
	"slices"
	"strings"
	"testing"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"
)

// pin is a pin by its text.
func pin(t *testing.T, s string) Pin {
	t.Helper()
	p, err := ParsePin(s)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// testBoard is a config with a line of each kind.
func testBoard(t *testing.T) GPIOConfig {
	return GPIOConfig{
		Relay: pin(t, "gpiochip0:17"), Heartbeat: pin(t, "gpiochip0:27"), Buzzer: pin(t, "gpiochip0:22"), Lamp: pin(t, "gpiochip0:23"),
		Inputs: []GPIOInput{
			{Name: "estop_a", Pin: pin(t, "gpiochip0:5"), Bias: PullDown},
			{Name: "estop_b", Pin: pin(t, "gpiochip1:6"), Bias: PullDown},
			{Name: "gate"},
			{Name: "reset", Pin: pin(t, "gpiochip0:19"), Bias: PullUp, Debounce: 20 * time.Millisecond},
			{Name: "start", Pin: pin(t, "gpiochip0:26"), Bias: PullUp, Debounce: 20 * time.Millisecond},
		},
		Anemometer: GPIOInput{Name: "anemometer", Pin: pin(t, "gpiochip0:21"), Bias: PullUp},
		Now:        func() time.Duration { return 0 },
	}
}

func fakeParts(k *fakeKernel) parts {
	return parts{kernel: k, clock: func() (time.Duration, error) { return 100 * time.Second, nil }, loadCell: openLoadCell}
}

func openFake(t *testing.T, change func(*GPIOConfig, *fakeKernel)) (*gpio, *fakeKernel) {
	t.Helper()
	cfg, k := testBoard(t), newFakeKernel(t, 32, "gpiochip0", "gpiochip1")
	if change != nil {
		change(&cfg, k)
	}
	g, err := openGPIO(cfg, fakeParts(k))
	if err != nil {
		t.Fatal(err)
	}
	return g, k
}

// The layouts are those of include/uapi/linux/gpio.h, where each is padded to
// the same length on every architecture.
func TestLayoutsAreTheKernels(t *testing.T) {
	for _, s := range []struct {
		name      string
		got, want uintptr
	}{
		{"gpiochip_info", unsafe.Sizeof(unix.GPIOChipInfo{}), 68},
		{"gpio_v2_line_info", unsafe.Sizeof(unix.GPIOV2LineInfo{}), 256},
		{"gpio_v2_line_request", unsafe.Sizeof(unix.GPIOV2LineRequest{}), 592},
		{"gpio_v2_line_values", unsafe.Sizeof(unix.GPIOV2LineValues{}), 16},
		{"gpio_v2_line_event", unsafe.Sizeof(unix.GPIOV2LineEvent{}), eventSize},
	} {
		if s.got != s.want {
			t.Errorf("%s has %d bytes, want %d", s.name, s.got, s.want)
		}
	}
	var e unix.GPIOV2LineEvent
	if at := unsafe.Offsetof(e.Id); at != 8 {
		t.Errorf("the kind of an event stands at %d, want 8", at)
	}
	if at := unsafe.Offsetof(e.Seqno); at != 16 {
		t.Errorf("the number of an event stands at %d, want 16", at)
	}
}

func TestPinsReadBothWays(t *testing.T) {
	for _, s := range []string{"gpiochip0:17", "gpiochip12:0", "gpiochip0:GPIO17", "gpiochip3:PA7"} {
		if p := pin(t, s); p.String() != s {
			t.Errorf("%s reads back as %s", s, p)
		}
	}
	for _, s := range []string{"", "17", "gpiochip0", "gpiochip0:", "gpiochip0:-1", "gpiochip0:1234", "gpiochip0:17 ", "../etc:1", "gpiochip0:GP IO"} {
		if p, err := ParsePin(s); err == nil {
			t.Errorf("%q was taken as %v", s, p)
		}
	}
}

func TestOutputsAreLowInTheirVeryRequest(t *testing.T) {
	_, k := openFake(t, func(_ *GPIOConfig, k *fakeKernel) {
		for i := range k.chips["gpiochip0"].high {
			k.chips["gpiochip0"].high[i] = true // as a pull-up leaves them
		}
	})
	c := k.chips["gpiochip0"]
	for i, line := range []uint32{17, 27, 22, 23} {
		r := c.asked[i]
		if r.Num_lines != 1 || r.Offsets[0] != line || r.Config.Flags != lineOutput || r.Config.Num_attrs != 1 ||
			r.Config.Attrs[0].Attr.Id != unix.GPIO_V2_LINE_ATTR_ID_OUTPUT_VALUES || r.Config.Attrs[0].Attr.Flags != 0 || r.Config.Attrs[0].Mask != 1 {
			t.Errorf("line %d: the request does not say low: %+v", line, r.Config)
		}
		if c.high[line] {
			t.Errorf("line %d is high after the request", line)
		}
	}
	if len(k.trail) != 0 {
		t.Errorf("something was written at opening: %v", k.trail)
	}
	if got := unix.ByteSliceToString(c.asked[0].Consumer[:]); got != "downhauld" {
		t.Errorf("the kernel is told %q holds the line", got)
	}
	if c.opened != 0 || k.chips["gpiochip1"].opened != 0 {
		t.Error("a chip's own file stays open; only the requests need to")
	}
}

func TestInputsAskForBiasAndDebounce(t *testing.T) {
	_, k := openFake(t, nil)
	r := k.chips["gpiochip0"].asked[4]
	if got := r.Offsets[:r.Num_lines]; !slices.Equal(got, []uint32{5, 19, 26}) {
		t.Fatalf("lines %v", got)
	}
	want := map[uint32][2]uint64{}
	for _, a := range r.Config.Attrs[:r.Config.Num_attrs] {
		switch {
		case a.Attr.Id == unix.GPIO_V2_LINE_ATTR_ID_FLAGS && a.Attr.Flags == lineInput|lineRising|lineFalling|linePullUp:
			want[1] = [2]uint64{a.Mask}
		case a.Attr.Id == unix.GPIO_V2_LINE_ATTR_ID_FLAGS && a.Attr.Flags == lineInput|lineRising|lineFalling|linePullDown:
			want[2] = [2]uint64{a.Mask}
		case a.Attr.Id == unix.GPIO_V2_LINE_ATTR_ID_DEBOUNCE:
			if *(*uint32)(unsafe.Pointer(&a.Attr.Flags)) != 20000 {
				t.Errorf("debounce %d us, want 20000", *(*uint32)(unsafe.Pointer(&a.Attr.Flags)))
			}
			want[3] = [2]uint64{a.Mask}
		}
	}
	if want[1][0] != 0b110 || want[2][0] != 0b001 || want[3][0] != 0b110 || r.Config.Num_attrs != 3 {
		t.Errorf("pull-up %b, pull-down %b, debounce %b of %d settings", want[1][0], want[2][0], want[3][0], r.Config.Num_attrs)
	}
	e := k.chips["gpiochip0"].asked[5]
	if e.Offsets[0] != 21 || e.Event_buffer_size != EdgeRoom || e.Config.Num_attrs != 1 || e.Config.Attrs[0].Mask != 1 ||
		e.Config.Flags != lineInput|lineRising|lineFalling || e.Config.Attrs[0].Attr.Flags != lineInput|lineRising|lineFalling|linePullUp {
		t.Errorf("the anemometer's request: line %d, flags %b, room %d", e.Offsets[0], e.Config.Flags, e.Event_buffer_size)
	}
}

// What counts of the edges that the kernel reports is told by the line's place, however
// many there were, and the rest is only taken off the kernel's hands.
func TestEveryEdgeOfAStopCounts(t *testing.T) {
	g, k := openFake(t, func(c *GPIOConfig, k *fakeKernel) {
		c.Inputs[0].Every, c.Inputs[1].Every = true, true
		k.chips["gpiochip0"].high[5], k.chips["gpiochip1"].high[6] = true, true
	})
	first, second := k.chips["gpiochip0"].held[4], k.chips["gpiochip1"].held[0]
	at := func(line, id, number uint32) []byte {
		b := event(1, id, number)
		binary.NativeEndian.PutUint32(b[12:], line)
		return b
	}
	for _, c := range []struct {
		what      string
		low, high uint32
		give      func()
	}{
		{"no edge", 0, 0, func() {}},
		{"estop_b opened for a moment", 0b10, 0b10, func() { second.give(at(6, fall, 1), at(6, rise, 2)) }},
		{"told once", 0, 0, func() {}},
		{"estop_b opens", 0b10, 0, func() { second.give(at(6, fall, 3)) }},
		{"it closes", 0, 0b10, func() { second.give(at(6, rise, 4)) }},
		{"it opened for so short that two interrupts became one event", 0b10, 0b10, func() { second.give(at(6, rise, 6)) }},
		// Seen of the PL061 of the emulated board: edges that it kept from before the request.
		{"the first number is not 1", 0, 0, func() { first.give(at(19, rise, 4)) }},
		{"a readback that bounces: four interrupts, two events", 0, 0, func() { first.give(at(19, fall, 6), at(19, rise, 8)) }},
		{"one line's event overtakes another's", 0, 0, func() { first.give(at(19, fall, 10), at(26, rise, 9)) }},
		{"one less than the kernel keeps", 0, 0, func() {
			for i := range uint32(EdgeRoom - 1) {
				first.give(at(19, rise+i%2, 11+i))
			}
		}},
		{"all that it keeps: it may have dropped a stop's", 0b1, 0b1, func() {
			for i := range uint32(EdgeRoom) {
				first.give(at(19, rise+i%2, 9000+i))
			}
		}},
		{"a stop behind as many", 0b1, 0b1, func() { // what is left of a full buffer comes with the next call
			for i := range uint32(EdgeRoom) {
				first.give(at(19, rise+i%2, 20000+i))
			}
			g.Passed()
			first.give(at(5, rise, 30000))
		}},
	} {
		c.give()
		if low, high := g.Passed(); low != c.low || high != c.high {
			t.Errorf("%s: low %b, high %b, want %b and %b", c.what, low, high, c.low, c.high)
		}
	}
	if n := testing.AllocsPerRun(100, func() { g.Passed() }); n > 0 {
		t.Errorf("looking for edges allocates %v times", n)
	}
}

// A chip without interrupts is read all the same, but no stop contact hangs on it.
//
//fault:row a stop contact's GPIO chip reports no edges | refused at the start, with the mend
//fault:row another line's GPIO chip reports no edges | the line is read every turn
func TestAChipWithoutEdges(t *testing.T) {
	g, k := openFake(t, func(_ *GPIOConfig, k *fakeKernel) { k.chips["gpiochip1"].noEdges = true })
	k.chips["gpiochip1"].high[6] = true
	passed, _ := g.Passed()
	if got, err := g.Levels(); err != nil || got != 0b10 || passed != 0 || g.Sampled() != "estop_b on gpiochip1:6" {
		t.Errorf("levels %b, %v, without edges: %s", got, err, g.Sampled())
	}
	cfg, k := testBoard(t), newFakeKernel(t, 32, "gpiochip0", "gpiochip1")
	cfg.Inputs[1].Every, k.chips["gpiochip1"].noEdges = true, true
	_, err := openGPIO(cfg, fakeParts(k))
	if err == nil || !strings.Contains(err.Error(), "estop_b on gpiochip1:6") || !strings.Contains(err.Error(), "no interrupt that it needs for edges") {
		t.Errorf("%v", err)
	}
}

func TestLevelsStandInTheOrderOfTheInputs(t *testing.T) {
	g, k := openFake(t, nil)
	set := func(chip string, line int, high bool) { k.chips[chip].high[line] = high }
	for _, c := range []struct {
		chip string
		line int
		want uint32
	}{{"gpiochip0", 5, 1}, {"gpiochip1", 6, 2}, {"gpiochip0", 19, 8}, {"gpiochip0", 26, 16}, {"gpiochip0", 21, 0}, {"gpiochip0", 17, 0}} {
		set(c.chip, c.line, true)
		if got, err := g.Levels(); err != nil || got != c.want {
			t.Errorf("%s:%d high gives %b, %v; want %b", c.chip, c.line, got, err, c.want)
		}
		set(c.chip, c.line, false)
	}
	if n := testing.AllocsPerRun(100, func() { _, _ = g.Levels() }); n > 0 {
		t.Errorf("reading the inputs allocates %v times", n)
	}
}

//fault:row the GPIO chip is gone | the lines are silent: power off
func TestAChipThatIsGoneIsAnErrorNotALevel(t *testing.T) {
	g, k := openFake(t, nil)
	k.chips["gpiochip0"].high[5] = true
	k.chips["gpiochip1"].gone.Store(true)
	levels, err := g.Levels()
	if levels != 0 || !errors.Is(err, unix.ENODEV) || !strings.Contains(err.Error(), "gpiochip1") {
		t.Errorf("got %b, %v", levels, err)
	}
	k.chips["gpiochip0"].gone.Store(true)
	if err := g.Relay().Set(true); !errors.Is(err, unix.ENODEV) || !strings.Contains(err.Error(), "relay on gpiochip0:17") {
		t.Errorf("writing the relay of a chip that is gone: %v", err)
	}
}

func TestInertTriesEveryLine(t *testing.T) {
	g, k := openFake(t, nil)
	for _, o := range []Output{g.Relay(), g.Heartbeat(), g.Buzzer(), g.Lamp()} {
		if err := o.Set(true); err != nil {
			t.Fatal(err)
		}
	}
	buzzer, lamp := uint32(g.buzzer.pin.Line), g.lamp.pin.Line
	k.chips["gpiochip0"].setErrs[17] = unix.EIO
	k.chips["gpiochip0"].setErrs[buzzer] = unix.ENXIO
	err := g.Inert()
	if !errors.Is(err, unix.EIO) || !errors.Is(err, unix.ENXIO) || !strings.Contains(err.Error(), "buzzer") {
		t.Errorf("want both errors, got %v", err)
	}
	if k.chips["gpiochip0"].high[lamp] {
		t.Error("the lamp stays lit because another line failed")
	}
	clear(k.chips["gpiochip0"].setErrs)
	if err := g.Inert(); err != nil || k.chips["gpiochip0"].high[17] {
		t.Errorf("relay high %v, %v", k.chips["gpiochip0"].high[17], err)
	}
	if !k.chips["gpiochip0"].high[27] {
		t.Error("the heartbeat moved: that edge lengthens the watchdog's hold")
	}
}

func TestCloseLowersTheRelayBeforeItLetsGo(t *testing.T) {
	g, k := openFake(t, nil)
	if err := g.Relay().Set(true); err != nil {
		t.Fatal(err)
	}
	if err := g.Close(); err != nil {
		t.Fatal(err)
	}
	low, gone := slices.Index(k.trail, "low gpiochip0:17"), slices.Index(k.trail, "let go gpiochip0:17")
	if low < 0 || gone < low {
		t.Errorf("want the relay low, then let go: %v", k.trail)
	}
	for name, c := range k.chips {
		for l, who := range c.heldBy {
			if who != "" {
				t.Errorf("%s:%d is still held", name, l)
			}
		}
	}
	before := len(k.trail)
	for _, o := range []Output{g.Relay(), g.Heartbeat(), g.Buzzer(), g.Lamp()} {
		if err := o.Set(true); !errors.Is(err, ErrClosed) {
			t.Errorf("set after Close: %v", err)
		}
	}
	if _, err := g.Levels(); !errors.Is(err, ErrClosed) {
		t.Errorf("levels after Close: %v", err)
	}
	if err := g.Close(); !errors.Is(err, ErrClosed) {
		t.Errorf("second Close: %v", err)
	}
	if len(k.trail) != before {
		t.Errorf("lines were touched after Close: %v", k.trail[before:])
	}
}

func TestABoardWithTheLeastLines(t *testing.T) {
	g, _ := openFake(t, func(c *GPIOConfig, _ *fakeKernel) {
		*c = GPIOConfig{Relay: c.Relay, Heartbeat: c.Heartbeat, Inputs: []GPIOInput{{Name: "reset"}, {Name: "start"}}, Now: c.Now}
	})
	if levels, err := g.Levels(); levels != 0 || err != nil {
		t.Errorf("levels %b, %v", levels, err)
	}
	ctx, stop := context.WithCancel(t.Context())
	stop()
	if got, err := g.Edges(nil); err != nil || got != nil {
		t.Error(got, err)
	}
	if err := g.Counts(ctx, nil); err != nil {
		t.Error(err)
	}
	if err := errors.Join(g.Buzzer().Set(true), g.Lamp().Set(true), g.Close()); err != nil {
		t.Error(err)
	}
}
