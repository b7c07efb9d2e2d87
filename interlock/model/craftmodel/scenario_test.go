package craftmodel

import (
	"context"
	"errors"
	"math"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// Every script in the folder reads, says what it is, and can be flown.
func TestScenariosRead(t *testing.T) {
	files, err := filepath.Glob(filepath.Join(scenarioDir, "*.txt"))
	if err != nil || len(files) == 0 {
		t.Fatalf("no scenarios in %s (%v)", scenarioDir, err)
	}
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		s, err := ParseScenario(file, string(text))
		if err != nil {
			t.Errorf("%v", err)
			continue
		}
		if s.Title == "" || !strings.HasPrefix(string(text), "# ") {
			t.Errorf("%s: needs a title and a first line that says what it is", file)
		}
		if _, err := New(s.Configure(EightTwo())); err != nil {
			t.Errorf("%s: %v", file, err)
		}
	}
}

func TestScenarioSettings(t *testing.T) {
	s, err := ParseScenario("a.txt", `title  A day of # weather
seed 7
ballast 10 lb
wind 10 mph from 90 deg
turbulence none
charge 95 %
tether 30 ft
elevation 250 m
temperature -4 degC
unpowered

at 500 ms say "on # we go"   # a comment
at 1 min end
`)
	if err != nil {
		t.Fatal(err)
	}
	c := s.Configure(EightTwo())
	near(t, "ballast", c.Ballast, 4.5359237, 1e-12)
	near(t, "wind", c.Wind, 4.4704, 1e-12)
	near(t, "from", c.WindFrom, math.Pi/2, 1e-12)
	near(t, "tether", c.TetherLength, 9.144, 1e-12)
	near(t, "charge", c.Charge, 0.95, 1e-12)
	if c.Seed != 7 || c.Turbulence != 0 || c.Elevation != 250 || c.Celsius != -4 || !c.Unpowered {
		t.Errorf("got %+v", c)
	}
	if s.Title != "A day of" || s.End != time.Minute || len(s.Events) != 2 {
		t.Fatalf("got %+v", s)
	}
	if e := s.Events[0]; e.Text != "on # we go" || e.At != 500*ms || e.Act != Say {
		t.Errorf("got %+v", e)
	}
}

// Every form of every act reads, and to the right thing.
func TestScenarioActs(t *testing.T) {
	for line, want := range map[string]Event{
		"arm":                           {Act: Arm},
		"disarm":                        {Act: Disarm},
		"climb to 2.5 m":                {Act: ClimbTo, Value: 2.5},
		"hold":                          {Act: Hold},
		"land":                          {Act: LandNow},
		"gust 9 m/s for 4 s":            {Act: Gust, Value: 9, For: 4 * time.Second},
		"wind 18 km/h":                  {Act: MeanWind, Value: 5},
		"power off":                     {Act: PowerOff},
		"power on":                      {Act: PowerOn},
		"fault runaway":                 {Act: Runaway, Value: 1},
		"fault runaway to 50 %":         {Act: Runaway, Value: 0.5},
		"fault motor 3 loses 25 %":      {Act: MotorLoss, Number: 3, Value: 0.25},
		"fault tumble":                  {Act: Tumble},
		"fault telemetry stops":         {Act: TelemetryOff},
		"fault telemetry stops for 5 s": {Act: TelemetryOff, For: 5 * time.Second},
		"fault telemetry lags 250 ms":   {Act: TelemetryLag, Value: 0.25},
		"fault telemetry loses 50 %":    {Act: TelemetryDrop, Value: 0.5},
		"fault reboot":                  {Act: Reboot},
		"fault reboot for 6 s":          {Act: Reboot, For: 6 * time.Second},
		"fault cell 5 sags 500 mV":      {Act: CellSag, Number: 5, Value: 0.5},
		"fault height drifts -1 m/s":    {Act: HeightDrift, Value: -1},
		"fault height jumps 2 m":        {Act: HeightStep, Value: 2},
		"fault place drifts 1 m/s":      {Act: PlaceDrift, Value: 1},
		"fault home moves 2 m":          {Act: HomeMove, Value: 2},
		"fault estimator":               {Act: Estimator},
		"fault attitude freezes":        {Act: Freeze},
		"fault anemometer stops":        {Act: CupsStick},
		"fault load cell sticks":        {Act: CellSticks},
		"fault tether parts":            {Act: TetherParts},
		"clear faults":                  {Act: ClearFaults},
	} {
		s, err := ParseScenario("a.txt", "at 2 s "+line+"\nat 9 s end")
		if err != nil {
			t.Errorf("%q: %v", line, err)
			continue
		}
		want.At = 2 * time.Second
		got := s.Events[0]
		near(t, line, got.Value, want.Value, 1e-12)
		got.Value = want.Value
		if got != want {
			t.Errorf("%q: got %+v, want %+v", line, got, want)
		}
	}
}

