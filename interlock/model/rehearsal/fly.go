package rehearsal

import (
	"errors"
	"fmt"
	"math"
	"net/netip"
	"os"
	"slices"
	"strings"
	"time"

	"downhaul/hw/virtual"
	"downhaul/interlock"
	"downhaul/interlock/day/guard"
	"downhaul/interlock/day/intake"
	"downhaul/interlock/model/benchboard"
	"downhaul/interlock/model/craftmodel"
	"downhaul/rules"
)

// Line is one line of a flight's timeline.
type Line struct {
	At   time.Duration
	Who  string
	Says string
}

// First is what the guard did first once a mishap had begun.
type First struct {
	At   time.Duration // after the mishap began
	What string        // "power off", "bring it down", "caution", "fault"
	Why  string
	Rule string // the rule's name; empty for a built-in interlock
}

// Truth is what truly happened to the craft, which no telemetry can know.
type Truth struct {
	Height, Tension, Arrival, Distance, Tilt float64 // greatest; m, N, m/s, m, rad
	RopeSpeed                                float64 // m/s outwards where the tether came tight
	PowerAfter                               time.Duration
}

// Result is one flight.
type Result struct {
	Name, Title, Expect string
	Timeline            []Line
	Session             string
	// Live reports whether the start went through; NoStart says why it did not.
	Live    bool
	NoStart string
	// Lacks is what the pad has not, so that this cannot happen to it; it was not flown.
	Lacks string
	// Mishap reports whether anything but the flight itself happened; Acted is the first
	// act behind its beginning, nil where nothing acted, Stopped the first that took or
	// takes the power off, nil where the flight went to its end.
	Mishap         bool
	Acted, Stopped *First
	// Demanded names the rules that demanded a stop at any time.
	Demanded []string
	Lowering bool // the first stop was a controlled one
	Truth    Truth
	// Harms is what came of it, each with whether the guard had acted before.
	Harms []Harm
	// AsExpected reports whether what the scenario expects happened.
	AsExpected bool
}

// Harm is one thing that the limits are there to prevent.
type Harm struct {
	At   time.Duration // after power came on
	What string
	// Seen reports whether the guard had acted before it.
	Seen bool
}

// flight is one flight while it is flown.
type flight struct {
	setup    *Setup
	scenario *craftmodel.Scenario
	config   craftmodel.Config
	guard    *guard.Guard
	board    *virtual.Board
	craft    *craftmodel.Craft
	stranger *craftmodel.Craft
	crew     *crew
	clock    time.Duration
	now      time.Duration
	result   *Result
	judge    judge

	brief              bool
	began, over, ended bool
	zero, pressed      time.Duration
	live               time.Duration
	next               int
	mishapAt           time.Duration
	paused             time.Duration // the guard does not turn before
	doubled            bool
	late               time.Duration // how long the reach goes on enabling the rotors
	openSince          time.Duration
	frames             []craftmodel.Datagram
	hz, pull           float64
	crewAt             time.Duration
	link, from, second netip.AddrPort
	send               func(from netip.AddrPort, bytes []byte) error
	told               func(Line) // of a live rehearsal; nil without
}

// stageEvery is the spacing of the turns of craft, sensors, contactor and crew.
const stageEvery = 5 * time.Millisecond

// In returns the set-up with its sessions in another folder. Every flight has one of
// its own: a fault of the chain holds back the next start in its folder, as it must.
func (s *Setup) In(dir string) (*Setup, error) {
	own, err := Prepare(s.original, s.step, dir, false)
	if err != nil {
		return nil, err
	}
	own.Craft.Config.Seed, own.held = s.Craft.Config.Seed, s.held
	if s.held != nil {
		own.Craft.Hover = *s.held
	}
	return own, os.MkdirAll(dir, 0o755)
}

// Fly flies a scenario with a stepped guard, without waiting.
func (s *Setup) Fly(name string, scenario *craftmodel.Scenario) (*Result, error) {
	return s.fly(name, scenario, false)
}

