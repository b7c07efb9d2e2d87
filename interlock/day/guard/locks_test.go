package guard

import (
	"context"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"downhaul/hw/virtual"
)

// within runs what may hang and fails when it has not come back in time.
func within(t testing.TB, d time.Duration, what string, fn func()) {
	t.Helper()
	done := make(chan struct{})
	go func() { defer close(done); fn() }()
	select {
	case <-done:
	case <-time.After(d):
		t.Fatalf("in %v: not %s", d, what)
	}
}

// Many who declare and many who ask for the status, at full speed, and a trip in the
// middle: all are answered, the trip is kept, and the guard ends. Two locks taken the
// other way round by two of them stopped all of it once, the writer of the records
// with them.
//
//fault:row declarations and status requests at full speed, and a trip among them | all are answered, the trip is kept
func TestPromise04_DeclaringAndAskingHoldUpNoRecord(t *testing.T) {
	t.Parallel()
	dir := shortDir(t)
	files := liveFiles(t, dir)
	files.Card = File{Name: "card.toml", Text: testFile(t, "card.toml")}
	g := openLive(t, files)
	ended := make(chan error, 1)
	ctx, stop := context.WithCancel(context.Background())
	go func() { ended <- g.Run(ctx) }()
	defer stop()

	var work sync.WaitGroup
	var over atomic.Bool
	var declared, asked atomic.Int64
	for range 2 {
		work.Go(func() {
			for !over.Load() {
				if _, err := g.Declare(inspected("blade clearance", "41 mm")); err == nil {
					declared.Add(1)
				}
			}
		})
		work.Go(func() {
			for !over.Load() {
				g.Status()
				g.wasTold("mark: look here", "test")
				asked.Add(1)
			}
		})
	}
	// The kept trip is asked of the loop's own host events: a hanging status must
	// not be what finds out.
	time.Sleep(time.Second)
	within(t, 20*time.Second, "declared 300 times and asked as often", func() {
		for declared.Load() < 300 || asked.Load() < 300 {
			time.Sleep(ms)
		}
	})
	must(t, g.Board().(*virtual.Board).OpenContact("estop"))
	within(t, 20*time.Second, "tripped and kept", func() {
		for s := g.Status(); s.Trips == 0 || s.Kept != s.Trips; s = g.Status() {
			time.Sleep(ms)
		}
	})
	over.Store(true)
	within(t, 20*time.Second, "answered to the last", work.Wait)
	stop()
	within(t, 20*time.Second, "ended", func() { must(t, <-ended) })
	if text := tripText(t, g.Folder()); !contains(text, `"kind":"trip"`) {
		t.Error("no trip in the log")
	}
}