// A faulty script is refused whole, with every fault at its own line.
func TestScenarioFaults(t *testing.T) {
	_, err := ParseScenario("day.txt", `seed -1
seed 3
seed 4
balast 3 kg
ballast 3
wind 4 V
at 2 s climb 3 m
at 1 s arm now
at 3 s fault motor 9 loses 10 %
at 3 s fault motor 2 loses 110 %
at 3 s fault gremlins
at 3 s say hello
at 4 s climb to -2 m
at NaN s arm
at 5 s arm
at 4 s land
charge 90 %
at 9 s end
at 10 s arm
`)
	if err == nil {
		t.Fatal("no fault was found")
	}
	lines := strings.Split(err.Error(), "\n")
	want := []string{
		"day.txt:1: seed must be", "day.txt:3: seed is already set on line 2", "day.txt:4: no such setting (got \"balast\")",
		"day.txt:5: has no unit", "day.txt:6: V is a unit of voltage, and this takes speed", "day.txt:7: expected \"to\" (got \"3\")",
		"day.txt:8: nothing more was expected here (got \"now\")", "day.txt:9: craft model: motor loss at 3s: motor must be 1 to 8 (got 9)",
		"day.txt:10: craft model: motor loss at 3s: share must be", "day.txt:11: no such fault (got \"gremlins\")",
		"day.txt:12: say needs a text in quotes", "day.txt:13: craft model: climb at 4s: height must be",
		"day.txt:14: does not begin with a number", "day.txt:16: lines must be in order of time (got 4s after 5s)",
		"day.txt:17: settings come before", "day.txt:19: nothing may follow",
	}
	if len(lines) != len(want) {
		t.Fatalf("got %d faults, want %d:\n%s", len(lines), len(want), err)
	}
	for i := range want {
		if !strings.HasPrefix(lines[i], want[i]) {
			t.Errorf("fault %d: got %q, want it to start with %q", i, lines[i], want[i])
		}
	}
	if _, err := ParseScenario("b.txt", "at 1 s arm"); err == nil || !strings.Contains(err.Error(), "never ends") {
		t.Errorf("a script without an end: got %v", err)
	}
}

func FuzzParseScenario(f *testing.F) {
	files, _ := filepath.Glob(filepath.Join(scenarioDir, "*.txt"))
	if len(files) == 0 {
		f.Fatal("no seeds")
	}
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(string(text))
	}
	f.Fuzz(func(t *testing.T, text string) {
		s, err := ParseScenario("f.txt", text)
		if err != nil {
			if s != nil || !strings.HasPrefix(err.Error(), "f.txt:") {
				t.Fatalf("got %v and %q", s, err)
			}
			return
		}
		for i, e := range s.Events {
			if i > 0 && e.At < s.Events[i-1].At || math.IsNaN(e.Value) || e.At < 0 {
				t.Fatalf("event %d: %+v", i, e)
			}
		}
	})
}

// A configuration that makes no sense is refused with all of its faults.
func TestConfigRefused(t *testing.T) {
	cfg := EightTwo()
	cfg.Mass, cfg.Motors, cfg.Cells, cfg.Charge = 0, 2, 15, math.NaN()
	cfg.System = 0
	cfg.Events = []Event{{At: 5, Act: Arm}, {At: 4, Act: actCount}}
	_, err := New(cfg)
	if err == nil {
		t.Fatal("accepted")
	}
	for _, want := range []string{"mass must be above zero (got 0)", "motors", "cells", "charge", "system", "in order of time", "no such act"} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("no word of %q in:\n%v", want, err)
		}
	}
}

// The live driver sends over loopback what the fast driver hands out.
func TestServe(t *testing.T) {
	listener, err := net.ListenUDP("udp", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1)})
	if err != nil {
		t.Fatal(err)
	}
	defer listener.Close()
	conn, err := Dial(listener.LocalAddr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	fast := still(t, EightTwo())
	fast.Advance(time.Second)
	want := fast.Frames(nil)

	ctx, stop := context.WithCancel(context.Background())
	defer stop()
	turns := 0
	live := Live{Craft: still(t, EightTwo()), Conn: conn, Speed: 20, Turn: func(*Craft) error { turns++; return nil }}
	done := make(chan error, 1)
	go func() { done <- live.Serve(ctx) }()
	buf := make([]byte, 2048)
	if err := listener.SetReadDeadline(time.Now().Add(20 * time.Second)); err != nil {
		t.Fatal(err)
	}
	for i := range min(len(want), 40) {
		n, err := listener.Read(buf)
		if err != nil {
			t.Fatalf("datagram %d: %v", i, err)
		}
		if string(buf[:n]) != string(want[i].Bytes) {
			t.Fatalf("datagram %d differs from the fast driver's", i)
		}
	}
	stop()
	if err := <-done; err != nil || turns == 0 {
		t.Errorf("ended with %v after %d turns, want nil", err, turns)
	}

	bad := errors.New("enough")
	live.Turn = func(*Craft) error { return bad }
	if err := live.Serve(context.Background()); !errors.Is(err, bad) {
		t.Errorf("an error of Turn: got %v", err)
	}
}

func TestDialOnlyLoopback(t *testing.T) {
	for _, addr := range []string{"192.0.2.1:40123", "0.0.0.0:40123", "localhost:40123", "127.0.0.1", "255.255.255.255:1"} {
		if conn, err := Dial(addr); err == nil {
			conn.Close()
			t.Errorf("%s was accepted", addr)
		}
	}
}

// BenchmarkFlight reports model seconds for each second of work, in hover, with
// all telemetry taken.
func BenchmarkFlight(b *testing.B) {
	cfg := EightTwo()
	cfg.Events = []Event{{At: time.Second, Act: Arm}, {At: 2 * time.Second, Act: ClimbTo, Value: 2.5}}
	var c *Craft
	var out []Datagram
	var flown time.Duration
	b.ReportAllocs()
	for b.Loop() {
		if c == nil || c.Now() > 2*time.Minute {
			b.StopTimer()
			c, _ = New(cfg)
			c.Advance(10 * time.Second)
			out = c.Frames(out[:0])
			b.StartTimer()
		}
		c.Step(100 * time.Millisecond)
		out = c.Frames(out[:0])
		flown += 100 * time.Millisecond
	}
	b.ReportMetric(flown.Seconds()/b.Elapsed().Seconds(), "model_s/s")
}
