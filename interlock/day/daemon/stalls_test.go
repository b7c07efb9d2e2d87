//go:build linux

package daemon

import (
	"encoding/json"
	"flag"
	"sync"
	"testing"
	"time"

	"downhaul/hw/virtual"
	"downhaul/interlock"
	"downhaul/interlock/before/bench"
	"downhaul/interlock/records/session"

	"golang.org/x/sys/unix"
)

var stalls = flag.Int("stalls", 4, "how often each process is stopped while live; five processes, each of other lengths")

// stallLengths are how long the process is stopped, from just past the window of
// 900 ms of the test pad to past all that its watchdog and contactor take to let go.
var stallLengths = []time.Duration{960 * time.Millisecond, 1050 * time.Millisecond, 1200 * time.Millisecond, 1700 * time.Millisecond, 3 * time.Second}

// The real process, stopped while live and let go on, over and over: the first cause
// of each trip is the stall, with its length, dated after it; no opening that was
// only late counts as power that was not removed; and the session replays equally.
//
//fault:row the guard's process is stopped while live, twenty times, for 0.96 s to 3 s | each on record as held up, with its length; power off; no fault
func TestPromise05_StoppedManyTimesWhileLive(t *testing.T) {
	if testing.Short() {
		t.Skip("flies real processes for ten seconds and more; left out by -short")
	}
	t.Parallel()
	var work sync.WaitGroup
	for _, length := range stallLengths {
		work.Go(func() {
			t.Run(length.String(), func(t *testing.T) { stopWhileLive(t, length, *stalls) })
		})
	}
	work.Wait()
}

func stopWhileLive(t *testing.T, length time.Duration, times int) {
	b := newTable(t, "guard", "")
	p := b.start()
	b.fly()
	folder := b.status().Folder
	var board *virtual.Client
	for done := 0; done < times; {
		if board == nil {
			board = b.makeLive()
		} else {
			b.liveBy(board)
		}
		// Some way into a turn, each time another.
		time.Sleep(time.Duration(done) * 7300 * time.Microsecond)
		if b.status().State != "live" {
			continue // a busy computer held it up by itself
		}
		must(t, p.cmd.Process.Signal(unix.SIGSTOP))
		time.Sleep(length)
		must(t, p.cmd.Process.Signal(unix.SIGCONT))
		soon(t, "latched", func() bool { s := b.status().State; return s == "tripped" || s == "fault" })
		time.Sleep(800 * time.Millisecond) // drop-out and what else judges it
		s := b.status()
		if s.State != "tripped" || s.RelayOn {
			t.Fatalf("stop %d: %s, relay %v", done, s.State, s.RelayOn)
		}
		done++
	}
	p.end()

	// All that stands on record.
	found := 0
	type decision struct {
		Kind, Reason, State string
		AtNS                int64 `json:"at_ns"`
		LastedNS            int64 `json:"lasted_ns"`
		FirstOut            bool  `json:"first_out"`
	}
	for _, line := range b.lines(folder) {
		var d decision
		if len(line.Decision) == 0 || json.Unmarshal(line.Decision, &d) != nil {
			continue
		}
		if d.State == interlock.Fault.String() || d.Reason == interlock.ReasonPowerRemains.String() || d.Reason == interlock.ReasonReadbackOpened.String() {
			t.Errorf("on record: %s", line.Decision)
		}
		if d.Kind != "trip" || !d.FirstOut {
			continue
		}
		if d.Reason != interlock.ReasonStalled.String() {
			t.Errorf("a first cause that is not the stall: %s", line.Decision)
			continue
		}
		t.Logf("%s", line.Decision)
		// A busy computer may hold the loop up besides, for less, and takes its time
		// with a signal.
		if time.Duration(d.LastedNS) > length-50*time.Millisecond {
			found++
		}
	}
	if found < times {
		t.Errorf("%d of %d stalls of %v are on record as first cause with their length", found, times, length)
	}
	ses, err := session.Open(folder)
	must(t, err)
	r, err := bench.ReplaySession(ses)
	must(t, err)
	if !r.Equal.Claimed || !r.Equal.Holds {
		t.Errorf("%s\nlive   %s\nreplay %s", r.Equal.Says(), r.Equal.Log, r.Equal.Here)
	}
}