// fly is Fly; a brief flight ends once the craft lies without power behind a stop.
func (s *Setup) fly(name string, scenario *craftmodel.Scenario, brief bool) (*Result, error) {
	f, err := s.flight(name, scenario)
	if err != nil {
		return nil, err
	}
	f.brief = brief
	f.send = func(from netip.AddrPort, bytes []byte) error {
		f.guard.Telemetry(intake.Chunk{From: from, To: f.link, Bytes: bytes})
		return nil
	}
	f.guard, err = guard.Open(s.Files, guard.Options{Virtual: benchboard.Open, Software: guard.Software(), Room: 16 << 20, Watch: f.watch,
		Stepped: true, Now: func() time.Duration { return f.clock }})
	if err != nil {
		return nil, err
	}
	f.board = f.guard.Board().(*virtual.Board)
	f.result.Session = f.guard.Folder()
	f.crew.day()
	if s.Checked.Pad.Board.Line("gate").Fitted {
		err = f.board.OpenContact("gate")
	}
	err = errors.Join(err, f.run())
	f.ended = true
	err = errors.Join(err, f.guard.Finish(f.clock))
	f.conclude()
	return f.result, err
}

// flight makes the craft and all that is noted of its flight.
func (s *Setup) flight(name string, scenario *craftmodel.Scenario) (*flight, error) {
	f := &flight{setup: s, scenario: scenario, result: &Result{Name: name, Title: scenario.Title, Expect: scenario.Expect}, mishapAt: -1, openSince: -1}
	f.config = scenario.Configure(s.Craft.Config)
	f.config.Events, f.config.Unpowered = nil, true
	f.judge = judgeOf(s)
	var err error
	if f.craft, err = craftmodel.New(f.config); err != nil {
		return nil, err
	}
	if s.Craft.Delay > 0 {
		if err := f.craft.Do(craftmodel.Event{Act: craftmodel.TelemetryLag, Value: s.Craft.Delay.Seconds()}); err != nil {
			return nil, err
		}
	}
	link := s.Checked.Pad.Links[0]
	f.link = netip.MustParseAddrPort(link.Address)
	f.from, f.second = netip.AddrPortFrom(f.link.Addr(), 40223), netip.AddrPortFrom(f.link.Addr(), 40323)
	f.crew = &crew{flight: f}
	return f, nil
}

func (f *flight) run() error {
	wake, stageAt := time.Duration(0), time.Duration(0)
	for !f.over {
		now := max(min(wake, stageAt), f.clock)
		f.clock = now
		if now >= stageAt {
			stageAt = now + stageEvery
			if err := f.turn(now); err != nil {
				return err
			}
			if err := f.guard.TakeSensors(now); err != nil {
				return err
			}
		}
		if now < f.paused {
			wake = f.paused
			continue
		}
		if wake = f.guard.Turn(now); wake <= now {
			wake = now + time.Microsecond
		}
	}
	return nil
}

// turn brings everything around the guard to now.
func (f *flight) turn(now time.Duration) error {
	f.now = now
	f.power(now)
	f.craft.Advance(now)
	f.frames = f.craft.Frames(f.frames[:0])
	for _, d := range f.frames {
		if err := f.send(f.from, d.Bytes); err != nil {
			return err
		}
		if f.doubled {
			if err := f.send(f.second, d.Bytes); err != nil {
				return err
			}
		}
	}
	if f.stranger != nil {
		f.stranger.Advance(now)
		f.frames = f.stranger.Frames(f.frames[:0])
		for _, d := range f.frames {
			if err := f.send(f.second, d.Bytes); err != nil {
				return err
			}
		}
	}
	if hz := f.craft.PulseHz(); f.setup.Checked.Pad.Wind.Fitted && math.Abs(hz-f.hz) > 0.05 {
		if f.hz = hz; hz < 1e-3 {
			hz = 0
		}
		if err := f.board.Turn(hz); err != nil {
			return err
		}
	}
	if pull := f.craft.Tension(); f.setup.Checked.Pad.LoadCell.Fitted && math.Abs(pull-f.pull) > 1e-4*f.setup.weight() {
		f.pull = pull
		if err := f.board.Load(pull); err != nil {
			return err
		}
	}
	if f.began {
		if err := f.happen(now - f.zero); err != nil {
			return err
		}
	}
	f.judge.look(f, now)
	if now < f.crewAt {
		return nil
	}
	f.crewAt = now + crewPeriod
	if err := f.crew.look(now); err != nil {
		return err
	}
	f.over = f.over || f.crew.gaveUp != ""
	return nil
}

