package guard

import (
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"runtime"
	"strings"
	"testing"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/before/bench"
	"downhaul/interlock/model/craftmodel"
	"downhaul/interlock/records/session"
)

var soakTrials = flag.Int("soak", 40, "how many flights with random faults are flown under the guard; thousands take minutes")

// truths are what the craft model knows, against the limit of each rule of
// soak.toml. The margins are what sensors, periods and filters may hide: ours,
// from the model's own noise.
var truths = []struct {
	rule          string
	limit, margin float64
	below         bool
	// due is how long a value may stand past limit and margin with no trip.
	due   time.Duration
	value func(s *soak) float64
}{
	// 0.4 m: the model's height noise and half a second of climb.
	{"height", 6, 0.4, false, 500 * ms, func(s *soak) float64 { return s.f.craft.Truth().Height }},
	{"tilt", 35 * math.Pi / 180, 4 * math.Pi / 180, false, 350 * ms, func(s *soak) float64 { return s.f.craft.Truth().Tilt }},
	// The cell's noise is 5 N; a jerk may lie between two of 80 conversions.
	{"tether overload", 900, 120, false, 120 * ms, func(s *soak) float64 { return s.f.craft.Truth().Tension }},
	{"pack", 49, 0.4, true, 1*time.Second + 3*time.Second, func(s *soak) float64 { return s.f.craft.Truth().Voltage }},
	{"gust", 8, 0.4, false, time.Second, func(s *soak) float64 { return s.gust() }},
}

// soak is one flight and what is truly so in it.
type soak struct {
	f     *flight
	seed  uint64
	story []string
	// blind means that something was broken that hides the truth from the guard.
	blind time.Duration
	cups  []float64 // of the last 3 s, every 5 ms
	past  []time.Duration
	near  []time.Duration // when each truth was last near or past its limit
	wrong []string
}

func (s *soak) gust() float64 {
	const span = 600
	if len(s.cups) < span {
		return 0
	}
	sum := 0.0
	for _, v := range s.cups[len(s.cups)-span:] {
		sum += v
	}
	return sum / span
}

func (s *soak) bad(format string, v ...any) {
	s.wrong = append(s.wrong, fmt.Sprintf("%.3f s: ", s.f.now.Seconds())+fmt.Sprintf(format, v...))
}

// tripped reports whether a rule has demanded its stop.
func (s *soak) tripped(rule string) bool {
	for _, e := range s.f.trips {
		if s.f.name(e) == rule {
			return true
		}
	}
	return false
}

// look holds the guard against the truth of this instant.
func (s *soak) look() {
	f := s.f
	s.cups = append(s.cups, f.craft.Wind())
	live := f.state == interlock.Live
	for i := range truths {
		t := &truths[i]
		v, limit, margin := t.value(s), t.limit, t.margin
		if t.below {
			v, limit = -v, -limit
		}
		if v > limit-margin {
			s.near[i] = f.now
		}
		if !(v > limit+margin) || !live || s.blind > 0 {
			s.past[i] = f.now
			continue
		}
		if f.now-s.past[i] > t.due && !s.tripped(t.rule) {
			s.bad("MISSED: %s at %.3g for %v, and no trip", t.rule, t.value(s), f.now-s.past[i])
			s.past[i] = f.now
		}
	}
	if !live && f.state != interlock.Lowering && f.state != interlock.Closing && f.now-f.cut > 100*ms && f.board.PowerOn() {
		s.bad("POWER at the rotors in %v", f.state)
	}
}

// judge holds each trip against the truth before it.
func (s *soak) judge() {
	for _, e := range s.f.trips {
		name := s.f.name(e)
		if e.Rule < 0 || e.Reason == interlock.ReasonRuleMissing {
			if s.blind == 0 || e.At < s.blind {
				s.bad("FALSE: %s: %v, and nothing hid anything", name, e.Reason)
			}
			continue
		}
		for i := range truths {
			// What was broken on purpose may lie.
			if t := &truths[i]; t.rule == name && s.blind == 0 && e.At-s.near[i] > 1500*ms {
				s.bad("FALSE: %s at %.4g, last near its limit %v before", name, e.Value, e.At-s.near[i])
			}
		}
	}
}

