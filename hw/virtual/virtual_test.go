package virtual

import (
	"errors"
	"math"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"downhaul/hw"
)

var padInputs = []string{"estop_a", "estop_b", "gate", "hold", "reset", "start", "end", "readback"}

// clock is a clock that stands still until it is set.
type clock struct{ ns atomic.Int64 }

func (c *clock) now() time.Duration  { return time.Duration(c.ns.Load()) }
func (c *clock) add(d time.Duration) { c.ns.Add(int64(d)) }
func (c *clock) set(d time.Duration) { c.ns.Store(int64(d)) }
func must(t testing.TB, errs ...error) {
	t.Helper()
	for _, err := range errs {
		if err != nil {
			t.Fatal(err)
		}
	}
}

func open(t testing.TB, cfg Config) (*Board, *clock) {
	t.Helper()
	c := &clock{}
	cfg.Now = c.now
	if cfg.Inputs == nil {
		cfg.Inputs = padInputs
	}
	v, err := Open(cfg)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := v.Close(); err != nil && !errors.Is(err, hw.ErrClosed) {
			t.Error(err)
		}
	})
	return v, c
}

// run beats the heartbeat every 25 ms for d.
func run(t testing.TB, v *Board, c *clock, d time.Duration) {
	t.Helper()
	on := false
	for end := c.now() + d; c.now() < end; c.add(25 * ms) {
		on = !on
		must(t, v.Heartbeat().Set(on))
	}
}

var _ hw.Board = (*Board)(nil)

func TestOpenVirtualRefuses(t *testing.T) {
	now := func() time.Duration { return 0 }
	for _, row := range []struct {
		cfg  Config
		want string
	}{
		{Config{}, "no clock"},
		{Config{Now: now, Inputs: []string{"gate", "gate"}}, `inputs[1]: "gate" stands twice`},
		{Config{Now: now, Inputs: []string{"Gate"}}, "inputs[0]: a name is"},
		{Config{Now: now, Inputs: []string{"weld"}}, "no fault's or stop's own name"},
		{Config{Now: now, Inputs: []string{"estop"}}, "no fault's or stop's own name"},
		{Config{Now: now, Inputs: make([]string, 33)}, "at most 32 lines (got 33)"},
		{Config{Now: now, ClosedLow: []string{"gate"}}, `closed low[0]: "gate" is not among the inputs`},
		{Config{Now: now, Inputs: []string{"anemometer"}, NormallyClosed: []string{"anemometer"}}, "no contact that rests"},
		{Config{Now: now, Chain: ChainConfig{PickUp: -1}}, "pick-up time"},
		{Config{Now: now, Converter: ConverterConfig{Zero: 1}}, "counts per newton"},
		{Config{Now: now, Converter: ConverterConfig{CountsPerNewton: math.NaN(), Bits: 8, Rate: 1e9}}, "bits must be"},
		{Config{Now: now, Converter: ConverterConfig{CountsPerNewton: 0, Bits: 24, Rate: 80}}, "counts per newton"},
		{Config{Now: now, Converter: ConverterConfig{CountsPerNewton: 400, Bits: 33, Rate: 80}}, "bits must be"},
		{Config{Now: now, Converter: ConverterConfig{CountsPerNewton: 400, Bits: 24, Rate: 1001}}, "rate must be"},
	} {
		if _, err := Open(row.cfg); err == nil || !strings.Contains(err.Error(), row.want) {
			t.Errorf("error %v, want one with %q", err, row.want)
		}
	}
}

func TestPromise01_BoardIsInertWhenOpenedAfterInertAndAfterClose(t *testing.T) {
	v, c := open(t, Config{})
	if edges, _ := v.Trace(); len(edges) != 0 || v.PowerOn() {
		t.Fatalf("not inert when opened: %v", edges)
	}
	live := func() {
		must(t, v.Relay().Set(true), v.Buzzer().Set(true), v.Lamp().Set(true))
		run(t, v, c, time.Second)
		if !v.PowerOn() {
			t.Fatal("not live")
		}
	}
	inert := func(when string) {
		beats, _ := v.Beats()
		c.add(100 * ms)
		if v.PowerOn() {
			t.Errorf("%s: power after 100 ms", when)
		}
		on := map[string]bool{}
		edges, _ := v.Trace()
		for _, e := range edges {
			on[e.Line] = e.On
		}
		for line, is := range on {
			if is {
				t.Errorf("%s: %s is on", when, line)
			}
		}
		if after, _ := v.Beats(); len(after) != len(beats) {
			t.Errorf("%s: the heartbeat moved", when)
		}
	}
	live()
	must(t, v.Inert())
	inert("after Inert")
	live()
	must(t, v.Close())
	inert("after Close")
	for _, err := range []error{v.Relay().Set(true), v.Inert(), v.Close(), v.Press("reset"), v.Turn(1), v.Load(1), v.Break("weld")} {
		if !errors.Is(err, hw.ErrClosed) {
			t.Errorf("closed board: error %v, want %v", err, hw.ErrClosed)
		}
	}
	if _, err := v.Levels(); !errors.Is(err, hw.ErrClosed) {
		t.Errorf("closed board: levels with error %v", err)
	}
}

