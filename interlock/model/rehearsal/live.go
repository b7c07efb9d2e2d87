package rehearsal

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"regexp"
	"runtime"
	"strings"
	"sync"
	"time"

	"downhaul/hw/virtual"
	"downhaul/interlock"
	"downhaul/interlock/day/answers/told"
	"downhaul/interlock/day/guard"
	"downhaul/interlock/day/watchdog"
	"downhaul/interlock/model/benchboard"
	"downhaul/interlock/model/craftmodel"
	"downhaul/rules"
)

// seesIt is how long beyond its drop-out a contactor is watched at the end of a rehearsal;
// ours.
const seesIt = 300 * time.Millisecond

// FreePort finds a UDP port of this computer that is free now.
func FreePort() (netip.AddrPort, error) {
	c, err := net.ListenUDP("udp", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1)})
	if err != nil {
		return netip.AddrPort{}, fmt.Errorf("find a free port: %w", err)
	}
	defer c.Close()
	return c.LocalAddr().(*net.UDPAddr).AddrPort(), nil
}

// liveFlight is a rehearsal in which the crew presses the buttons: the guard runs by
// itself, and each start flies the scenario once.
type liveFlight struct {
	*flight
	mu      sync.Mutex
	effects []interlock.Effect // of the guard, not told yet
	env     *rules.Envelope
	waits   string // what a start was last told to wait for
	told    bool   // that this flight is over
	slow    error  // the guard's thread may be held up
}

// CanPlay refuses a scenario with an act that cannot be played while a crew presses the
// buttons, on a virtual board or on a real one, into which no fault is put.
func CanPlay(name string, scenario *craftmodel.Scenario, realBoard bool) error {
	for _, e := range scenario.Events {
		if e.Act != craftmodel.PadAct {
			continue
		}
		if strings.HasPrefix(e.Text, "guard ") {
			return fmt.Errorf("%s: %q cannot be played while you press the buttons: rehearse it with --auto", name, e.Text)
		}
		w := strings.Fields(e.Text)
		if !realBoard || len(w) != 2 {
			continue
		}
		switch w[0] {
		case "press", "release", "open", "close":
			return fmt.Errorf("%s: %q: on a real board your own hands do that: rehearse a calm day, and do it when you like", name, e.Text)
		case "break", "mend":
			if w[1] != "anemometer" && w[1] != "load_cell" {
				return fmt.Errorf("%s: %q: no fault is put into real pins: rehearse it on the virtual board", name, e.Text)
			}
		}
	}
	return nil
}

// FlyLive runs the guard on this set-up, made by Live or OnPins, until ctx ends or the
// pins are cut off. The crew works the board, a virtual one over its socket; told is given
// every line of the timeline as it happens.
func (s *Setup) FlyLive(ctx context.Context, name string, scenario *craftmodel.Scenario, told func(Line)) (*Result, error) {
	if err := CanPlay(name, scenario, s.place.pins != nil); err != nil {
		return nil, err
	}
	f, err := s.flight(name, scenario)
	if err != nil {
		return nil, err
	}
	s = f.setup
	l := &liveFlight{flight: f}
	opt := guard.Options{Software: guard.Software(), Room: 64 << 20, Watch: l.hear}
	var desk *DeskClock
	if pins := s.place.pins; pins != nil {
		opt.Virtual, opt.Thread = pins.Open, l.hurry
		f.board, f.powered = pins.sensors, pins.powerOn
	} else {
		begun := time.Now()
		desk = &DeskClock{Real: func() time.Duration { return time.Since(begun) }}
		opt.Virtual, opt.Now, opt.Alive = benchboard.Open, desk.Now, desk
	}
	if f.guard, err = guard.Open(s.Files, opt); err != nil {
		return nil, err
	}
	if desk != nil {
		f.board = f.guard.Board().(*virtual.Board)
		f.powered = f.board.PowerOn
	}
	f.result.Session, f.told = f.guard.Folder(), told
	conn, second, err := dialTwice(f.link.String())
	if err != nil {
		return nil, errors.Join(err, f.guard.Finish(0))
	}
	defer conn.Close()
	defer second.Close()
	f.send = func(from netip.AddrPort, bytes []byte) error {
		c := conn
		if from == f.second {
			c = second
		}
		_, err := c.Write(bytes)
		return err
	}
	if desk != nil && s.Checked.Pad.Board.Line("gate").Fitted {
		if err := f.board.OpenContact("gate"); err != nil {
			return nil, errors.Join(err, f.guard.Finish(0))
		}
	}
	// As in the daemon: the loop must not queue behind craft and crew.
	runtime.GOMAXPROCS(max(4, runtime.NumCPU()+2))
	guarding, stop := context.WithCancel(context.Background())
	defer stop()
	failed := make(chan error, 1)
	go func() { failed <- f.guard.Run(guarding) }()
	err = l.run(ctx, desk, failed)
	f.ended = true
	stop()
	err = errors.Join(err, <-failed)
	if pins := s.place.pins; pins != nil && !f.guard.VerifiedOpen() {
		pins.saw(interlock.Effect{Kind: interlock.StateEffect, At: f.guard.Now(), From: interlock.Blocked, State: interlock.Fault, Reason: interlock.ReasonPowerRemains}, f.guard.Folder())
	}
	return f.result, err
}

// hurry makes the guard's thread one that ordinary work does not hold up, as the daemon's.
func (l *liveFlight) hurry() {
	if err := watchdog.RealTime(); err != nil {
		l.mu.Lock()
		defer l.mu.Unlock()
		l.slow = err
	}
}