// act is something that befalls the flight; blind for what hides the truth.
func (s *soak) act(dice *rand.Rand) (craftmodel.Event, bool) {
	share := dice.Float64()
	switch dice.IntN(18) {
	case 0, 1:
		return craftmodel.Event{Act: craftmodel.Runaway, Value: 0.4 + 0.6*share}, false
	case 2:
		return craftmodel.Event{Act: craftmodel.Tumble}, false
	case 3, 4, 5:
		return craftmodel.Event{Act: craftmodel.Gust, Value: 14 * share, For: time.Duration(1+dice.IntN(6)) * time.Second}, false
	case 6, 7:
		return craftmodel.Event{Act: craftmodel.ClimbTo, Value: 1 + 7.5*share}, false
	case 8:
		return craftmodel.Event{Act: craftmodel.MotorLoss, Number: 1 + dice.IntN(8), Value: 0.2 + 0.8*share}, false
	case 9:
		return craftmodel.Event{Act: craftmodel.MeanWind, Value: 11 * share}, false
	case 10:
		return craftmodel.Event{Act: craftmodel.TetherParts}, false
	case 11:
		return craftmodel.Event{Act: craftmodel.TelemetryOff, For: time.Duration(share * float64(2*time.Second))}, true
	case 12:
		return craftmodel.Event{Act: craftmodel.TelemetryDrop, Value: 0.05 + 0.5*share}, true
	case 13:
		return craftmodel.Event{Act: craftmodel.TelemetryLag, Value: share}, true
	case 14:
		return craftmodel.Event{Act: craftmodel.HeightStep, Value: -4 + 8*share}, true
	case 15:
		return craftmodel.Event{Act: craftmodel.Reboot, For: time.Duration(share * float64(3*time.Second))}, true
	case 16:
		return craftmodel.Event{Act: craftmodel.Freeze}, true
	}
	return craftmodel.Event{Act: craftmodel.CupsStick}, true
}

// fly is one whole flight.
func (s *soak) fly(t *testing.T, dir string) {
	dice := rand.New(rand.NewPCG(s.seed, 9))
	cfg := craftmodel.EightTwo()
	cfg.Seed, cfg.Ballast = s.seed, 25*dice.Float64()
	cfg.Wind, cfg.Charge, cfg.TetherLength = 5*dice.Float64(), 0.2+0.7*dice.Float64(), 3+6*dice.Float64()
	s.f = onPad(t, testFiles(t, dir, "soak.toml"), cfg)
	f := s.f
	s.past, s.near = make([]time.Duration, len(truths)), make([]time.Duration, len(truths))
	for i := range s.near {
		s.near[i] = -time.Hour
	}
	f.on = func(b []byte) { f.send(b) }
	run := func(d time.Duration) {
		for end := f.now + d; f.now < end; {
			f.run(5 * ms)
			s.look()
		}
	}
	run(2 * time.Second)
	f.press("reset")
	for end := f.now + 20*time.Second; f.state != interlock.Ready; run(100 * ms) {
		if f.now > end {
			return // a windy morning, or an empty pack: no start is no fault
		}
	}
	f.press("start")
	run(5 * time.Second)
	do := func(e craftmodel.Event) {
		s.story = append(s.story, fmt.Sprintf("%.2f s %v %.3g", f.now.Seconds(), e.Act, e.Value))
		must(t, f.craft.Do(e))
	}
	do(craftmodel.Event{Act: craftmodel.Arm})
	run(2 * time.Second)
	do(craftmodel.Event{Act: craftmodel.ClimbTo, Value: 1.5 + 2*dice.Float64()})
	run(time.Duration(4+dice.IntN(5)) * time.Second)
	for range 1 + dice.IntN(3) {
		e, blind := s.act(dice)
		if blind && s.blind == 0 {
			s.blind = max(f.now, 1)
		}
		do(e)
		run(time.Duration(1+dice.IntN(6)) * time.Second)
	}
	do(craftmodel.Event{Act: craftmodel.LandNow})
	run(8 * time.Second)
}

// Flights with random faults: none in which a limit was truly left and nothing
// tripped, none in which something tripped and nothing was near, never power at
// the rotors in a state that must have none, and no memory that grows.
func TestSoak(t *testing.T) {
	var trips, flights, blind, first uint64
	causes := map[string]int{}
	trials := *soakTrials
	if testing.Short() {
		trials = min(trials, 2)
	}
	if trials <= 100 { // no look at the memory, which others share
		t.Parallel()
	}
	for n := range trials {
		s := &soak{seed: uint64(n) + 1}
		dir := shortDir(t)
		s.fly(t, dir)
		s.judge()
		must(t, s.f.guard.Finish(s.f.now))
		if n%16 == 0 {
			kept, err := session.Open(s.f.guard.Folder())
			must(t, err)
			result, err := bench.ReplaySession(kept)
			must(t, err)
			if !result.Equal.Claimed || !result.Equal.Holds {
				s.bad("the replay differs: %s", result.Equal.Says())
			}
		}
		must(t, os.RemoveAll(dir))
		if len(s.wrong) > 0 {
			t.Errorf("seed %d: %s\n  %s", s.seed, strings.Join(s.story, ", "), strings.Join(s.wrong, "\n  "))
		}
		if len(s.f.trips) > 0 {
			flights++
			causes[s.f.name(s.f.trips[0])]++
		}
		trips += uint64(len(s.f.trips))
		if s.blind > 0 {
			blind++
		}
		if n == min(20, trials-1) {
			first = heap()
		}
	}
	t.Logf("%d flights, %d of them with something that hides the truth; %d tripped, %d trips in all: %v", trials, blind, flights, trips, causes)
	if flights == 0 {
		t.Error("nothing tripped: nothing was tried")
	}
	if end := heap(); trials > 100 {
		t.Logf("live memory after 21 flights %d kB, at the end %d kB", first>>10, end>>10)
		if end > first+(4<<20) {
			t.Errorf("memory grew from %d to %d bytes", first, end)
		}
	}
}

// heap is the live memory.
func heap() uint64 {
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return m.HeapAlloc
}
