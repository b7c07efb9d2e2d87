package commission

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"sync"
	"time"

	"downhaul/hw"
	"downhaul/interlock"
	"downhaul/interlock/day/intake"
	"downhaul/interlock/pad"
	"downhaul/interlock/records/prooftest"
)

// Times of the tests; ours.
const (
	// beatEvery is the spacing of heartbeat edges, as the guard's loop has it.
	beatEvery = 25 * time.Millisecond
	// warmUp is how long pulses come before the relay: a window watchdog wants
	// several good ones first.
	warmUp = 150 * time.Millisecond
	// sampleEvery is the spacing of readings while the board is watched.
	sampleEvery = time.Millisecond
	// leastHold is how long a state that must not change is watched.
	leastHold = 250 * time.Millisecond
)

// errSlow means that this computer was held up for longer than a watchdog bears.
var errSlow = errors.New("this computer was held up, and the heartbeat with it")

// rig works the board: what the guard's loop does with it, without an engine.
// For one goroutine, but for what the sensors leave.
type rig struct {
	pad   *pad.Pad
	board hw.Board
	lines [interlock.LineCount]intake.LineConfig
	loop  intake.LineConfig // shows that the anemometer's wire is whole
	now   func() time.Duration
	sleep func(time.Duration)

	beating bool
	level   bool
	beatAt  time.Duration
	longest time.Duration // spacing of edges since it was last set to 0

	mu     sync.Mutex
	counts []hw.Count
	failed error // of a sensor
}

// look is one reading of the input lines, in their meanings.
type look struct {
	// before and at bound when it was taken.
	before, at time.Duration
	on         [interlock.LineCount]bool
	loop       bool // the anemometer's wire reads whole
}

// sensors takes what the load cell gives until ctx ends.
func (r *rig) sensors(ctx context.Context) (wait func()) {
	var wg sync.WaitGroup
	wg.Go(func() {
		err := r.board.Counts(ctx, func(c hw.Count) {
			r.mu.Lock()
			r.counts = append(r.counts, c)
			r.mu.Unlock()
		})
		if ctx.Err() == nil {
			r.stopped("load cell", err)
		}
	})
	return wg.Wait
}

// takeEdges and takeCounts give what came since they were last asked.
func (r *rig) takeEdges() []hw.Edge {
	out, err := r.board.Edges(nil)
	r.stopped("anemometer", err)
	return out
}

// stopped notes why a sensor stopped.
func (r *rig) stopped(what string, err error) {
	if err != nil {
		r.mu.Lock()
		defer r.mu.Unlock()
		r.failed = errors.Join(r.failed, fmt.Errorf("%s: %w", what, err))
	}
}

func (r *rig) takeCounts() []hw.Count {
	r.mu.Lock()
	defer r.mu.Unlock()
	out := r.counts
	r.counts = nil
	return out
}

func (r *rig) sensorTrouble() error {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.failed
}

func (r *rig) relay(on bool) error {
	if err := r.board.Relay().Set(on); err != nil {
		return fmt.Errorf("write the relay: %w", err)
	}
	return nil
}

// safe takes the power off; it is called before every question.
func (r *rig) safe() error {
	r.beating = false
	return r.board.Inert()
}

// beat writes an edge where one is due, stamped when it was written. It never
// catches up: edges too close hold nothing.
func (r *rig) beat() error {
	now := r.now()
	if !r.beating || now-r.beatAt < beatEvery {
		return nil
	}
	r.longest = max(r.longest, now-r.beatAt)
	r.level = !r.level
	r.beatAt = now
	if err := r.board.Heartbeat().Set(r.level); err != nil {
		return fmt.Errorf("write the heartbeat: %w", err)
	}
	return nil
}

func (r *rig) startBeat() {
	r.beating = true
	r.beatAt = r.now() - beatEvery
	r.longest = 0
}

func (r *rig) read() (look, error) {
	l := look{before: r.now()}
	bits, err := r.board.Levels()
	l.at = r.now()
	if err != nil {
		return l, err
	}
	for i := range l.on {
		l.on[i] = (bits>>i&1 == 1) != r.lines[i].Invert
	}
	l.loop = (bits>>intake.LoopBit&1 == 1) != r.loop.Invert
	return l, nil
}