func TestPromise01_HeartbeatStopOpensTheBoard(t *testing.T) {
	v, c := open(t, Config{})
	must(t, v.Relay().Set(true))
	run(t, v, c, time.Second)
	last, _ := v.Beats()
	c.add(time.Hour) // nobody looked meanwhile; the edges carry their true times
	edges, _ := v.Trace()
	want := []OutputEdge{
		{"relay", true, 0},
		{"watchdog", true, 75 * ms},
		{"contactor", true, 90 * ms},
		{"watchdog", false, last[len(last)-1].At + WatchdogDrop},
		{"contactor", false, last[len(last)-1].At + 100*ms},
	}
	if len(edges) != len(want) {
		t.Fatalf("got %v\nwant %v", edges, want)
	}
	for i := range want {
		if edges[i] != want[i] {
			t.Errorf("edge %d is %v, want %v", i, edges[i], want[i])
		}
	}
}

func levels(t *testing.T, v *Board) map[string]bool {
	t.Helper()
	bits, err := v.Levels()
	must(t, err)
	out := map[string]bool{}
	for i, name := range v.cfg.Inputs {
		out[name] = bits&(1<<i) != 0
	}
	if bits>>len(v.cfg.Inputs) != 0 {
		t.Errorf("levels %b beyond the inputs", bits)
	}
	return out
}

func TestLevelsFollowTheCrew(t *testing.T) {
	v, _ := open(t, Config{Inputs: append([]string{"door", "end_low", "anemometer"}, padInputs...),
		NormallyClosed: []string{"end"}, ClosedLow: []string{"end_low", "gate", "start"}})
	check := func(when, high string) {
		t.Helper()
		is := levels(t, v)
		for _, name := range v.cfg.Inputs {
			want := strings.Contains(" "+high+" ", " "+name+" ")
			if is[name] != want {
				t.Errorf("%s: %s is %v, want %v", when, name, is[name], want)
			}
		}
	}
	check("at rest", "end_low estop_a estop_b end start readback")
	must(t, v.Press("reset"), v.Press("start"), v.Press("end"), v.Press("hold"))
	check("buttons pressed", "end_low estop_a estop_b hold reset readback")
	must(t, v.Release("reset"), v.Release("start"), v.Release("end"), v.Release("hold"), v.OpenContact("gate"), v.Press("estop"))
	check("gate open, stop pressed", "end_low gate end start readback")
	must(t, v.Release("estop"), v.CloseContact("gate"), v.OpenContact("estop_b"), v.CloseContact("door"), v.CloseContact("end_low"))
	check("one stop contact", "door estop_a end start readback")
	must(t, v.CloseContact("estop"))
	// A cut wire reads like an open contact, whatever the contact does.
	for _, name := range v.cfg.Inputs {
		must(t, v.Break(name))
	}
	check("every wire cut", "end_low gate start")
	must(t, v.Break("inputs"))
	if bits, err := v.Levels(); err == nil {
		t.Errorf("levels %b from lines that cannot be read", bits)
	}
	must(t, v.Mend("inputs"))
	for _, name := range v.cfg.Inputs {
		must(t, v.Mend(name))
	}
	check("mended", "door estop_a estop_b end start readback")
}

func TestCrewIsToldWhatElseToDo(t *testing.T) {
	v, _ := open(t, Config{Converter: ConverterConfig{Absent: true}})
	for _, row := range []struct {
		err  error
		want string
	}{
		{v.Press("gate"), "use open or close"},
		{v.OpenContact("reset"), "use press or release"},
		{v.OpenContact("readback"), "follows the contactor"},
		{v.Press("rest"), `nothing is named "rest"; there are estop, estop_a`},
		{v.Break("wled"), `no fault or input is named "wled"; there are weld, dead`},
		{v.Mend(strings.Repeat("x", 4000)), "xxx..."},
		{v.Turn(-1), "from 0 to 1000"},
		{v.Turn(math.NaN()), "from 0 to 1000"},
		{v.Turn(1e-9), "0.001 Hz"},
		{v.Load(900), "has no load cell"},
	} {
		if row.err == nil || !strings.Contains(row.err.Error(), row.want) || len(row.err.Error()) > 600 {
			t.Errorf("error %v, want a short one with %q", row.err, row.want)
		}
	}
	w, _ := open(t, Config{})
	if err := w.Load(math.Inf(1)); err == nil {
		t.Error("an infinite load was taken")
	}
}

