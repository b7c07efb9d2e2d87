package emulated

import (
	"flag"
	"fmt"
	"math"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/before/bench"
	"downhaul/interlock/day/answers/told"
	"downhaul/interlock/day/intake"
	"downhaul/interlock/records/session"
	"downhaul/rules"
)

var onCell = flag.Bool("cell", false, "try load cells on the emulated board; two minutes and more")

var onHX711 = flag.Bool("hx711", false, "try the HX711 on the emulated board")

// cellTree puts an I²C bus and an HX711 on the same two lines; whichever driver is
// loaded has them. "3" is active low and open source: see twoWire.
const cellTree = `
/ {
	i2c {
		compatible = "i2c-gpio";
		#address-cells = <1>;
		#size-cells = <0>;
		sda-gpios = <&{/pl061@9030000} 6 3>;
		scl-gpios = <&{/pl061@9030000} 7 3>;
		i2c-gpio,sda-open-drain;
		i2c-gpio,scl-open-drain;
		i2c-gpio,delay-us = <1>;
		i2c-gpio,timeout-ms = <2000>;
	};
	supply: supply {
		compatible = "regulator-fixed";
		regulator-name = "cell";
		regulator-min-microvolt = <3300000>;
		regulator-max-microvolt = <3300000>;
	};
	weight {
		compatible = "avia,hx711";
		dout-gpios = <&{/pl061@9030000} 6 0>;
		sck-gpios = <&{/pl061@9030000} 7 0>;
		avdd-supply = <&supply>;
		clock-frequency = <20000>;
	};
};
`

// The pads of a load cell: no line is left for a second contact of the stop.
const (
	ownPad    = "own"
	kernelPad = "kernel"
	slowPad   = "slow"
	// fastPad names eight times the rate that the converter has.
	fastPad = "fast"

	dataPin, clockPin = 6, 7
	cellZero          = 10000
	newtonsPerCount   = 0.01
	// overload is the rule's limit in newtons.
	overload = 500.0

	unread, atEnd = "the sensor could not be read", "at the end of the sensor's range"
)

// stale is how old a tension may be: the emulator's computer may be busy.
const stale = "stale_after = \"5 s\"\n"

func cellPad(name, device string, rate int, stale string) layout {
	return layout{
		name: name, lines: map[string]int{"start": 4},
		sensor: fmt.Sprintf("[load_cell]\ndevice = %q\nrate = \"%d Hz\"\nzero = %d\nnewtons_per_count = %v\n", device, rate, cellZero, newtonsPerCount),
		rule:   fmt.Sprintf("\n[[rule]]\nname = \"tether overload\"\nwatch = \"tether.tension\"\nabove = \"%v N\"\n%sstop = \"immediate\"\n", overload, stale),
	}
}

var cellPads = []layout{
	cellPad(ownPad, "nau7802 on i2c-0", 10, stale),
	cellPad(kernelPad, "iio:device0/in_voltage0_raw", 4, stale),
	cellPad(slowPad, "iio:device0/in_voltage0_raw", 1, stale),
	cellPad(fastPad, "iio:device0/in_voltage0_raw", 80, ""),
}

