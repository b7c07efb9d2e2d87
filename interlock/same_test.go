package interlock

import (
	"bufio"
	"crypto/sha256"
	"fmt"
	"hash"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"downhaul/interlock/day/derived"
	"downhaul/rules"
)

// digestFile holds, by name, the digest of every decision that was made when it
// was last written. Natively and in an emulator the test finds the same ones.
const digestFile = "testdata/decisions.sha256"

// TestPromise08_SameOnEveryArchitecture hashes the records of all decisions of
// all scripts, and of two long random streams that reach every form of rule
// and every derived channel, with the engine's images now and then.
func TestPromise08_SameOnEveryArchitecture(t *testing.T) {
	got := map[string]string{
		"scripts":       digestScripts(t),
		"stream guard":  digestStream(t, Guard),
		"stream watch":  digestStream(t, Watch),
		"outputs guard": digestOutputs(t, Guard, func(*Engine) {}),
		"outputs watch": digestOutputs(t, Watch, func(*Engine) {}),
	}
	var names []string
	for name := range got {
		names = append(names, name)
	}
	slices.Sort(names)
	var text strings.Builder
	for _, name := range names {
		fmt.Fprintf(&text, "%s  %s\n", got[name], name)
	}
	if *rewrite {
		if err := os.WriteFile(digestFile, []byte(text.String()), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	file, err := os.Open(digestFile)
	if err != nil {
		t.Fatalf("%v; write it with -rewrite", err)
	}
	defer file.Close()
	seen := 0
	for scan := bufio.NewScanner(file); scan.Scan(); {
		want, name, _ := strings.Cut(scan.Text(), "  ")
		seen++
		if got[name] != want {
			t.Errorf("%s: %s, kept is %s: a decision or an image differs; natively, -rewrite keeps the new one if the change is meant", name, got[name], want)
		}
	}
	if seen != len(got) {
		t.Errorf("%d digests are kept, %d were made", seen, len(got))
	}
}

func digestScripts(t *testing.T) string {
	files, err := filepath.Glob("testdata/script/*.txt")
	if err != nil || len(files) == 0 {
		t.Fatalf("no scripts: %v", err)
	}
	sum, line := sha256.New(), []byte(nil)
	for _, name := range files { // Glob gives them sorted
		runScript(t, name, 0, func(e *Engine, effects []Effect) { line = add(sum, line, e, effects) })
	}
	return fmt.Sprintf("%x", sum.Sum(nil))
}

func add(sum hash.Hash, line []byte, e *Engine, effects []Effect) []byte {
	for _, f := range effects {
		line = append(AppendDecision(line[:0], e.env, f), '\n')
		sum.Write(line)
	}
	return line
}

// chance is a small generator of whole numbers (Marsaglia's xorshift, 64 bits).
type chance uint64

func (c *chance) below(n uint64) uint64 {
	*c ^= *c << 13
	*c ^= *c >> 7
	*c ^= *c << 17
	return uint64(*c) % n
}

// derivedLimits are the limits on derived channels of the stream's envelope,
// where its values cross them now and then.
var derivedLimits = map[rules.ChannelID]float64{
	rules.LinkLag: 0.03, rules.Height: 5, rules.Climb: 0.4, rules.Apex: 8, rules.Distance: 7, rules.SlantRange: 12, rules.Sway: 4,
	rules.Tilt: 0.6, rules.MotorHighest: 0.7, rules.MotorSpread: 0.3, rules.MotorHeadroom: 0.5, rules.RotorSpeed: 20,
	rules.TensionRate: 2000, rules.Gust: 6, rules.Mean2: 4, rules.Mean10: 3.8, rules.Peak10: 7, rules.Lull10: 0.4, rules.RotorWind: 8, rules.RotorGust: 9,
	rules.PackMeanCell: 3.9, rules.PackResistance: 0.05, rules.PackResting: 51, rules.PackToFloor: 100, rules.LiftReserve: 0.8,
}

// streamWalk is one measured channel of the stream: it walks by whole
// thousandths between two bounds.
type streamWalk struct {
	id             rules.ChannelID
	low, high, now int64
	rest           int64 // where it goes in quiet stretches
	step           uint64
	gap            time.Duration
	next           time.Duration
}

func streamWalks() []streamWalk {
	return []streamWalk{
		{id: rules.CraftBootClock, gap: 100}, {id: rules.ClimbGlobal, low: -500, high: 500, step: 60, gap: 100}, {id: rules.HeightGlobal, gap: 100},
		{id: rules.CraftArmed, low: 0, high: 1, step: 1, gap: 900}, {id: rules.CraftLanded, low: 0, high: 1, step: 1, gap: 900},
		{id: rules.North, low: -9000, high: 9000, step: 300, gap: 100}, {id: rules.East, low: -9000, high: 9000, step: 300, gap: 100},
		{id: rules.Roll, low: -500, high: 500, step: 90, gap: 60}, {id: rules.Pitch, low: -500, high: 500, step: 90, gap: 60},
		{id: rules.Motor1Output, low: 0, high: 800, step: 50, gap: 100}, {id: rules.Motor1Output + 1, low: 0, high: 800, step: 50, gap: 100},
		{id: rules.Motor1Speed, low: 0, high: 60000, step: 2000, gap: 100}, {id: rules.Motor1Speed + 1, low: 0, high: 60000, step: 2000, gap: 100},
		{id: rules.SupplyCurrent, low: 5000, high: 90000, rest: 30000, step: 20000, gap: 400}, {id: rules.SupplyVoltage, gap: 400},
		{id: rules.Tension, low: 0, high: 900000, rest: 300000, step: 20000, gap: 15}, {id: rules.WindSpeed, low: 500, high: 9000, rest: 4000, step: 700, gap: 250},
		{id: rules.EstimatorFlags, low: 100, high: 103, rest: 100, step: 1, gap: 700}, {id: rules.ESCFailures, low: 0, high: 2, step: 1, gap: 800},
	}
}

// digestStream runs 12 minutes of a pad at which all goes up and down.
func digestStream(t *testing.T, duty Duty) string {
	e := streamEngine(t, duty)
	c := chance(88172645463325252)
	walks := streamWalks()
	sum, line := sha256.New(), []byte(nil)
	told := map[string]int{}
	answer := func(effects []Effect) {
		for _, f := range effects {
			if f.Rule >= 0 && (f.Kind == TripEffect || f.Kind == ConsequenceEffect) {
				told[e.env.Rules[f.Rule].Name]++
			} else if f.Kind == StateEffect {
				told[f.State.String()]++
			}
		}
		line = add(sum, line, e, effects)
	}
	var height, charge int64
	for turn := int64(0); turn < 72000; turn++ {
		at := time.Duration(turn)*10*time.Millisecond + time.Duration(c.below(3e6))
		calm := turn%6000 > 2000 // quiet stretches, so that it gets ready
		for l := range LineCount {
			on := l == Gate
			switch l {
			case EStopA, EStopB:
				on = duty == Watch || turn%1500 > 10 // pressed now and then, so that both were seen to open
			case Reset:
				on = turn%200 > 150
			case Start:
				on = turn%230 > 200
			case Readback:
				on = e.latch.closed
			}
			if !calm && c.below(3000) == 0 {
				on = !on
			}
			answer(e.Step(at, &Input{Kind: LineInput, Line: l, On: on}))
		}
		if calm || c.below(60) > 0 {
			answer(e.Step(at, &Input{Kind: FrameInput}))
		}
		for i := range walks {
			w := &walks[i]
			if w.next > at || !calm && c.below(40) == 0 {
				continue
			}
			w.next = at + w.gap*time.Millisecond
			if w.step > 0 {
				w.now += int64(c.below(2*w.step+1)) - int64(w.step)
				w.now = min(max(w.now, w.low), w.high)
				if calm {
					w.now += (w.rest - w.now) / 4
				}
			}
			s := Sample{Channel: w.id, Quality: rules.Good}
			switch w.id {
			case rules.CraftBootClock:
				s.Value = float64(int64(at/time.Millisecond)+40-int64(c.below(40))) / 1000
			case rules.HeightGlobal:
				if calm {
					walks[1].now = -min(500, 10*height) // comes down
				}
				if height += walks[1].now / 10; height < 0 || height > 9000 {
					height = min(max(height, 0), 9000)
					walks[1].now = -walks[1].now / 2
				}
				s.Value = float64(height) / 1000
			case rules.SupplyVoltage:
				charge += walks[13].now / 500
				s.Value = float64(54000-charge/40-walks[13].now/15) / 1000
			case rules.EstimatorFlags:
				s.Value = float64(w.now)
			case rules.CraftArmed, rules.CraftLanded, rules.ESCFailures:
				s.Value = float64(w.now)
				if calm {
					s.Value = map[rules.ChannelID]float64{rules.CraftLanded: 1}[w.id]
				}
			default:
				s.Value = float64(w.now) / 1000
				if calm && (w.id == rules.Motor1Output || w.id == rules.Motor1Output+1 || w.id == rules.Motor1Speed || w.id == rules.Motor1Speed+1) {
					s.Value = 0
				}
			}
			if !calm && c.below(50) == 0 {
				s.Quality = rules.Quality(c.below(2))
			}
			answer(e.Step(at, &Input{Kind: SampleInput, Sample: s}))
		}
		if c.below(10) == 0 && e.latch.kept < e.latch.trips { // drawn in every turn: what is decided moves no chance
			answer(e.Step(at, &Input{Kind: HostInput, Host: HostKept, Seq: e.latch.trips}))
		}
		if c.below(40) == 0 {
			answer(e.Advance(at + time.Duration(c.below(9e6))))
		}
		if turn%1000 == 0 {
			line = e.AppendState(line[:0])
			sum.Write(line)
		}
	}
	if duty == Watch {
		for _, r := range e.env.Rules {
			if r.Stop != rules.NoStop && told[r.Name] == 0 {
				t.Errorf("rule %q never tripped: the stream does not reach it", r.Name)
			}
		}
	} else {
		for s := range stateCount {
			if told[s.String()] == 0 {
				t.Errorf("%v was never reached", s)
			}
		}
	}
	return fmt.Sprintf("%x", sum.Sum(nil))
}

// streamEngine has a rule on every derived channel and every form on measured
// ones.
func streamEngine(t *testing.T, duty Duty) *Engine {
	env := &rules.Envelope{}
	rule := func(id rules.ChannelID, form rules.Form, limit, high float64, lasting time.Duration, stop rules.Stop) {
		r := rules.Rule{Name: fmt.Sprintf("%v %d", id, len(env.Rules)), Watch: id, Form: form, Limit: limit, LimitHigh: high, Lasting: lasting,
			StaleAfter: id.Stale(), FrozenAfter: id.Channel().FrozenAfter, Stop: stop, MissingStop: stop, Grace: 2 * time.Second, MissingGrace: time.Second,
			Deadband: limit / 64}
		if form == rules.Above {
			r.HasCaution, r.Caution = true, limit*0.75
		}
		if form == rules.RisingFaster || form == rules.FallingFaster {
			r.Over = 500 * time.Millisecond
		}
		env.Rules = append(env.Rules, r)
	}
	for id := rules.ChannelID(1); id < rules.ChannelCount; id++ {
		if limit, ok := derivedLimits[id]; ok {
			stop := rules.Controlled
			if duty == Guard {
				stop = rules.NoStop // or it would never be ready
			}
			if id == rules.Apex || id == rules.Tilt {
				stop = rules.Immediate
			}
			rule(id, rules.Above, limit, 0, 0, stop)
		} else if id.Channel().Derived {
			t.Fatalf("no limit on the derived channel %v", id)
		}
	}
	rule(rules.Tension, rules.Above, 700, 0, 40*time.Millisecond, rules.Immediate)
	rule(rules.Tension, rules.RisingFaster, 600, 0, 0, rules.Immediate)
	rule(rules.WindSpeed, rules.Outside, 0.6, 8, 300*time.Millisecond, rules.Controlled)
	rule(rules.SupplyVoltage, rules.Below, 47, 0, 0, rules.Controlled)
	rule(rules.SupplyCurrent, rules.FallingFaster, 30, 0, 0, rules.Controlled)
	rule(rules.ESCFailures, rules.Is, 2, 0, 0, rules.Controlled)
	rule(rules.ESCFailures, rules.IsNot, 0, 0, 700*time.Millisecond, rules.Controlled)
	rule(rules.LinkAge, rules.Above, 0.015, 0, 0, rules.Controlled)
	env.Rules[len(env.Rules)-8].While, env.Rules[len(env.Rules)-7].While = rules.Armed, rules.Airborne
	env.Permissives = []rules.Permissive{{Name: "calm", Watch: rules.WindSpeed, Form: rules.Below, Limit: 8.5, StaleAfter: 3 * time.Second}}
	site := DefaultSite()
	site.Duty, site.Rotors = duty, rules.RotorsStanding{Standing: 500 * time.Millisecond, Measured: true}
	site.ReadyAfter = 2 * time.Second
	for _, l := range []Line{EStopA, EStopB, Gate, Reset, Start, End, Readback} {
		site.Fitted[l] = true
	}
	for _, w := range streamWalks() {
		site.Fed[w.id] = rules.CraftSays
	}
	site.Fed[rules.LinkAge] = rules.OwnSensor
	site.Derived = derived.Config{
		HeightSources: []rules.ChannelID{rules.HeightGlobal}, MaxAcceleration: 14, Reaction: 200 * time.Millisecond, Motors: 2,
		ErrorHeight: 0.1, ErrorClimb: 0.05, AnchorNorth: 1, AnchorEast: -2, PackVoltage: rules.SupplyVoltage, PackCurrent: rules.SupplyCurrent,
		Cells: 13, PackFloor: 45, Full: derived.FullOutput{Pull: 1000, Resting: 52, Volts: 44, Amps: 150}, AnemometerHeight: 2, RotorHeight: 6, Method: derived.LogLaw, Roughness: 0.03,
	}
	e, err := New(env, site)
	if err != nil {
		t.Fatal(err)
	}
	return e
}
