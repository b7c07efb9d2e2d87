package main

import (
	"fmt"
	"math"
	"net"
	"net/netip"
	"time"

	"downhaul/hw/virtual"
	"downhaul/interlock/day/answers/told"
	"downhaul/interlock/day/guard"
	"downhaul/interlock/day/intake"
	"downhaul/interlock/model/craftmodel"
	"downhaul/interlock/model/rehearsal"
)

// stageEvery is the spacing of the stage's turns: craft, sensors, contactor
// and crew.
const stageEvery = 5 * time.Millisecond

// stage is everything around the guard in the demo: the modelled craft, the
// virtual board that it hangs on, and the crew. It knows the guard only as its
// surroundings would: by its telemetry port, its pins and what it shows.
type stage struct {
	craft  *craftmodel.Craft
	board  *virtual.Board
	guard  *guard.Guard
	send   func(at time.Duration, b []byte) error
	frames []craftmodel.Datagram
	hz     float64
	pull   float64
	crewAt time.Duration
	crew   *crew
}

// turn brings everything around the guard to now.
func (s *stage) turn(now time.Duration) error {
	s.craft.SetPower(s.board.PowerOn())
	s.craft.Advance(now)
	s.frames = s.craft.Frames(s.frames[:0])
	for _, f := range s.frames {
		if err := s.send(now, f.Bytes); err != nil {
			return err
		}
	}
	// The anemometer's frequency and the load follow in steps too small to
	// matter, so that the board is not worked for nothing.
	if hz := s.craft.PulseHz(); math.Abs(hz-s.hz) > 0.05 {
		s.hz = hz
		if err := s.board.Turn(hz); err != nil {
			return err
		}
	}
	if pull := s.craft.Tension(); math.Abs(pull-s.pull) > 1 {
		s.pull = pull
		if err := s.board.Load(pull); err != nil {
			return err
		}
	}
	if now < s.crewAt {
		return nil
	}
	s.crewAt = now + 50*time.Millisecond
	return s.crew.look(now)
}

// overUDP sends the craft's datagrams to the guard's port on this computer.
func overUDP(conn net.Conn) func(time.Duration, []byte) error {
	return func(_ time.Duration, b []byte) error {
		_, err := conn.Write(b)
		return err
	}
}

// straight hands them to a stepped guard, as if they had come over the link.
func straight(g *guard.Guard, link netip.AddrPort) func(time.Duration, []byte) error {
	from := netip.AddrPortFrom(link.Addr(), 40124)
	return func(_ time.Duration, b []byte) error {
		g.Telemetry(intake.Chunk{From: from, To: link, Bytes: b})
		return nil
	}
}

// scene is one step of the crew: it waits for something and then acts.
type scene struct {
	// until reports whether it is time; waiting says for what, should it never be.
	until   func(now time.Duration, s *told.Status) bool
	waiting string
	act     func(now time.Duration, s *told.Status) error
}

// crew works the pad by what it sees of the guard.
type crew struct {
	guard  *guard.Guard
	runs   *told.Setup
	scenes []scene
	next   int
	since  time.Duration // when the crew began to wait for the next scene
	// astray, if set, tells why the story cannot go on; nil while it can.
	astray func(*told.Status) error
}

// crewOf makes a crew that has nothing to do yet.
func crewOf(g *guard.Guard) (*crew, error) {
	runs, err := told.Read("", g.Files())
	return &crew{guard: g, runs: runs}, err
}

// patience is how long the crew waits for any one thing.
const patience = 40 * time.Second

func (c *crew) look(now time.Duration) error {
	if c.done() {
		return nil
	}
	status := c.runs.Status(c.guard.Seen())
	if c.astray != nil {
		if err := c.astray(status); err != nil {
			return err
		}
	}
	s := c.scenes[c.next]
	if !s.until(now, status) {
		if now-c.since > patience {
			return inVain(s.waiting, status)
		}
		return nil
	}
	c.next++
	c.since = now
	return s.act(now, status)
}

func (c *crew) done() bool { return c.next >= len(c.scenes) }

// runStepped runs the demo on a clock of its own, without waiting.
func runStepped(s *stage, g *guard.Guard, clock *time.Duration) error {
	wake, stageAt := time.Duration(0), time.Duration(0)
	for !s.crew.done() {
		now := min(wake, stageAt)
		if now < *clock {
			now = *clock
		}
		*clock = now
		if now >= stageAt {
			stageAt = now + stageEvery
			if err := s.turn(now); err != nil {
				return err
			}
			for _, c := range s.board.TakeCounts(now) {
				g.Count(c)
			}
		}
		wake = g.Turn(now)
		if wake <= now {
			wake = now + time.Microsecond
		}
	}
	return nil
}

// runLive runs the demo in real time beside a guard that runs by itself.
func runLive(s *stage, g *guard.Guard, clock *rehearsal.DeskClock, stop <-chan struct{}, failed <-chan error) error {
	tick := time.NewTicker(stageEvery)
	defer tick.Stop()
	for !s.crew.done() {
		select {
		case <-tick.C:
		case <-stop:
			return errStopped
		case err := <-failed:
			return fmt.Errorf("demo: the guard ended: %w", err)
		}
		clock.On()
		if err := s.turn(g.Now()); err != nil {
			return err
		}
	}
	return nil
}