// The load cell's NAU7802 on a stock kernel's bus, by our own driver and by the kernel's.
//
// What an open wire of the cell does to the counts is common practice, no source: the
// converter's input drifts to one of its ends.
func TestEmulatedLoadCell(t *testing.T) {
	part := &nauPart{}
	var l leads
	bus := &twoWire{part: part, data: dataPin, clock: clockPin, set: l.set}
	r := bootCell(t, Config{
		Modules: []string{"i2c-algo-bit", "i2c-gpio", "i2c-dev", "industrialio"}, Spare: []string{"nau7802"}, Kernel: apart,
		Changed: func(_ time.Time, pin int, high bool) { bus.changed(pin, high) },
	}, &l)

	part.load(cellZero)
	folder := r.guardsApart(ownPad)
	r.weighs(&part.converter)
	low, mended := func() { part.browns(true) }, func() { part.browns(false) }
	r.loses(unread, low, mended)
	r.trips("tether.tension "+unread, low, mended)
	from, to := r.bearsBrownOut(part)
	r.end()
	gapOnRecord(r, folder, from, to)

	r.do("insmod /modules/nau7802.ko; echo nau7802 0x2a > /sys/bus/i2c/devices/i2c-0/new_device")
	if out := r.tells("downhauld --pad /pads/own/pad.toml 2>&1"); !strings.Contains(out, "a driver of the kernel has the part at 2Ah on i2c-0") {
		t.Errorf("our driver takes a part that the kernel's has: %s", out)
	}
	r.guardsApart(kernelPad)
	r.weighs(&part.converter)
	// The kernel's driver waits for a conversion for ever, and takes no order meanwhile. A
	// brown-out between its reading of the control register and its writing is undone by it.
	r.until("missing after a brown-out", func(s told.Status) bool {
		part.browns(false)
		return tension(s).Cause == unread
	})
	if out := r.do("kill -TERM $GUARD; sleep 2; kill -0 $GUARD 2>/dev/null && echo held; true"); strings.Contains(out, "held") {
		t.Log("after a brown-out under the kernel's driver the process does not end until the converter runs")
	}
	part.with(func() { part.registers[nauControl] = nauDigital | nauAnalogue | nauConvert })
	r.do("wait $GUARD")
	r.says("ended; relay open")

	// The pad file says 80 conversions a second, the converter makes ten.
	r.guardsApart(fastPad)
	for range 5 {
		s := r.until("missing between two conversions", func(s told.Status) bool { return tension(s).Cause == unread })
		if why := strings.Join(s.NotReady, "; "); !strings.Contains(why, "tether.tension: ") {
			t.Errorf("not what holds the start back: %s", why)
		}
	}
	r.end()
}

// The load cell's HX711 by the kernel's driver. Nothing stretches its clock, and the
// driver reads each bit a set time after the edge: lpj makes the kernel's short waits
// two hundred times longer, so that a busy computer brings the bits in time. A
// conversion is read in half a second, then.
//
//	go test ./hw/emulated -run TestHX711 -v -hx711
func TestHX711(t *testing.T) {
	if !*onHX711 {
		t.Skip("takes minutes; only with -hx711")
	}
	var l leads
	weight := &hx711{data: dataPin, clock: clockPin, set: l.set}
	r := bootCell(t, Config{
		Modules: []string{"fixed", "industrialio", "kfifo_buf", "industrialio-triggered-buffer"}, Spare: []string{"hx711"}, Kernel: apart + " lpj=50000000",
		Changed: func(_ time.Time, pin int, high bool) { weight.changed(pin, high) },
	}, &l)
	weight.begin()
	weight.load(cellZero)
	r.do("insmod /modules/hx711.ko")
	r.guardsApart(slowPad)
	r.weighs(&weight.converter)
	r.end()
}

// leads are the ends of a part's wires: what it drives is lost until the board is there.
type leads struct{ atomic.Pointer[Machine] }

func (l *leads) set(pin int, high bool) {
	if m := l.Load(); m != nil {
		_ = m.Set(pin, high) // a machine that ended is told elsewhere
	}
}

// bootCell boots a board with a converter at those leads.
func bootCell(t *testing.T, cfg Config, l *leads) *rig {
	if testing.Short() || !*onCell && !*onHX711 {
		t.Skip("boots a computer, and takes two minutes; only with -cell")
	}
	cfg.Tree, cfg.Processors = cellTree, 3
	r := boot(t, cfg, cellPads...)
	l.Store(r.m)
	r.every = time.Second
	return r
}

// apart leaves the second and third processor to what is sent there.
const apart = "isolcpus=1,2"

// guardsApart starts the daemon anew, its loop on the third processor and the rest of it
// on the second. A stock kernel does not take the processor from a thread inside it that
// waits for the next edge of a bus without interrupts; that takes a tenth of a second
// here, and on no board.
func (r *rig) guardsApart(pad string) (session string) {
	r.t.Helper()
	session = r.guard(pad, true)
	// The loop's thread is the one with a real-time policy (proc(5), stat, field 41).
	r.do(`taskset -ap 2 $GUARD; for t in /proc/$GUARD/task/*; do if [ "$(cut -d' ' -f41 $t/stat)" = 1 ]; then taskset -p 4 ${t##*/}; fi; done`)
	return session
}

