package rehearsal

import (
	"errors"
	"math"
	"net/netip"
	"os"
	"time"

	"downhaul/hw/virtual"
	"downhaul/interlock/day/guard"
	"downhaul/interlock/day/intake"
	"downhaul/interlock/model/benchboard"
	"downhaul/interlock/model/craftmodel"
	"downhaul/interlock/records/triplog"
)

// flight is one flight while it is flown.
type flight struct {
	setup    *Setup
	scenario *craftmodel.Scenario
	config   craftmodel.Config
	guard    *guard.Guard
	board    *virtual.Board // on a real board its sensors alone
	powered  func() bool    // whether the contactor is closed
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
	full               bool          // the trip log's disk takes nothing more
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
	own.Craft.Config.Seed, own.held, own.Quiet = s.Craft.Config.Seed, s.held, s.Quiet
	if s.held != nil {
		own.Craft.Hover = *s.held
	}
	return own, os.MkdirAll(dir, 0o755)
}

// Fly flies a scenario with a stepped guard, without waiting.
func (s *Setup) Fly(name string, scenario *craftmodel.Scenario) (*Result, error) {
	if lacks := s.lacks(scenario); lacks != "" {
		return &Result{Name: name, Title: scenario.Title, Lacks: lacks, AsExpected: true}, nil
	}
	return s.fly(name, scenario, false)
}

// fly is Fly; a trial keeps no course, and ends once the craft lies without power
// behind its mishap.
func (s *Setup) fly(name string, scenario *craftmodel.Scenario, trial bool) (*Result, error) {
	f, err := s.flight(name, scenario)
	if err != nil {
		return nil, err
	}
	s = f.setup
	f.brief = trial && name != Calm
	if !trial {
		f.result.Course = &Course{Live: -1, Off: -1, Mishap: -1}
	}
	f.send = func(from netip.AddrPort, bytes []byte) error {
		f.guard.Telemetry(intake.Chunk{From: from, To: f.link, Bytes: bytes})
		return nil
	}
	f.guard, err = guard.Open(s.Files, guard.Options{Virtual: benchboard.Open, Software: guard.Software(), Room: 16 << 20, Watch: f.watch,
		Stepped: true, Now: func() time.Duration { return f.clock },
		Disk: func(real triplog.Disk) triplog.Disk { return &disk{real, f} }})
	if err != nil {
		return nil, err
	}
	f.board = f.guard.Board().(*virtual.Board)
	f.powered = f.board.PowerOn
	f.result.Session = f.guard.Folder()
	f.crew.day()
	if s.Checked.Pad.Board.Line("gate").Fitted {
		err = f.board.OpenContact("gate")
	}
	err = errors.Join(err, f.run())
	f.ended, f.full = true, false
	err = errors.Join(err, f.guard.Finish(f.clock))
	f.conclude()
	return f.result, err
}

// flight makes the craft and all that is noted of its flight; its set-up is that of a
// step on the ground where the scenario is of one.
func (s *Setup) flight(name string, scenario *craftmodel.Scenario) (*flight, error) {
	if step, _ := s.ground(scenario); step != nil && s.declares == "" {
		own, err := s.onGround(step)
		if err != nil {
			return nil, err
		}
		s = own
	}
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
			for _, c := range f.board.TakeCounts(now) {
				f.guard.Count(c)
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
	on := f.powered()
	if on {
		f.openSince = -1
	} else if f.openSince < 0 {
		f.openSince = now
		if c := f.result.Course; c != nil && f.live > 0 && c.Off < 0 {
			c.Off = now
		}
		if f.live > 0 && f.paused > now && f.result.Stopped == nil {
			f.say(now, "board", "The watchdog lets go: no heartbeat. Power is off the rotors.")
			f.acted(now, "power off", "the watchdog let go, without the guard", "")
		}
	}
	f.craft.SetPower(on || f.late > 0 && f.live > 0 && now-f.openSince < f.late)
}
