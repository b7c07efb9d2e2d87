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
	"downhaul/interlock/model/benchboard"
	"downhaul/interlock/model/craftmodel"
	"downhaul/rules"
)

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
}

// FlyLive runs the guard on this set-up, made by Live, until ctx ends. The crew works
// the board over its socket; told is given every line of the timeline as it happens.
func (s *Setup) FlyLive(ctx context.Context, name string, scenario *craftmodel.Scenario, told func(Line)) (*Result, error) {
	for _, e := range scenario.Events {
		if e.Act == craftmodel.PadAct && strings.HasPrefix(e.Text, "guard ") {
			return nil, fmt.Errorf("%s: %q cannot be played while you press the buttons: rehearse it with --auto", name, e.Text)
		}
	}
	f, err := s.flight(name, scenario)
	if err != nil {
		return nil, err
	}
	begun := time.Now()
	desk := &DeskClock{Real: func() time.Duration { return time.Since(begun) }}
	l := &liveFlight{flight: f}
	f.guard, err = guard.Open(s.Files, guard.Options{Virtual: benchboard.Open, Software: guard.Software(), Room: 64 << 20, Watch: l.hear, Now: desk.Now, Alive: desk})
	if err != nil {
		return nil, err
	}
	f.board, f.result.Session, f.told = f.guard.Board().(*virtual.Board), f.guard.Folder(), told
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
	if s.Checked.Pad.Board.Line("gate").Fitted {
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
	return f.result, errors.Join(err, <-failed)
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
}

func (l *liveFlight) run(ctx context.Context, desk *DeskClock, failed chan error) error {
	tick := time.NewTicker(stageEvery)
	defer tick.Stop()
	declareAt, lookAt := time.Second, time.Duration(0)
	for {
		select {
		case <-ctx.Done():
			return nil
		case err := <-failed:
			failed <- nil
			return fmt.Errorf("the guard ended: %w", err)
		case <-tick.C:
		}
		desk.On()
		now := l.guard.Now()
		if err := l.turn(now); err != nil {
			return err
		}
		l.mu.Lock()
		effects := l.effects
		l.effects = nil
		l.mu.Unlock()
		for _, e := range effects {
			l.watch(l.env, e)
		}
		if declareAt > 0 && now >= declareAt {
			declareAt = 0
			l.say(now, "crew", "Declares step \""+l.setup.Craft.Step.Name+"\" and what the card asks for it.")
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
		if waits := WaitsFor(s); waits != l.waits {
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

// WaitsFor is what a start waits for, in a line that changes only with its reasons and
// not with every figure in them.
func WaitsFor(s *told.Status) string {
	if s.State == "ready" {
		return "for start. " + strings.Join(s.DoNow, " ")
	}
	var out []string
	healthy := 0
	for _, why := range s.NotReady {
		if strings.Contains(why, ": healthy for ") {
			healthy++
			continue
		}
		what, _, _ := strings.Cut(why, "; now ")
		out = append(out, strings.TrimSpace(figures.ReplaceAllString(what, "…")))
	}
	if healthy > 0 {
		out = append(out, "the craft's telemetry to be healthy for a while")
	}
	if len(out) == 0 {
		return "for reset"
	}
	return "for: " + strings.Join(out, "; ")
}
