package guard

import (
	"time"

	"downhaul/interlock"
	"downhaul/interlock/pad"
)

// turned passes on that the loop turned. It is called by the loop alone, so
// that nobody is told of a loop that hangs.
func (g *Guard) turned(now time.Duration) {
	if g.stops.watch != nil {
		g.stops.watch.Turn(now)
	}
	g.tellLedger()
	if g.opts.Alive != nil {
		g.opts.Alive.Turned(now)
	}
}

// said is what Alive was last told.
type said struct {
	any   bool
	state interlock.State
	why   interlock.Reason
}

// show copies what can be shown, and tells a changed state.
func (g *Guard) show(l *Loop) {
	p := g.shot.draw(l)
	if g.doorway != nil {
		g.doorway.door.CopyTo(&p.passed)
	}
	defer g.shot.give()
	v := &p.View
	g.remark(v)
	if v.Airborne {
		g.aloft.Store(int64(v.At))
	}
	if g.opts.Alive == nil {
		return
	}
	if now := (said{true, v.State, v.Why}); now != g.said {
		g.said = now
		g.opts.Alive.Says(v.State.String() + ": " + v.Why.String())
	}
}

// openWithin is how long beyond its drop-out time a contactor is watched at
// the end of a session; ours.
const openWithin = 300 * time.Millisecond

// seenOpen reports whether the contactor is open, after the board was made inert: by
// its readback where there is one. Without one a write that did not fail is
// all there is to know. A guard that only watched has closed nothing.
func (g *Guard) seenOpen() bool {
	line := g.pad.Intake().Lines[interlock.Readback]
	if !line.Fitted || g.pad.Duty == interlock.Watch {
		return true
	}
	for until := time.Now().Add(g.pad.Contactor.DropOut + openWithin); ; time.Sleep(2 * time.Millisecond) {
		levels, err := g.board.Levels()
		if err == nil && (levels>>interlock.Readback&1 == 1) == line.Invert {
			return true
		}
		if g.opts.Stepped || time.Now().After(until) {
			return false
		}
	}
}

// VerifiedOpen says, after Run, that the relay was written off and the
// contactor seen open. Only then may a hardware watchdog rest.
func (g *Guard) VerifiedOpen() bool { return g.ended && g.isOpen }

// Upkeep is what the pad file asks for to watch over the process.
func (g *Guard) Upkeep() pad.Upkeep { return g.pad.Upkeep }

// RealBoard reports whether the pins are real.
func (g *Guard) RealBoard() bool { return g.pad.Board.Kind == pad.GPIO }

// Abandon lets everything go before Run: the relay was never closed, and the
// session ends in order.
func (g *Guard) Abandon() error { return g.finish() }
