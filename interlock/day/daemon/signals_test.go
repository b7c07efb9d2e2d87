//go:build linux

package daemon

import (
	"context"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"downhaul/hw/virtual"
	"downhaul/interlock/model/craftmodel"
	"downhaul/interlock/records/session"
	"downhaul/interlock/records/triplog"

	"golang.org/x/sys/unix"
)

// standstill is how long a process is stopped: longer than the window of
// 900 ms that the test pad gives its watchdog. letGo is the longest time from
// the last good edge to the opened contactor then.
const (
	standstill = 1500 * time.Millisecond
	letGo      = 900*time.Millisecond + virtual.WatchdogDrop - virtual.MostGap + virtual.GuidedRelease
)

// SIGTERM, SIGKILL and SIGSTOP in every state of the latch, each to a process of
// its own.
//
//fault:row SIGTERM in every state of the latch | relay off first, `ended` on record last; the next comes up as the state asks
//fault:row SIGKILL in every state of the latch | the next comes up tripped, after a fault in fault
//fault:row SIGSTOP in every state of the latch, and on again after 1.5 s | the watchdog lets go in its window; the chain is open and stays so, also a reset does not outlast it
func TestPromise05_SignalsInEveryState(t *testing.T) {
	if testing.Short() {
		t.Skip("flies real processes for ten seconds and more; left out by -short")
	}
	t.Parallel()
	room := make(chan struct{}, 7) // processes at a time, or none gets its turns
	var work sync.WaitGroup
	for _, row := range []struct {
		state string
		ended string    // its state when it was ended in order
		next  [2]string // what the next comes up as: ended in order, killed
		stood []string  // what it may be after it stood still
	}{
		{"blocked", "blocked", [2]string{"blocked", "tripped"}, []string{"blocked"}},
		{"ready", "blocked", [2]string{"blocked", "tripped"}, []string{"blocked"}},
		{"closing", "blocked", [2]string{"blocked", "tripped"}, []string{"tripped", "fault"}},
		{"live", "blocked", [2]string{"blocked", "tripped"}, []string{"tripped", "fault"}},
		{"lowering", "tripped", [2]string{"tripped", "tripped"}, []string{"tripped", "fault"}},
		{"tripped", "tripped", [2]string{"tripped", "tripped"}, []string{"tripped", "fault"}},
		{"fault", "fault", [2]string{"fault", "fault"}, []string{"fault"}},
	} {
		for _, signal := range []unix.Signal{unix.SIGTERM, unix.SIGKILL, unix.SIGSTOP} {
			work.Go(func() {
				room <- struct{}{}
				defer func() { <-room }()
				// Not in parallel: the place is what they wait for.
				t.Run(row.state+" "+unix.SignalName(signal), func(t *testing.T) {
					// On a busy computer the latch may have left the state by
					// itself just before: then once more.
					for tries := 1; !inState(t, row.state, row.ended, row.next, row.stood, signal); tries++ {
						if tries == 4 {
							t.Fatal("it never stayed in that state until the signal")
						}
					}
				})
			})
		}
	}
	work.Wait()
}

// inState brings a process into a state and signals it. False is that it had left
// the state by itself before.
func inState(t *testing.T, state, ended string, next [2]string, stood []string, signal unix.Signal) bool {
	b := newTable(t, "guard", "")
	p := b.start()
	b.fly()
	folder := b.status().Folder
	seen := b.follow()
	board := b.reach(state)
	switch signal {
	case unix.SIGTERM:
		p.end()
		if b.leftBefore(folder, state, `"reason":"the guard is ending"`) {
			return false
		}
		b.endedInOrder(folder, ended)
		b.comesUp(next[0])
	case unix.SIGKILL:
		must(t, p.cmd.Process.Kill())
		<-p.done
		if b.leftBefore(folder, state, "nothing") {
			return false
		}
		b.comesUp(next[1])
	case unix.SIGSTOP:
		b.standsStill(p, board, seen, stood)
		p.end()
	}
	return true
}

// leftBefore reports whether the latch has left the state for another reason than that.
func (b *table) leftBefore(folder, state, reason string) bool {
	b.t.Helper()
	left := false
	for _, line := range b.lines(folder) {
		d := string(line.Decision)
		if !strings.Contains(d, `"kind":"state"`) {
			continue
		}
		switch {
		case strings.Contains(d, `"from":"`+state+`"`) && !strings.Contains(d, `"state":"`+state+`"`):
			left = !strings.Contains(d, reason)
		case strings.Contains(d, `"state":"`+state+`"`):
			left = false
		}
	}
	return left
}

// reach works pad and craft until the latch is in a state.
func (b *table) reach(state string) *virtual.Client {
	b.t.Helper()
	board, err := virtual.Dial(filepath.Join(b.dir, "board.sock"))
	must(b.t, err)
	b.t.Cleanup(func() { board.Close() })
	is := func() bool { return b.status().State == state }
	press := func(name string) {
		must(b.t, board.Press(name))
		time.Sleep(400 * time.Millisecond)
		must(b.t, board.Release(name))
	}
	switch state {
	case "tripped":
		must(b.t, board.OpenContact("estop"))
	case "fault":
		must(b.t, board.Break("estop_a"))
	case "ready":
		soon(b.t, state, func() bool {
			if !is() {
				press("reset")
			}
			return is()
		})
	case "closing":
		soon(b.t, state, func() bool {
			switch b.status().State {
			case "blocked", "tripped":
				press("reset")
			case "ready":
				must(b.t, board.Press("start"))
				soon(b.t, "an answer to start", func() bool { return b.status().State != "ready" })
				must(b.t, board.Release("start"))
			}
			return is()
		})
	case "live":
		b.makeLive()
	case "lowering":
		soon(b.t, state, func() bool {
			b.makeLive()
			for _, e := range []craftmodel.Event{{Act: craftmodel.PowerOn}, {Act: craftmodel.Arm}, {Act: craftmodel.ClimbTo, Value: 2.5}} {
				b.orders <- e
			}
			soon(b.t, "in the air", func() bool { s := b.status(); return s.Airborne && s.State == "live" || s.State != "live" })
			time.Sleep(3 * time.Second) // up to where "down" is no question
			press("end")
			if is() {
				return true
			}
			// Something tripped on the way, as on a busy computer it may.
			b.orders <- craftmodel.Event{Act: craftmodel.LandNow}
			b.orders <- craftmodel.Event{Act: craftmodel.Disarm}
			return false
		})
	}
	soon(b.t, state, is)
	return board
}

