package hw

import (
	"context"
	"errors"
	"math"
	"strings"
	"sync/atomic"
	"testing"
	"time"
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

func open(t testing.TB, cfg VirtualConfig) (*Virtual, *clock) {
	t.Helper()
	c := &clock{}
	cfg.Now = c.now
	if cfg.Inputs == nil {
		cfg.Inputs = padInputs
	}
	v, err := OpenVirtual(cfg)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := v.Close(); err != nil && !errors.Is(err, ErrClosed) {
			t.Error(err)
		}
	})
	return v, c
}

// run beats the heartbeat every 25 ms for d.
func run(t testing.TB, v *Virtual, c *clock, d time.Duration) {
	t.Helper()
	on := false
	for end := c.now() + d; c.now() < end; c.add(25 * ms) {
		on = !on
		must(t, v.Heartbeat().Set(on))
	}
}

var _ Board = (*Virtual)(nil)

func TestOpenVirtualRefuses(t *testing.T) {
	now := func() time.Duration { return 0 }
	for _, row := range []struct {
		cfg  VirtualConfig
		want string
	}{
		{VirtualConfig{}, "no clock"},
		{VirtualConfig{Now: now, Inputs: []string{"gate", "gate"}}, `inputs[1]: "gate" stands twice`},
		{VirtualConfig{Now: now, Inputs: []string{"Gate"}}, "inputs[0]: a name is"},
		{VirtualConfig{Now: now, Inputs: []string{"weld"}}, "no fault's or stop's own name"},
		{VirtualConfig{Now: now, Inputs: []string{"estop"}}, "no fault's or stop's own name"},
		{VirtualConfig{Now: now, Inputs: make([]string, 33)}, "at most 32 lines (got 33)"},
		{VirtualConfig{Now: now, ClosedLow: []string{"gate"}}, `closed low[0]: "gate" is not among the inputs`},
		{VirtualConfig{Now: now, Inputs: []string{"anemometer"}, NormallyClosed: []string{"anemometer"}}, "no contact that rests"},
		{VirtualConfig{Now: now, Chain: ChainConfig{PickUp: -1}}, "pick-up time"},
		{VirtualConfig{Now: now, Converter: ConverterConfig{Zero: 1}}, "counts per newton"},
		{VirtualConfig{Now: now, Converter: ConverterConfig{CountsPerNewton: math.NaN(), Bits: 8, Rate: 1e9}}, "bits must be"},
	} {
		if _, err := OpenVirtual(row.cfg); err == nil || !strings.Contains(err.Error(), row.want) {
			t.Errorf("error %v, want one with %q", err, row.want)
		}
	}
}

func TestPromise01_BoardIsInertWhenOpenedAfterInertAndAfterClose(t *testing.T) {
	v, c := open(t, VirtualConfig{})
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
		if !errors.Is(err, ErrClosed) {
			t.Errorf("closed board: error %v, want %v", err, ErrClosed)
		}
	}
	if _, err := v.Levels(); !errors.Is(err, ErrClosed) {
		t.Errorf("closed board: levels with error %v", err)
	}
}