func TestReadbackFollowsTheMirrorContact(t *testing.T) {
	v, c := open(t, Config{})
	if !levels(t, v)["readback"] {
		t.Fatal("contactor open, readback must be high")
	}
	must(t, v.Relay().Set(true))
	run(t, v, c, 200*ms)
	if levels(t, v)["readback"] {
		t.Error("contactor closed, readback must be low")
	}
	must(t, v.Press("estop"))
	c.add(DefaultDropOut)
	if !levels(t, v)["readback"] || v.PowerOn() {
		t.Error("stop pressed, contactor must be open and readback high")
	}
	must(t, v.Break("readback"))
	if levels(t, v)["readback"] {
		t.Error("wire cut, readback must be low, as from a closed contactor")
	}
	must(t, v.Mend("readback"), v.Break("weld"))
	if levels(t, v)["readback"] || !v.PowerOn() {
		t.Error("welded, power must be on and readback low")
	}
}

// An emergency stop that no input reads stands in the coil's supply all the same.
func TestStopWorksUnwired(t *testing.T) {
	v, c := open(t, Config{Inputs: []string{"reset"}})
	must(t, v.Relay().Set(true))
	run(t, v, c, 200*ms)
	must(t, v.Press("estop"))
	c.add(DefaultDropOut)
	if v.PowerOn() {
		t.Error("power although the stop is pressed")
	}
}

func TestOutputsThatCanNotBeWritten(t *testing.T) {
	v, c := open(t, Config{})
	must(t, v.Relay().Set(true))
	run(t, v, c, 200*ms)
	must(t, v.Break("outputs"))
	for _, o := range []hw.Output{v.Relay(), v.Heartbeat(), v.Buzzer(), v.Lamp()} {
		if o.Set(false) == nil {
			t.Error("a write that failed was no error")
		}
	}
	if v.Inert() == nil || !v.PowerOn() {
		t.Error("Inert must fail and the relay stay on")
	}
	c.add(100 * ms)
	if v.PowerOn() {
		t.Error("relay stuck on, heartbeat silent: power after 100 ms")
	}
}

func TestTraceIsBounded(t *testing.T) {
	v, c := open(t, Config{})
	for i := range 5000 {
		c.add(ms)
		must(t, v.Buzzer().Set(i%2 == 0), v.Lamp().Set(true), v.Heartbeat().Set(i%2 == 0))
	}
	edges, dropped := v.Trace()
	if len(edges) != 4096 || dropped != 5001-4096 {
		t.Errorf("%d edges and %d dropped, want 4096 and 905", len(edges), dropped)
	}
	if last := edges[len(edges)-1]; last != (OutputEdge{"buzzer", false, 5 * time.Second}) {
		t.Errorf("last edge %v", last)
	}
	beats, lost := v.Beats()
	if len(beats) != 1024 || lost != 5000-1024 {
		t.Errorf("%d heartbeat edges and %d dropped, want 1024 and 3976", len(beats), lost)
	}
}

func TestShowSaysItInPlainWords(t *testing.T) {
	v, c := open(t, Config{})
	must(t, v.Relay().Set(true))
	run(t, v, c, time.Second)
	must(t, v.Press("reset"), v.Break("gate"), v.Break("heartbeat"), v.Turn(12), v.Load(900))
	s, err := v.Show()
	must(t, err)
	says := map[string]string{}
	for _, i := range s.Inputs {
		says[i.Name] = i.Says
	}
	for name, want := range map[string]string{"estop_a": "closed: not pressed", "gate": "closed", "hold": "not held",
		"reset": "pressed", "start": "not pressed", "readback": "mirror open: contactor closed"} {
		if says[name] != want {
			t.Errorf("%s says %q, want %q", name, says[name], want)
		}
	}
	if !s.Power || s.Contactor != "closed" || !s.Watchdog || !s.Coil || s.Wind != 12 || s.Load == nil || *s.Load != 900 {
		t.Errorf("state %+v", s)
	}
	if o := s.Outputs[0]; o.Name != "relay" || !o.On || o.Changed == nil || *o.Changed != 0 || o.Says != "on: the guard asks for power" {
		t.Errorf("relay %+v", o)
	}
	if o := s.Outputs[2]; o.Name != "buzzer" || o.On || o.Changed != nil || o.Says != "silent" {
		t.Errorf("buzzer %+v", o)
	}
	if b := s.Heartbeat; b.Edges != 40 || *b.LeastGap != 0.025 || *b.MostGap != 0.025 {
		t.Errorf("heartbeat %+v", b)
	}
	if len(s.Faults) != 2 || s.Faults[0].Name != "heartbeat" || s.Faults[1].Name != "gate" {
		t.Errorf("faults %+v", s.Faults)
	}
	must(t, v.Break("readback"))
	s, err = v.Show()
	must(t, err)
	if r := s.Inputs[7]; !r.WireBroken || r.Level != 0 || r.Says != "mirror open: contactor closed" {
		t.Errorf("readback with a cut wire, contactor closed: %+v", r)
	}
	must(t, v.Inert())
	c.add(100 * ms)
	s, err = v.Show()
	must(t, err)
	if r := s.Inputs[7]; r.Level != 0 || r.Says != "mirror closed: contactor open" {
		t.Errorf("readback with a cut wire, contactor open: %+v", r)
	}
	if g := s.Inputs[2]; g.Level != 0 || !g.WireBroken {
		t.Errorf("gate with a cut wire: %+v", g)
	}
}
