package emulated

import (
	"encoding/json"
	"errors"
	"net"
	"strings"
	"time"

	"downhaul/interlock/day/answers"
	"downhaul/interlock/day/answers/told"
)

// ask asks the guard once, over the network that pinwork passes on to its socket: to start
// the crew's tool for it would take the emulated processor for longer.
func (r *rig) ask(do string) (reply answers.Reply, err error) {
	conn, err := net.DialTimeout("tcp", r.m.Address, atOnce)
	if err != nil {
		return reply, err
	}
	defer conn.Close()
	if err := errors.Join(conn.SetDeadline(time.Now().Add(atOnce)), json.NewEncoder(conn).Encode(answers.Request{Do: do}), json.NewDecoder(conn).Decode(&reply)); err != nil {
		return reply, err
	}
	return reply, reply.Err()
}

// asked is what the guard shows, if one answers, in the words of the crew's tool.
func (r *rig) asked() (s told.Status, err error) {
	reply, err := r.ask("status")
	if err != nil {
		return s, err
	}
	if r.runs == nil || r.runs.Session != reply.Seen.Session {
		files, err := r.ask("files")
		if err != nil {
			return s, err
		}
		if r.runs, err = told.Read(reply.Seen.Session, files.Files); err != nil {
			return s, err
		}
	}
	return *r.runs.Status(reply.Seen), nil
}

// status is what the guard shows; one that does not answer yet is waited for.
func (r *rig) status() told.Status {
	r.t.Helper()
	return r.until("answering", func(told.Status) bool { return true })
}

// until waits until the status is as wanted.
func (r *rig) until(what string, ok func(told.Status) bool) told.Status {
	r.t.Helper()
	for end := time.Now().Add(patience); ; time.Sleep(r.every) {
		s, err := r.asked()
		if err == nil && ok(s) {
			return s
		}
		if time.Now().After(end) {
			r.t.Fatalf("not %s: %v, %s, %v, %v, %v", what, err, s.State, s.NotReady, s.Trouble, s.Channels)
		}
	}
}

// inState wants a state of the latch. What the guard shows is up to 100 ms old, so
// that a state is waited for and never asked for once.
func inState(state string) func(told.Status) bool {
	return func(s told.Status) bool { return s.State == state }
}

func (r *rig) contact(name string, closed bool) {
	r.t.Helper()
	must(r.t, r.out.Contact(name, closed))
}

// press presses a button for a time and lets it go.
func (r *rig) press(name string, d time.Duration) {
	r.t.Helper()
	r.contact(name, true)
	time.Sleep(d)
	r.contact(name, false)
	time.Sleep(150 * time.Millisecond)
}

const tap = 400 * time.Millisecond

// ready waits until a reset that was given is taken. A busy computer can hold the
// loop up in the middle of one; then it is given again, as a crew would.
func (r *rig) ready() {
	r.t.Helper()
	time.Sleep(300 * time.Millisecond)
	r.until("ready", func(s told.Status) bool {
		if s.State == "blocked" && needsReset(s) {
			r.press("reset", tap)
			time.Sleep(300 * time.Millisecond)
		}
		return s.State == "ready"
	})
}

// makeLive works the pad as a crew does, from any state that a reset leads out
// of. It returns when start was pressed last.
func (r *rig) makeLive() (from time.Duration) {
	r.t.Helper()
	for end := time.Now().Add(2 * patience); ; {
		switch s := r.status(); s.State {
		case "live":
			return from
		case "ready":
			from = r.out.Now()
			r.press("start", tap)
		case "closing":
		default:
			if s.State != "blocked" || strings.Contains(strings.Join(s.NotReady, ";"), "reset needed") {
				r.press("reset", tap)
			}
		}
		if time.Now().After(end) {
			s := r.status()
			r.t.Fatalf("never live: %s, %v, %v", s.State, s.NotReady, s.Trouble)
		}
		time.Sleep(r.every)
	}
}

// trips makes the chain live, does something, and wants relay and rotors off for that
// reason. A busy computer can hold the loop up first; then it is done once more.
func (r *rig) trips(why string, do, undo func()) {
	r.t.Helper()
	for try := 0; ; try++ {
		r.makeLive()
		_, from := r.m.Lines(0)
		began := r.out.Now()
		do()
		r.within(3*atOnce, "relay and rotors off", func() bool { return !r.out.RelayOn() && !r.out.PowerOn() })
		line, _, err := r.m.Wait(from, why, atOnce)
		undo()
		if off := switched(r.out.History(began), "relay"); err == nil && len(off) > 0 {
			r.t.Logf("%s; the relay's pin went low %v after", strings.TrimSpace(line.Text), (off[0].At - began).Round(time.Millisecond))
			return
		}
		if try == 5 {
			r.t.Fatalf("not %s: %v", why, err)
		}
	}
}

// within waits for something seen from outside.
func (r *rig) within(d time.Duration, what string, ok func() bool) {
	r.t.Helper()
	for end := time.Now().Add(d); !ok(); time.Sleep(2 * time.Millisecond) {
		if time.Now().After(end) {
			r.t.Fatalf("in %v: not %s; outside: %v", d, what, r.out.History(0))
		}
	}
}

// staysOpen wants the relay low and the rotors without power for a time.
func (r *rig) staysOpen(d time.Duration) {
	r.t.Helper()
	from := r.out.Now()
	if r.out.RelayOn() || r.out.PowerOn() {
		r.t.Fatalf("relay %v, power %v", r.out.RelayOn(), r.out.PowerOn())
	}
	time.Sleep(d)
	if h := r.out.History(from); len(switched(h, "relay"))+len(switched(h, "contactor")) > 0 {
		r.t.Fatalf("it moved: %v", h)
	}
}