func TestPromise01_HeartbeatStopOpensTheBoard(t *testing.T) {
	v, c := open(t, VirtualConfig{})
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

func levels(t *testing.T, v *Virtual) map[string]bool {
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
	v, _ := open(t, VirtualConfig{Inputs: append([]string{"door", "end_low", "anemometer"}, padInputs...),
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
		t.Errorf("levels %b from lines that can not be read", bits)
	}
	must(t, v.Mend("inputs"))
	for _, name := range v.cfg.Inputs {
		must(t, v.Mend(name))
	}
	check("mended", "door estop_a estop_b end start readback")
}

func TestCrewIsToldWhatElseToDo(t *testing.T) {
	v, _ := open(t, VirtualConfig{Converter: ConverterConfig{Absent: true}})
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
	w, _ := open(t, VirtualConfig{})
	if err := w.Load(math.Inf(1)); err == nil {
		t.Error("an infinite load was taken")
	}
}

func TestReadbackFollowsTheMirrorContact(t *testing.T) {
	v, c := open(t, VirtualConfig{})
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
	v, c := open(t, VirtualConfig{Inputs: []string{"reset"}})
	must(t, v.Relay().Set(true))
	run(t, v, c, 200*ms)
	must(t, v.Press("estop"))
	c.add(DefaultDropOut)
	if v.PowerOn() {
		t.Error("power although the stop is pressed")
	}
}

func TestOutputsThatCanNotBeWritten(t *testing.T) {
	v, c := open(t, VirtualConfig{})
	must(t, v.Relay().Set(true))
	run(t, v, c, 200*ms)
	must(t, v.Break("outputs"))
	for _, o := range []Output{v.Relay(), v.Heartbeat(), v.Buzzer(), v.Lamp()} {
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
	v, c := open(t, VirtualConfig{})
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

// Published example of a counted anemometer: 300 pulses in 60 s are 5 Hz
// (calibration report of a cup anemometer; see also its maker's forum).
func TestAnemometerGivesThePublishedCount(t *testing.T) {
	v, c := open(t, VirtualConfig{})
	must(t, v.Turn(5))
	var edges []Edge
	for c.now() < time.Minute {
		c.add(37 * ms) // whenever it is looked at
		c.set(min(c.now(), time.Minute))
		edges = append(edges, v.TakeEdges(c.now())...)
	}
	if len(edges) != 600 {
		t.Fatalf("%d edges in 60 s at 5 Hz, want 600", len(edges))
	}
	for i, e := range edges {
		want := Edge{Line: len(padInputs), Rise: i%2 == 0, At: time.Duration(i+1) * 100 * ms}
		if e != want {
			t.Fatalf("edge %d is %+v, want %+v", i, e, want)
		}
	}
}

func TestAnemometerTurnsOnThroughAChange(t *testing.T) {
	v, c := open(t, VirtualConfig{})
	must(t, v.Turn(1)) // edges every 500 ms
	c.set(750 * ms)    // half way to the second
	must(t, v.Turn(10))
	c.set(800 * ms) // half of 50 ms later is 775
	got := v.TakeEdges(c.now())
	if len(got) != 2 || got[0].At != 500*ms || got[1].At != 775*ms || !got[0].Rise || got[1].Rise {
		t.Errorf("edges %+v, want a rise at 500 ms and a fall at 775 ms", got)
	}
	must(t, v.Turn(0)) // half way to the next at 825
	c.set(time.Minute)
	if got := v.TakeEdges(c.now()); len(got) != 0 {
		t.Errorf("edges %+v from an anemometer that stands still", got)
	}
	must(t, v.Turn(1))
	c.set(time.Minute + 250*ms)
	if got := v.TakeEdges(c.now()); len(got) != 1 || got[0].At != time.Minute+250*ms {
		t.Errorf("edges %+v, want one at 1m0.25s", got)
	}
}

func TestAnemometerNobodyReads(t *testing.T) {
	v, c := open(t, VirtualConfig{Inputs: []string{"anemometer"}, ClosedLow: []string{"anemometer"}})
	must(t, v.Turn(1000))
	c.set(10 * time.Second)
	must(t, v.Turn(500)) // makes what was due; 20,000 edges
	c.set(11 * time.Second)
	edges := v.TakeEdges(c.now())
	if len(edges) != 4096 || edges[0].Lost != 21000-4096 || edges[4095].At != 11*time.Second {
		t.Fatalf("%d edges, first %+v, last %+v", len(edges), edges[0], edges[len(edges)-1])
	}
	for i, e := range edges {
		// The rotor's 21,000th edge opens the contact, which lets the line rise.
		if e.Rise != (i%2 == 1) || e.Line != 0 || i > 0 && (e.Lost != 0 || e.At <= edges[i-1].At) {
			t.Fatalf("edge %d is %+v after %+v", i, e, edges[max(i-1, 0)])
		}
	}
	must(t, v.Break("anemometer"))
	c.set(12 * time.Second)
	if got := v.TakeEdges(c.now()); len(got) != 0 {
		t.Errorf("%d edges through a cut wire", len(got))
	}
	must(t, v.Mend("anemometer"))
	c.set(12*time.Second + 2*ms)
	if got := v.TakeEdges(c.now()); len(got) != 2 || got[0].Lost != 0 {
		t.Errorf("edges %+v after mending, want 2 and none known to be lost", got)
	}
}

// 24-bit two's complement that clips at 800000h and 7FFFFFh: data sheet HX711.
func TestLoadCellCounts(t *testing.T) {
	v, c := open(t, VirtualConfig{})
	at := func(now time.Duration) []Count { c.set(now); return v.TakeCounts(now) }
	if got := at(time.Second); len(got) != 80 || got[0] != (Count{Value: 84000, At: 12500 * time.Microsecond}) || got[79].At != time.Second {
		t.Fatalf("first second: %d counts, %+v", len(got), got)
	}
	value := func(newtons float64) int32 {
		t.Helper()
		must(t, v.Load(newtons))
		got := at(c.now() + 12500*time.Microsecond)
		if len(got) != 1 || got[0].Failed {
			t.Fatalf("at %v N: %+v, want one count", newtons, got)
		}
		return got[0].Value
	}
	for _, row := range []struct {
		newtons float64
		want    int32
	}{{900, 84000 + 360000}, {-10, 80000}, {0.001, 84000}, {1e6, 0x7FFFFF}, {-1e6, -0x800000}} {
		if got := value(row.newtons); got != row.want {
			t.Errorf("%v N: %d, want %d", row.newtons, got, row.want)
		}
	}
	must(t, v.Load(0), v.Break("saturate"))
	if got := at(c.now() + 25*ms); len(got) != 2 || got[0].Value != 0x7FFFFF {
		t.Errorf("saturated: %+v", got)
	}
	must(t, v.Break("load_cell"))
	if got := at(c.now() + 25*ms); len(got) != 2 || !got[0].Failed || got[0].Value != 0 {
		t.Errorf("failed: %+v", got)
	}
	must(t, v.Break("load_cell_silent"))
	if got := at(c.now() + time.Second); len(got) != 0 {
		t.Errorf("silent: %+v", got)
	}
	must(t, v.Mend("saturate"), v.Mend("load_cell"), v.Mend("load_cell_silent"))
	if got := at(c.now() + 25*ms); len(got) != 2 || got[1].Value != 84000 {
		t.Errorf("mended: %+v", got)
	}
	if got := at(c.now() + time.Hour); len(got) != 4096 || got[4095].At != c.now() {
		t.Errorf("after an hour: %d counts", len(got))
	}
}

func TestEdgesAndCountsCome(t *testing.T) {
	start := time.Now()
	v, err := OpenVirtual(VirtualConfig{Inputs: padInputs, Now: func() time.Duration { return time.Since(start) }})
	must(t, err)
	must(t, v.Turn(200))
	ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
	defer cancel()
	edges, counts := make(chan error), make(chan error)
	var e, c atomic.Int32
	enough := func(n *atomic.Int32) {
		if n.Add(1); e.Load() >= 20 && c.Load() >= 5 {
			cancel()
		}
	}
	go func() {
		var last time.Duration
		edges <- v.Edges(ctx, func(x Edge) {
			if gap := x.At - last; last != 0 && x.Lost == 0 && gap != 2500*time.Microsecond {
				t.Errorf("edges %v apart, want 2.5 ms", gap)
			}
			last = x.At
			enough(&e)
		})
	}()
	go func() { counts <- v.Counts(ctx, func(Count) { enough(&c) }) }()
	must(t, <-edges, <-counts)
	if e.Load() < 20 || c.Load() < 5 {
		t.Errorf("only %d edges and %d counts in 30 s", e.Load(), c.Load())
	}
	go func() { edges <- v.Edges(context.Background(), func(Edge) {}) }()
	must(t, v.Close())
	if err := <-edges; !errors.Is(err, ErrClosed) {
		t.Errorf("edges of a closed board ended with %v", err)
	}
}

func TestShowSaysItInPlainWords(t *testing.T) {
	v, c := open(t, VirtualConfig{})
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
	if o := s.Outputs[0]; o.Name != "relay" || !o.On || o.Changed == nil || *o.Changed != 0 {
		t.Errorf("relay %+v", o)
	}
	if o := s.Outputs[2]; o.Name != "buzzer" || o.On || o.Changed != nil {
		t.Errorf("buzzer %+v", o)
	}
	if b := s.Heartbeat; b.Edges != 40 || *b.LeastGap != 0.025 || *b.MostGap != 0.025 {
		t.Errorf("heartbeat %+v", b)
	}
	if len(s.Faults) != 2 || s.Faults[0].Name != "heartbeat" || s.Faults[1].Name != "gate" {
		t.Errorf("faults %+v", s.Faults)
	}
	if g := s.Inputs[2]; g.Level != 0 || !g.WireBroken {
		t.Errorf("gate with a cut wire: %+v", g)
	}
}