// power lets the rotors obey the contactor, as late as the reach does.
func (f *flight) power(now time.Duration) {
	on := f.board.PowerOn()
	if on {
		f.openSince = -1
	} else if f.openSince < 0 {
		f.openSince = now
		if f.live > 0 && f.paused > now && f.result.Stopped == nil {
			f.say(now, "board", "The watchdog lets go: no heartbeat. Power is off the rotors.")
			f.acted(now, "power off", "the watchdog let go, without the guard", "")
		}
	}
	f.craft.SetPower(on || f.late > 0 && f.live > 0 && now-f.openSince < f.late)
}

// happen does what the scenario has for now, and ends the flight behind it.
func (f *flight) happen(at time.Duration) error {
	for f.next < len(f.scenario.Events) && f.scenario.Events[f.next].At <= at {
		e := f.scenario.Events[f.next]
		f.next++
		if e.Act == craftmodel.End {
			continue
		}
		if mishap(e) && f.mishapAt < 0 {
			f.mishapAt, f.result.Mishap = f.now, true
		}
		if f.crew.landAt > 0 && (e.Act == craftmodel.ClimbTo || e.Act == craftmodel.Arm || e.Act == craftmodel.Hold) {
			continue // the pilot has other orders now
		}
		who, says := "craft", "Order: "+e.Act.String()+"."
		if mishap(e) {
			who, says = "mishap", tell(e)
		}
		f.say(f.now, who, says)
		if e.Act == craftmodel.PadAct {
			if err := f.atPad(e.Text); err != nil {
				return err
			}
			continue
		}
		if err := f.craft.Do(e); err != nil {
			return err
		}
	}
	t := f.craft.Truth()
	if at < f.scenario.End {
		f.over = f.brief && t.OnGround && f.openSince >= 0 && f.now-f.openSince > settled && f.mishapAt >= 0
		return nil
	}
	if down := t.OnGround && t.Thrust < 0.05*f.setup.weight(); down && at > f.scenario.End+time.Second || at > f.scenario.End+ending {
		f.over = true
	} else if f.crew.landAt == 0 {
		f.crew.landAt, f.crew.landed = f.now, true
		f.say(f.now, "pilot", "Lands.")
		return f.craft.Do(craftmodel.Event{Act: craftmodel.LandNow})
	}
	return nil
}

// mishap reports whether an event is no part of a flight as it was meant.
func mishap(e craftmodel.Event) bool {
	switch e.Act {
	case craftmodel.Arm, craftmodel.Disarm, craftmodel.ClimbTo, craftmodel.Hold, craftmodel.LandNow, craftmodel.Say, craftmodel.MeanWind, craftmodel.ClearFaults, craftmodel.End:
		return false
	}
	return true
}

func tell(e craftmodel.Event) string {
	if e.Text != "" {
		return e.Text + "."
	}
	return e.Act.String() + "."
}