// weighs has the guard read a converter: loads, what can be wrong with it, and a trip at
// the relay's pin.
func (r *rig) weighs(c *converter) {
	r.t.Helper()
	r.reads(0)
	const g = 9.80665
	r.hang(c, 20*g)
	r.reads(20 * g)
	for _, f := range []struct {
		cause    string
		in, mend func()
	}{
		{atEnd, func() { c.count = mostCount }, func() { c.count = cellZero }},
		{atEnd, func() { c.count = leastCount }, func() { c.count = cellZero }}, // an open wire
		{unread, func() { c.absent = true }, func() { c.absent = false }},
		{unread, func() { c.stands = true }, func() { c.stands = false }},
	} {
		r.loses(f.cause, func() { c.with(f.in) }, func() { c.with(f.mend) })
	}
	r.trips("tether overload past its limit: 550", func() { r.hang(c, overload+50) }, func() { r.hang(c, 0) })
}

// hang hangs a load in newtons on the cell.
func (r *rig) hang(c *converter, newtons float64) {
	c.load(cellZero + int32(math.Round(newtons/newtonsPerCount)))
}

// reads waits until the guard has that tension in newtons, but for the noise.
func (r *rig) reads(newtons float64) {
	r.t.Helper()
	r.until(fmt.Sprintf("a tension of %.1f N", newtons), func(s told.Status) bool {
		c := tension(s)
		return c.Cause == "" && c.Value != nil && math.Abs(*c.Value-newtons) < 0.2
	})
}

// loses wants the tension missing for a cause while something is wrong, and there again
// after it was mended.
func (r *rig) loses(cause string, in, mend func()) {
	r.t.Helper()
	in()
	s := r.until("missing: "+cause, func(s told.Status) bool { return tension(s).Cause == cause })
	if s.State == "ready" || s.State == "live" {
		r.t.Errorf("%s without a tension", s.State)
	}
	mend()
	r.reads(0)
}

// bearsBrownOut has the supply fail for an instant while the chain is live. Our driver is
// over that within a few conversions, before the tension is too old: the chain stays live. It
// gives the guard's times around it. A busy computer can hold the loop up meanwhile; then
// it is done once more.
func (r *rig) bearsBrownOut(part *nauPart) (from, to float64) {
	r.t.Helper()
	for range 6 {
		r.makeLive()
		_, line := r.m.Lines(0)
		began := r.out.Now()
		from = r.status().At
		part.browns(false)
		time.Sleep(3 * time.Second)
		r.reads(0)
		to = r.status().At
		if len(switched(r.out.History(began), "relay")) == 0 {
			return from, to
		}
		if line, _, err := r.m.Wait(line, "tether.tension", 0); err == nil {
			r.t.Fatalf("a short brown-out: %s", line.Text)
		}
	}
	r.t.Fatal("the chain did not stay live")
	return 0, 0
}

// gapOnRecord wants a session's recording to have the tension missing between two times of
// its guard, in seconds, and good again: a gap that is too short for a status to show.
func gapOnRecord(r *rig, folder string, from, to float64) {
	r.t.Helper()
	s, err := session.Open(r.pull(folder))
	must(r.t, err)
	var gone, back float64
	result, err := bench.ReplaySession(s, bench.Seeing(func(id rules.ChannelID) bool { return id == rules.Tension },
		func(c *intake.Chunk, inputs []interlock.Input, _ []bench.Told) {
			for _, in := range inputs {
				switch at := c.At.Seconds(); {
				case c.Source != intake.LoadCell || at < from || at > to:
				case in.Sample.Cause == rules.SensorFailed && gone == 0:
					gone = at
				case in.Sample.Quality == rules.Good && gone > 0 && back == 0:
					back = at
				}
			}
		}))
	must(r.t, err)
	if !result.Equal.Holds {
		r.t.Error(result.Equal.Says())
	}
	if back == 0 {
		r.t.Errorf("of a brown-out between %.1f and %.1f s the recording has a reading that failed at %.2f and a good one behind it at %.2f", from, to, gone, back)
	}
	r.t.Logf("a brown-out while live is on record for %.2f s, and took no power off", back-gone)
}

// tension is what the guard has of it.
func tension(s told.Status) told.ChannelStatus {
	for _, c := range s.Channels {
		if c.Channel == "tether.tension" {
			return c
		}
	}
	return told.ChannelStatus{}
}
