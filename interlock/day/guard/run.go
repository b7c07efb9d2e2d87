package guard

import (
	"context"
	"errors"
	"fmt"
	"runtime"
	"sync"
	"time"

	"downhaul/hw"
	"downhaul/interlock"
	"downhaul/interlock/day/intake"
	"downhaul/interlock/day/telemetry/link"
	"downhaul/interlock/records/session"
	"downhaul/interlock/records/triplog"
)

// leastRoom is the free room below which a start is refused; ours, an hour of
// records. diskEvery is how often it is looked at.
const (
	leastRoom = 256 << 20
	diskEvery = time.Second
)

// Run guards until ctx ends, then opens the relay, writes what is left and the `ended`
// record, and lets everything go. It returns nil after a clean end.
func (g *Guard) Run(ctx context.Context) error {
	if g.opts.Stepped {
		return errors.New("guard: a stepped guard is driven by Turn, not Run")
	}
	if err := g.begin(); err != nil {
		return errors.Join(err, g.finish())
	}
	placesFor(2)
	defer placesFor(-2)
	work, stop := context.WithCancel(context.Background())
	defer stop()
	var readers, writer sync.WaitGroup
	for _, l := range g.links {
		if err := l.Start(g.linkEvent, g.loop.waiter.Wake); err != nil {
			stop()
			return errors.Join(err, g.finish())
		}
	}
	readers.Go(func() { g.readCounts(work) })
	readers.Go(func() { g.watchDisk(work) })
	readers.Go(func() { g.keepSeen(work) })
	readers.Go(func() { every(work, besideEvery, g.beside) })
	writing, stopWriting := context.WithCancel(context.Background())
	defer stopWriting()
	writer.Go(func() { g.keeper.run(writing) })

	g.turnUntil(ctx)

	stop()
	readers.Wait()
	g.beside()
	stopWriting()
	writer.Wait()
	return g.finish()
}

var places sync.Mutex

// placesFor gives threads that wait in the kernel a place each among those that the
// runtime lets run: it takes one from a waiting thread after some milliseconds only, which
// on few processors others would wait for.
func placesFor(threads int) {
	places.Lock()
	defer places.Unlock()
	runtime.GOMAXPROCS(runtime.GOMAXPROCS(0) + threads)
}

// finish makes the board inert, writes the `ended` record and closes.
func (g *Guard) finish() error {
	if g.ended {
		return nil
	}
	g.ended = true
	inert := g.board.Inert()
	g.isOpen = inert == nil && g.seenOpen()
	if g.stops.watch != nil { // only now: an opening by the end itself took its time
		g.stops.watch.End(g.now(), g.isOpen)
	}
	errs := []error{inert}
	g.keeper.drain()
	var last interlock.View // by its state the next session comes up
	g.engine.View(&last)
	end := triplog.Line{At: last.At, Kind: triplog.KindEnded, State: last.State.String()}
	if !g.isOpen && !g.opts.Stepped { // a stepped clock leaves no contactor time to drop
		end.State = interlock.Fault.String()
		end.Text = "POWER NOT REMOVED, or not known to be: the contactor was not seen open when the guard ended"
	}
	err := g.session.Trips.Append(end, true)
	if err == nil {
		err = errors.Join(g.handOn(), g.session.Remember(end.State, true))
	}
	errs = append(errs, err)
	if end.State == interlock.Fault.String() && last.State != interlock.Fault && g.ledger.book != nil {
		errs = append(errs, g.faulted(interlock.Effect{Kind: interlock.StateEffect, At: last.At, From: last.State, State: interlock.Fault, Reason: interlock.ReasonPowerRemains}))
	}
	if err == nil {
		g.session.Retain(time.Now())
	}
	errs = append(errs, g.lastSeen(), g.release())
	return errors.Join(errs...)
}

func (g *Guard) linkEvent(e link.Event) {
	g.loop.Host(intake.HostMessage{Host: interlock.HostLink, On: e.Up, Seq: uint32(e.Link), Text: e.Text})
}

func (g *Guard) readCounts(ctx context.Context) {
	if err := g.board.Counts(ctx, g.loop.Count); err != nil && ctx.Err() == nil {
		g.loop.Host(sensorFailed("load cell", err))
	}
}

// Ours: how soon a line of a decision is told, or that something lapsed; and the most
// decisions that wait for it.
const (
	besideEvery = 100 * time.Millisecond
	mostTells   = 256
)

// beside does what follows from the loop's turns and from the time, and is the loop's not.
func (g *Guard) beside() {
	g.declared.lapse(g.now())
	g.proofsComeDue(g.now())
	for f := g.tells.next(); f != nil; f = g.tells.next() {
		if g.opts.Told != nil {
			g.opts.Told(g.env, *f)
		}
		g.tells.done()
	}
}