// atPad does what happens at the pad.
func (f *flight) atPad(text string) error {
	w := strings.Fields(text)
	if len(w) == 2 {
		do := map[string]func(string) error{"press": f.board.Press, "release": f.board.Release, "open": f.board.OpenContact, "close": f.board.CloseContact, "break": f.board.Break, "mend": f.board.Mend}[w[0]]
		if do != nil {
			return do(w[1])
		}
	}
	var d time.Duration
	if i := len(w) - 2; i > 0 {
		d, _ = time.ParseDuration(w[i] + w[i+1])
	}
	switch {
	case strings.HasPrefix(text, "see "): // a word for the timeline
	case text == "guard dies":
		f.paused = math.MaxInt64
	case strings.HasPrefix(text, "guard pauses ") && d > 0:
		f.paused = f.now + d
	case strings.HasPrefix(text, "reach lets go late by ") && d > 0:
		f.late = d
	case text == "telemetry doubles":
		f.doubled = true
	case text == "a stranger sends":
		cfg := f.config
		cfg.System ^= 0x55
		if cfg.System == 0 {
			cfg.System = 1
		}
		var err error
		if f.stranger, err = craftmodel.New(cfg); err == nil {
			f.stranger.Advance(f.now)
			f.stranger.Frames(nil)
		}
		return err
	default:
		return fmt.Errorf(`at the pad: nothing is called %q; there are press, release, open, close, break and mend with a name, "guard dies", "guard pauses 2 s", "reach lets go late by 1 s", "telemetry doubles" and "a stranger sends"`, text)
	}
	return nil
}

func (f *flight) say(at time.Duration, who, says string) {
	line := Line{at, who, says}
	f.result.Timeline = append(f.result.Timeline, line)
	if f.told != nil {
		f.told(line)
	}
}

// watch hears what the guard decides, as it decides it.
func (f *flight) watch(env *rules.Envelope, e interlock.Effect) {
	if f.ended {
		return // its end is no act of the guard's
	}
	var what string
	rule := ""
	if e.Rule >= 0 && (e.Kind == interlock.TripEffect || e.Kind == interlock.CautionEffect) {
		rule = env.Rules[e.Rule].Name
	}
	why := ""
	switch e.Kind {
	case interlock.StateEffect:
		if e.From == e.State {
			return
		}
		why = guard.Because(e.Reason)
		f.say(e.At, "guard", strings.ToUpper(e.State.String())+": "+why+".")
		if e.State != interlock.Fault && !(e.From == interlock.Closing && e.State == interlock.Blocked) && e.State != interlock.Tripped {
			return
		}
		what = "power off"
		if e.State == interlock.Fault {
			what = "fault"
		}
	case interlock.TripEffect:
		if rule != "" && !slices.Contains(f.result.Demanded, rule) {
			f.result.Demanded = append(f.result.Demanded, rule)
		}
		why, what = guard.FirstCause(env, e), "power off"
		if e.Stop != rules.Immediate {
			what = "bring it down"
		}
		f.say(e.At, "guard", strings.ToUpper(what[:1])+what[1:]+": "+why+".")
	case interlock.CautionEffect:
		if !e.On {
			return
		}
		why, what = guard.FirstCause(env, e), "caution"
		f.say(e.At, "guard", "Caution: "+why+".")
	default:
		return
	}
	f.acted(e.At, what, why, rule)
}

// acted notes the first act behind the mishap, and the first stop of the flight.
func (f *flight) acted(at time.Duration, what, why, rule string) {
	if f.pressed == 0 || at < f.pressed {
		return
	}
	r := f.result
	first := First{At: at - max(f.mishapAt, f.pressed), What: what, Why: why, Rule: rule}
	if r.Acted == nil && (f.mishapAt >= 0 || what != "caution") {
		r.Acted = &first
	}
	if r.Stopped == nil && what != "caution" {
		r.Stopped, r.Lowering = &first, what == "bring it down"
	}
}

// conclude says how the flight came out.
func (f *flight) conclude() {
	r := f.result
	r.Live, r.NoStart = f.live > 0, f.crew.gaveUp
	if r.NoStart != "" && r.Live {
		f.say(f.now, "crew", "Gives up waiting for "+r.NoStart+".")
	}
	switch r.Expect {
	case "":
		r.AsExpected = true
	case "none":
		r.AsExpected = r.Live && r.Stopped == nil
	case "stop":
		r.AsExpected = r.Live && r.NoStart == "" && r.Stopped != nil
	case "lowering":
		r.AsExpected = r.Live && r.NoStart == "" && r.Lowering
	case "no start":
		r.AsExpected = !r.Live && f.pressed > 0
	}
}
