package virtual

import (
	"errors"
	"math"
	"strings"
	"testing"
)

// What the model takes, just so, and just not: each bound alone.
func TestModelAtItsBounds(t *testing.T) {
	cell := func(change func(*ConverterConfig)) func() error {
		cfg := ConverterConfig{CountsPerNewton: 400, Bits: 24, Rate: 80}
		change(&cfg)
		return func() error { _, err := newConverter(cfg); return err }
	}
	scale := func(v float64) func() error { return cell(func(c *ConverterConfig) { c.CountsPerNewton = v }) }
	bits := func(n int) func() error { return cell(func(c *ConverterConfig) { c.Bits = n }) }
	rate := func(v float64) func() error { return cell(func(c *ConverterConfig) { c.Rate = v }) }
	turn := func(hz float64) func() error { return func() error { return new(rotor).turn(0, hz) } }
	v, _ := open(t, Config{})
	load := func(n float64) func() error { return func() error { return v.Load(n) } }
	named := func(name string) func() error {
		return func() error {
			if !goodName(name) {
				return errors.New("refused")
			}
			return nil
		}
	}
	for _, c := range []struct {
		what        string
		taken, gone []func() error
	}{
		{"counts per newton", []func() error{scale(1e-6), scale(-1e-6), scale(1e9), scale(-1e9)}, []func() error{scale(0.99e-6), scale(1.01e9), scale(0), scale(math.Inf(1))}},
		{"bits", []func() error{bits(12), bits(32)}, []func() error{bits(11), bits(33)}},
		{"conversions a second", []func() error{rate(0.1), rate(1000)}, []func() error{rate(0.099), rate(1001), rate(math.NaN())}},
		{"pulses a second", []func() error{turn(0), turn(1e-3), turn(1000)}, []func() error{turn(-1e-9), turn(0.99e-3), turn(1000.1), turn(math.NaN())}},
		{"load", []func() error{load(-1e6), load(1e6)}, []func() error{load(-1.01e6), load(1.01e6), load(math.NaN())}},
		{"names", []func() error{named("a"), named("az09_"), named(strings.Repeat("z", 32))}, []func() error{named(""), named(strings.Repeat("z", 33)), named("a`"), named("a{"), named("a/"), named("a:"), named("aA")}},
	} {
		for i, f := range c.taken {
			if err := f(); err != nil {
				t.Errorf("%s, number %d of those within: %v", c.what, i, err)
			}
		}
		for i, f := range c.gone {
			if err := f(); err == nil {
				t.Errorf("%s, number %d of those past it was taken", c.what, i)
			}
		}
	}
}

// The contacts of the emergency stop are there without an input, and wired is what has
// one.
func TestWiredIsWhatHasAnInput(t *testing.T) {
	v, _ := open(t, Config{Inputs: []string{"gate", "reset"}})
	for i, want := range []bool{true, true, false, false} {
		if got := v.inputState(i); got.Wired != want {
			t.Errorf("%s is wired: %v", got.Name, got.Wired)
		}
	}
}

// What the chain does at an instant stands in the trace of a board that was told just
// that instant.
func TestTraceTellsOfTheVeryInstant(t *testing.T) {
	v, c := open(t, Config{})
	must(t, v.Relay().Set(true))
	run(t, v, c, 2*DefaultPickUp+8*25*ms)
	if !v.PowerOn() {
		t.Fatal("no power to take off")
	}
	must(t, v.Relay().Set(false))
	at := c.now()
	c.add(DefaultDropOut)
	edges, _ := v.Trace()
	if last := edges[len(edges)-1]; last != (OutputEdge{"contactor", false, at + DefaultDropOut}) {
		t.Errorf("relay low at %v, and the last edge is %+v", at, last)
	}
}

// The emergency stop that is wired to no input rests closed in the coil's supply: what
// else the crew works opens nothing.
func TestAStopWithoutAnInputRestsClosed(t *testing.T) {
	v, c := open(t, Config{Inputs: []string{"gate", "reset"}})
	must(t, v.Press("reset"))
	must(t, v.Relay().Set(true))
	if run(t, v, c, 2*DefaultPickUp+8*25*ms); !v.PowerOn() {
		t.Error("reset was pressed, and no power comes")
	}
}

// A name of 40 letters that nothing has is told whole, a longer one cut there.
func TestALongNameIsCut(t *testing.T) {
	for n, want := range map[int]string{40: strings.Repeat("x", 40) + ":", 41: strings.Repeat("x", 40) + "...:"} {
		if got := short(strings.Repeat("x", n)) + ":"; got != want {
			t.Errorf("a name of %d letters is told as %q", n, got)
		}
	}
}