// trace is what was seen at the board's lines.
type trace struct {
	mu     sync.Mutex
	events []virtual.Event
}

// follow writes down what happens at the board's lines from now on.
func (b *table) follow() *trace {
	b.t.Helper()
	board, err := virtual.Dial(filepath.Join(b.dir, "board.sock"))
	must(b.t, err)
	var tr trace
	ctx, stop := context.WithCancel(context.Background())
	var work sync.WaitGroup
	work.Go(func() {
		_ = board.Watch(ctx, true, func(e virtual.Event) error { // it ends with the board
			tr.mu.Lock()
			defer tr.mu.Unlock()
			tr.events = append(tr.events, e)
			return nil
		})
	})
	b.t.Cleanup(func() { stop(); work.Wait() })
	soon(b.t, "the board followed", func() bool { tr.mu.Lock(); defer tr.mu.Unlock(); return len(tr.events) > 0 })
	return &tr
}

// heldWithoutBeat looks for power at the rotors later than a good watchdog
// would hold it after the heartbeat's last edge.
func (tr *trace) heldWithoutBeat() (since time.Duration, bad bool) {
	tr.mu.Lock()
	defer tr.mu.Unlock()
	last, power := 0.0, false
	for _, e := range tr.events {
		if power && last > 0 && e.At-last > letGo.Seconds()+1e-6 {
			return time.Duration(last * float64(time.Second)), true
		}
		switch e.Line {
		case "heartbeat":
			last = e.At
		case "contactor":
			power = e.On
		}
	}
	return 0, false
}

// opened reports whether the contactor is open after what was seen.
func (tr *trace) opened() (open bool) {
	tr.mu.Lock()
	defer tr.mu.Unlock()
	for _, e := range tr.events {
		if e.Line == "contactor" {
			open = !e.On
		}
	}
	return open
}

// standsStill stops the process and lets it go on: power was off meanwhile, at
// the modelled watchdog's own time, and stays off.
func (b *table) standsStill(p *process, board *virtual.Client, seen *trace, want []string) {
	b.t.Helper()
	before, err := board.Show()
	must(b.t, err)
	must(b.t, p.cmd.Process.Signal(unix.SIGSTOP))
	time.Sleep(standstill)
	must(b.t, p.cmd.Process.Signal(unix.SIGCONT))
	soon(b.t, "in "+strings.Join(want, " or "), func() bool { return slices.Contains(want, b.status().State) })
	for range 10 {
		s, err := board.Show()
		must(b.t, err)
		if s.Power || s.Coil || s.Outputs[0].On {
			b.t.Fatalf("contactor %s, relay %v after it stood still", s.Contactor, s.Outputs[0].On)
		}
		time.Sleep(50 * time.Millisecond)
	}
	if s := b.status(); !slices.Contains(want, s.State) || s.RelayOn {
		b.t.Errorf("it went on to %s, relay %v", s.State, s.RelayOn)
	}
	if since, bad := seen.heldWithoutBeat(); bad {
		b.t.Errorf("power stayed on after the last edge at %v", since)
	}
	if before.Power {
		soon(b.t, "the opening seen at the contactor", seen.opened)
	}
}

// endedInOrder wants the relay off first and the end last in the log.
func (b *table) endedInOrder(folder, state string) {
	b.t.Helper()
	lines := b.lines(folder)
	last := lines[len(lines)-1]
	if last.Kind != triplog.KindEnded || last.State != state {
		b.t.Errorf("the last line is %s in state %s, want ended in %s", last.Kind, last.State, state)
	}
	relay, beat := -1, -1
	on := false
	for i, line := range lines {
		d := string(line.Decision)
		switch {
		case strings.Contains(d, `"kind":"relay"`):
			relay, on = i, strings.Contains(d, `"on":true`)
		case strings.Contains(d, `"kind":"heartbeat"`):
			beat = i
		}
	}
	if relay < 0 || on || beat < relay {
		b.t.Errorf("relay last told in line %d (on: %v), heartbeat in line %d of %d: want both off, the relay first", relay, on, beat, len(lines))
	}
	s, err := session.Open(folder)
	must(b.t, err)
	e, err := s.Ending()
	must(b.t, err)
	if e.Log.Verdict != triplog.Whole {
		b.t.Errorf("the log counts as %s", e.Log.Verdict)
	}
}

// comesUp starts once more and wants that state, with the relay off.
func (b *table) comesUp(state string) {
	b.t.Helper()
	next := b.start()
	if s := b.status(); s.State != state || s.RelayOn || s.Closed {
		b.t.Errorf("the next comes up %s, relay %v, want %s", s.State, s.RelayOn, state)
	}
	next.end()
}
