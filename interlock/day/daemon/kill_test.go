//go:build linux

package daemon

import (
	"encoding/json"
	"flag"
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"downhaul/hw/virtual"
	"downhaul/interlock/day/answers"
	"downhaul/interlock/day/answers/ask"
	"downhaul/interlock/records/session"
	"downhaul/interlock/records/triplog"
)

var kills = flag.Int("kills", 4, "how many times the daemon is killed at a random moment; a thousand take a quarter of an hour")

// A daemon that is killed at a random moment while trips come as fast as they
// can: every trip that it told as kept stands in the log, the log is cut short or
// torn and never changed, and in duty guard the next start comes up latched.
//
//fault:row the process is killed at random moments under load | no trip that was told as kept is missing; the next comes up latched
func TestPromise04_KilledAtRandomMoments(t *testing.T) {
	dice := rand.New(rand.NewPCG(uint64(*kills), 4))
	var trips, torn, latched int
	for n := range *kills {
		t.Run(fmt.Sprint(n), func(t *testing.T) { // with an end of its own: else each craft would speak to the end of all
			duty := []string{"watch", "guard"}[n%2]
			b := newTable(t, duty, "")
			p := b.start()
			stop := b.stir()
			kept, folder := b.killAt(p, time.Duration(dice.Int64N(int64(300*time.Millisecond))))
			stop()
			logged, verdict := b.tripsLogged(folder)
			for i := uint32(1); i <= kept; i++ {
				if !logged[i] {
					t.Errorf("kill %d (%s): trip %d was told as kept and is not in the log", n, duty, i)
				}
			}
			switch verdict {
			case triplog.CutShort:
			case triplog.Torn:
				torn++
			default:
				t.Errorf("kill %d (%s): the log counts as %s", n, duty, verdict)
			}
			trips += len(logged)
			if duty == "guard" {
				next := b.start()
				if s := b.status(); s.State != "tripped" || s.RelayOn {
					t.Errorf("kill %d: the next comes up %s, relay %v", n, s.State, s.RelayOn)
				} else {
					latched++
				}
				next.end()
			}
		})
	}
	t.Logf("%d kills, %d trips in the logs, %d logs torn, %d came up latched", *kills, trips, torn, latched)
	if trips == 0 {
		t.Error("no trip at all: nothing was tried")
	}
}

// stir lets a craft speak, and works the emergency stop without a pause: in duty
// watch every press is a trip of its own.
func (b *table) stir() (stop func()) {
	b.t.Helper()
	b.fly()
	board, err := virtual.Dial(filepath.Join(b.dir, "board.sock"))
	must(b.t, err)
	var end atomic.Bool
	var work sync.WaitGroup
	work.Go(func() {
		for !end.Load() {
			if board.OpenContact("estop") != nil {
				return // the board went with its process
			}
			time.Sleep(8 * time.Millisecond)
			if board.CloseContact("estop") != nil {
				return
			}
			time.Sleep(8 * time.Millisecond)
		}
	})
	return func() { end.Store(true); work.Wait(); board.Close() }
}

// killAt kills the process some time after its first trip is kept, and gives the
// last number of kept trips that it told.
func (b *table) killAt(p *process, after time.Duration) (kept uint32, folder string) {
	b.t.Helper()
	soon(b.t, "a trip kept", func() bool { s := b.status(); folder = s.Folder; return s.Kept > 0 })
	for end := time.Now().Add(after); time.Now().Before(end); {
		r, err := ask.Guard(filepath.Join(b.dir, "guard.sock"), answers.Request{Do: "status"})
		if err == nil && r.Seen != nil {
			kept = max(kept, r.Seen.View.Kept)
		}
	}
	must(b.t, p.cmd.Process.Kill())
	<-p.done
	return kept, folder
}

// tripsLogged are the numbers of the trips in a session's log.
func (b *table) tripsLogged(folder string) (map[uint32]bool, triplog.Verdict) {
	b.t.Helper()
	s, err := session.Open(folder)
	must(b.t, err)
	parts, err := s.TripParts()
	must(b.t, err)
	report, err := triplog.WalkFiles(parts, nil)
	must(b.t, err)
	out := map[uint32]bool{}
	for _, line := range b.lines(folder) {
		var d struct{ Trip uint32 }
		if len(line.Decision) > 0 && json.Unmarshal(line.Decision, &d) == nil && d.Trip > 0 {
			out[d.Trip] = true
		}
	}
	return out, report.Verdict
}