// every does something now and, until ctx ends, after every d.
func every(ctx context.Context, d time.Duration, do func()) {
	tick := time.NewTicker(d)
	defer tick.Stop()
	for ctx.Err() == nil {
		do()
		select {
		case <-tick.C:
		case <-ctx.Done():
		}
	}
}

// watchDisk reports when the room for records runs low, or the records are not where they
// were written, and when that is mended: no start is taken meanwhile.
func (g *Guard) watchDisk(ctx context.Context) {
	low := false
	every(ctx, diskEvery, func() {
		room, err := session.Room(g.pad.LogFolder)
		gone := g.keeper.gone.Load()
		if now := err != nil || room < leastRoom || gone != nil; now != low {
			low = now
			text := fmt.Sprintf("log folder: %d MB free", room>>20)
			if err != nil {
				text = "log folder: " + err.Error()
			}
			if gone != nil {
				text = *gone
			}
			g.loop.Host(intake.HostMessage{Host: interlock.HostDisk, On: low, Text: text})
		}
	})
}

// HangUp takes that the terminal of the guard's shell was lost, and reports whether the
// guard goes on: a lost shell must not drop a craft that hovers. In any other state it may
// end. It goes by the last snapshot, which is a tenth of a second old at most; a start
// sounds its horn for longer than that before power can reach anything.
func (g *Guard) HangUp() bool {
	switch state, _ := g.shot.state(); state {
	case interlock.Closing, interlock.Live, interlock.Lowering:
		g.Remark("the terminal was lost (hang-up) while " + state.String() + "; the guard goes on: end it with a signal of its own")
		return true
	}
	return false
}

// Remark puts a text into the records, as a mark of the guard itself.
func (g *Guard) Remark(text string) {
	g.loop.Host(intake.HostMessage{Host: interlock.HostMark, On: true, Text: "mark: " + text})
}

// Folder is the session's folder.
func (g *Guard) Folder() string { return g.session.Dir }

// Retained returns which old sessions went, and which had to stay.
func (g *Guard) Retained() []string { return g.session.Retained }

// HeadCode is the head of the trip log after the end, as somebody writes it on paper.
func (g *Guard) HeadCode() string { return triplog.Code(g.session.Trips.Status().Head) }

// Opening is what a guard says when it starts: what it runs on, how the last session ended.
func (g *Guard) Opening() []string {
	duty := "duty watch: the relay is never closed"
	if g.pad.Duty == interlock.Guard {
		duty = "duty guard"
	}
	if mark := g.session.Info.Mark; mark != "" {
		duty += "; " + mark
	}
	lines := []string{
		fmt.Sprintf("downhauld: %s; %s", g.env.Title, duty),
		"downhauld: session " + g.session.Dir,
	}
	for _, e := range g.before {
		lines = append(lines, "downhauld: "+e.Says)
	}
	for _, says := range g.reread {
		lines = append(lines, "downhauld: "+says)
	}
	lines = append(lines, g.openingProofs()...)
	for _, text := range g.ledgerHolds() {
		lines = append(lines, "downhauld: "+text+"; start is refused")
	}
	if c := g.declared.card; c != nil {
		return append(lines, fmt.Sprintf("downhauld: test card for %s: a start wants a declared step", c.Craft.Name))
	}
	return append(lines, "downhauld: no test card: no step, pack set or inspection is asked for before a start")
}

// turn runs the loop once at now and returns the time of the next. The loop's goroutine.
func (g *Guard) turn(now time.Duration) time.Duration {
	g.declared.tell(g)
	return g.loop.Turn(now)
}

// The following drive a stepped guard; see Options.Stepped.

// Turn is turn with what others than the loop do in a guard that runs.
func (g *Guard) Turn(now time.Duration) time.Duration {
	g.declared.lapse(now)
	return g.turn(now)
}

// Telemetry hands bytes of a link over, as a link would.
func (g *Guard) Telemetry(c intake.Chunk) {
	c.Source = intake.Telemetry
	switch g.whose(&c) {
	case Craft:
		g.loop.Telemetry(c)
	case Stranger:
		g.loop.stranger(g.now(), c)
	}
}

// Count takes a conversion of the board's converter, as its own goroutine would.
func (g *Guard) Count(c hw.Count) { g.loop.Count(c) }

// Finish ends a stepped session: relay open, `ended` on record.
func (g *Guard) Finish(now time.Duration) error {
	g.loop.End(now)
	return g.finish()
}

// Board is the pad's board.
func (g *Guard) Board() hw.Board { return g.board }

// Now is the engine's clock.
func (g *Guard) Now() time.Duration { return g.now() }
