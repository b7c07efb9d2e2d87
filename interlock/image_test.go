package interlock

import (
	"encoding/binary"
	"time"

	"downhaul/rules"
)

// AppendState adds a canonical image of everything that can change a future
// decision. Times are relative to now, and ages saturate where nothing can
// tell them apart any more, so that two engines with equal images answer
// equal futures with equal effects. Counts of trips are held as the one thing
// that decides: whether all are kept.
func (e *Engine) AppendState(dst []byte) []byte {
	put := func(all ...any) {
		for _, v := range all {
			dst, _ = binary.Append(dst, binary.LittleEndian, v)
		}
	}
	age := func(t, most time.Duration) { put(int64(min(e.now-t, most))) }

	put(e.started, e.rotors.Measured, e.pinsKnown, e.pinsLost, e.mustBeOpen, e.stopsApart, e.stopDoubt, e.resetDone, e.resetOK, e.startArmed, e.ended, e.relayBad, e.diskLow,
		e.relayOn, e.beatOn, e.closed, e.stillDone, e.powerGone, e.flowSeen, e.armed, e.airborne, e.heightOff, e.bootKnown, e.linkUp,
		e.linkHeard, e.windDoubt, e.resetUntil, e.dirty, e.kept < e.trips, e.inEpisode, e.cardAsks, e.ledgerHolds,
		e.loud, e.alarm, e.tripHushed, e.cautionHushed)
	put(uint8(e.hushing), uint16(e.moves), uint8(e.stopWhy), uint16(e.stopRule), uint8(e.state), uint8(e.closingStep), uint8(e.sound),
		e.overdue, int64(e.rotors.Standing), int64(e.reaction), e.ground.on, e.onGround.on, e.atRest[:], e.ground.least, e.onGround.least, e.onGround.stood,
		e.maxBoot, e.builtinListed[:], e.permTold)
	for _, t := range e.timers {
		if t != rules.Never {
			t -= e.now
		}
		put(int64(t))
	}
	if e.state == Closing {
		age(e.since, rules.Never)
	}
	if e.state == Fault {
		put(e.notRemoved())
	}
	longest := max(e.site.LinkStale, e.limits.Longest()) + 1
	put(e.unheard.trip != 0)
	if e.unheard.trip != 0 {
		age(e.unheard.from, longest)
		put(int64(min(e.unheard.silent, longest)), uint16(e.unheard.rule))
	}
	if e.linkHeard && e.timers[timerLink] == rules.Never { // else its timer tells
		age(e.lastFrame, longest)
	}
	for i := range e.lines {
		l := &e.lines[i]
		put(l.known, l.on, l.edge, l.behind, l.opened)
		if l.known {
			age(l.read, e.site.PinStale)
		}
		if Line(i) == Reset && l.on {
			age(l.pressed, e.site.ResetLongest+1)
		}
	}
	for i := range e.demands {
		d := &e.demands[i]
		put(d.caution, d.inForce[:], d.listed[:])
	}
	return e.limits.AppendState(dst, e.now)
}