// watch reads the lines, keeping the heartbeat up, until the condition holds
// or d has passed. It gives the last reading and whether the condition held.
func (r *rig) watch(ctx context.Context, d time.Duration, until func(*look) bool) (look, bool, error) {
	return r.watchEvery(ctx, sampleEvery, d, until)
}

func (r *rig) watchEvery(ctx context.Context, every, d time.Duration, until func(*look) bool) (look, bool, error) {
	end := r.now() + d
	for {
		if err := r.beat(); err != nil {
			return look{}, false, err
		}
		l, err := r.read()
		if err != nil {
			return l, false, err
		}
		if until != nil && until(&l) {
			return l, true, nil
		}
		if l.at >= end {
			return l, false, nil
		}
		if ctx.Err() != nil {
			return l, false, errBroken
		}
		r.sleep(every)
	}
}

// hold watches for d and wants nothing.
func (r *rig) hold(ctx context.Context, d time.Duration) error {
	_, _, err := r.watch(ctx, d, nil)
	return err
}

func closed(l *look) bool { return l.on[interlock.Readback] }
func open(l *look) bool   { return !l.on[interlock.Readback] }

// longestMove is how long a move of the contactor is waited for: longer than
// the pad file allows, so that a slow one is measured and not only missed.
func (r *rig) longestMove() time.Duration {
	return max(time.Second, 2*r.pad.Contactor.PickUp, 2*r.pad.Contactor.DropOut)
}

// closeChain brings pulses and then the relay, and gives the time from the
// relay's write to the readback; ok is false when it never closed.
func (r *rig) closeChain(ctx context.Context, every time.Duration) (took time.Duration, ok bool, err error) {
	if !r.beating {
		r.startBeat()
		if err := r.hold(ctx, warmUp); err != nil {
			return 0, false, err
		}
	}
	from := r.now()
	if err := r.relay(true); err != nil {
		return 0, false, err
	}
	if !r.pad.Contactor.Readback {
		// Nothing tells: it has its time.
		return 0, true, r.hold(ctx, r.pad.Contactor.PickUp)
	}
	l, ok, err := r.watchEvery(ctx, every, r.longestMove(), closed)
	return l.at - from, ok, err
}

// openRelay drops the relay alone, with the pulses going on, and gives the
// time from its write to the readback.
func (r *rig) openRelay(ctx context.Context, every time.Duration) (took time.Duration, ok bool, err error) {
	from := r.now()
	if err := r.relay(false); err != nil {
		return 0, false, err
	}
	if !r.pad.Contactor.Readback {
		return 0, true, r.hold(ctx, r.pad.Contactor.DropOut)
	}
	l, ok, err := r.watchEvery(ctx, every, r.longestMove(), open)
	return l.at - from, ok, err
}

// spread is least, middle and most of some times.
type spread struct{ least, middle, most time.Duration }

func spreadOf(times []time.Duration) spread {
	if len(times) == 0 {
		return spread{}
	}
	s := slices.Sorted(slices.Values(times))
	return spread{s[0], s[len(s)/2], s[len(s)-1]}
}

// figures puts a spread on record.
func (s spread) figures(t *trial, name string) {
	t.figure(name+", least", s.least.Seconds(), "s")
	t.figure(name+", median", s.middle.Seconds(), "s")
	t.figure(name+", most", s.most.Seconds(), "s")
}

// trial is a test under way.
type trial struct{ prooftest.Result }

func (r *trial) figure(name string, value float64, unit string) {
	if math.IsNaN(value) || math.IsInf(value, 0) {
		r.Found = append(r.Found, fmt.Sprintf("%s could not be worked out", name))
		return
	}
	r.Figures = append(r.Figures, prooftest.Figure{Name: name, Value: value, Unit: unit})
}

func (r *trial) found(format string, args ...any) {
	r.Found = append(r.Found, fmt.Sprintf(format, args...))
}

func (r *trial) note(format string, args ...any) {
	r.Notes = append(r.Notes, fmt.Sprintf(format, args...))
}