func dialTwice(to string) (a, b net.Conn, err error) {
	if a, err = craftmodel.Dial(to); err != nil {
		return nil, nil, err
	}
	if b, err = craftmodel.Dial(to); err != nil {
		a.Close()
		return nil, nil, err
	}
	return a, b, nil
}

// hear keeps what the guard decides for the next turn of the stage: it is called by
// the guard's own loop.
func (l *liveFlight) hear(env *rules.Envelope, e interlock.Effect) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.env, l.effects = env, append(l.effects, e)
	if pins := l.setup.place.pins; pins != nil {
		pins.saw(e, l.result.Session)
	}
}

func (l *liveFlight) run(ctx context.Context, desk *DeskClock, failed chan error) error {
	tick := time.NewTicker(stageEvery)
	defer tick.Stop()
	var cut chan struct{}
	if l.setup.place.pins != nil {
		cut = l.setup.place.pins.Ended
	}
	declareAt, lookAt := time.Second, time.Duration(0)
	ending, endAt := ctx.Done(), rules.Never
	for {
		select {
		case <-ending:
			if desk == nil || !l.powered() {
				return nil
			}
			// Ended with power on, the guard would stop this clock before its contactor
			// had dropped, and call that a fault.
			ending, endAt = nil, l.guard.Now()+l.setup.Checked.Pad.Contactor.DropOut+seesIt
			l.say(l.guard.Now(), "crew", "Emergency stop: the rehearsal ends.")
			if err := l.board.Press("estop"); err != nil {
				return err
			}
			continue
		case <-cut:
			// The guard goes on for long enough to write that down, and to see what the
			// contactor does.
			l.guard.Remark("the rehearsal was ended: " + l.setup.place.pins.Why().Error())
			time.Sleep(l.setup.Checked.Pad.Contactor.DropOut + seesIt)
			return nil
		case err := <-failed:
			failed <- nil
			return fmt.Errorf("the guard ended: %w", err)
		case <-tick.C:
		}
		if desk != nil {
			desk.On()
		}
		now := l.guard.Now()
		if err := l.turn(now); err != nil || now >= endAt {
			return err
		}
		l.mu.Lock()
		effects, slow := l.effects, l.slow
		l.effects, l.slow = nil, nil
		l.mu.Unlock()
		if slow != nil {
			l.say(now, "guard", "May be held up by other work: "+slow.Error()+".")
		}
		for _, e := range effects {
			l.watch(l.env, e)
		}
		if declareAt > 0 && now >= declareAt {
			declareAt = 0
			l.say(now, "crew", "Declares step \""+l.setup.declared()+"\" and what the card asks for it.")
			if err := l.declare(); err != nil {
				return err
			}
		}
		if now >= lookAt {
			lookAt = now + crewPeriod
			if err := l.direct(now, l.status()); err != nil {
				return err
			}
		}
	}
}

// direct flies the scenario once for each start, and says what a start waits for.
func (l *liveFlight) direct(now time.Duration, s *told.Status) error {
	f, c := l.flight, l.crew
	if s.State != "live" && s.State != "closing" && s.State != "lowering" && now > 2*time.Second {
		if waits := WaitsFor(s); !SameWait(waits, l.waits) {
			l.waits = waits
			l.say(now, "waits", waits)
		}
	}
	t := f.craft.Truth()
	switch hover := f.setup.Craft.Hover; {
	case s.State == "live" && f.live == 0:
		f.live, f.pressed, l.told = now, now, false
		f.began = f.scenario.From != "hover"
		f.zero = now
		if !f.began {
			c.scenes = c.climb(hover)
			c.since = now
		}
	case f.live > 0 && (f.over || s.State != "live" && s.State != "lowering") && t.OnGround && t.Thrust < 0.05*f.setup.weight():
		if !l.told {
			l.say(now, "craft", "Stands on the ground, its rotors stand.")
			if s.State == "live" {
				l.say(now, "waits", "for end, and then for another start or control-C")
			}
			l.told = true
		}
		if s.State != "live" {
			// The next start flies the scenario anew.
			f.live, f.began, f.over, f.next, f.mishapAt = 0, false, false, 0, -1
			c.scenes, c.landAt, c.landed, c.gaveUp = nil, 0, false, ""
			f.judge = judgeOf(f.setup)
			return errors.Join(f.craft.Do(craftmodel.Event{Act: craftmodel.ClearFaults}), f.craft.Do(craftmodel.Event{Act: craftmodel.Disarm}))
		}
	}
	return nil
}

var figures = regexp.MustCompile(`-?[0-9][0-9.,:-]*`)

// SameWait reports whether two of WaitsFor give the same reasons, whatever their figures.
func SameWait(a, b string) bool {
	return figures.ReplaceAllString(a, "") == figures.ReplaceAllString(b, "")
}

// WaitsFor is what a start waits for, or in flight the power.
func WaitsFor(s *told.Status) string {
	switch s.State {
	case "ready":
		return "for start. " + strings.Join(s.DoNow, " ")
	case "closing":
		return "for the horn and the test of the chain"
	case "live":
		return "for end, once the step is done"
	case "lowering":
		return "until it is down, or time is up"
	}
	var out []string
	healthy := 0
	for _, why := range s.NotReady {
		if strings.Contains(why, "healthy for ") {
			healthy++
			continue
		}
		what, _, _ := strings.Cut(why, "; now ")
		out = append(out, what)
	}
	if healthy > 0 {
		out = append(out, "the craft's telemetry to be healthy for a while")
	}
	if len(out) == 0 {
		return "for reset"
	}
	return "for: " + strings.Join(out, "; ")
}
