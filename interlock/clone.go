package interlock

import (
	"encoding/binary"
	"math"
	"slices"
	"time"

	"downhaul/rules"
)

// Clone is a second engine in the same state that shares nothing that changes.
func (e *Engine) Clone() *Engine {
	c := *e
	c.limits = e.limits.clone(&c)
	c.demands = slices.Clone(e.demands)
	c.permTold = slices.Clone(e.permTold)
	c.out = make([]Effect, 0, cap(e.out))
	c.front = make([]Effect, 0, cap(e.front))
	return &c
}

// AppendState adds a canonical image of everything that can change a future
// decision. Times are relative to now, and ages saturate where nothing can
// tell them apart any more, so that two engines with equal images answer
// equal futures with equal effects. Counts of trips are held as the one thing
// that decides: whether all are kept.
func (e *Engine) AppendState(dst []byte) []byte {
	due := func(t time.Duration) {
		if t == rules.Never {
			dst = binary.LittleEndian.AppendUint64(dst, math.MaxUint64)
			return
		}
		dst = binary.LittleEndian.AppendUint64(dst, uint64(t-e.now))
	}
	age := func(t, most time.Duration) {
		a := e.now - t
		if a > most {
			a = most
		}
		dst = binary.LittleEndian.AppendUint64(dst, uint64(a))
	}
	flag := func(bits ...bool) {
		for _, b := range bits {
			if b {
				dst = append(dst, 1)
			} else {
				dst = append(dst, 0)
			}
		}
	}
	number := func(v float64) { dst = binary.LittleEndian.AppendUint64(dst, math.Float64bits(v)) }

	flag(e.started, e.rotors.Measured, e.pinsKnown, e.pinsLost, e.mustBeOpen, e.stopsApart, e.stopDoubt, e.resetDone, e.resetOK, e.startArmed, e.ended, e.relayBad, e.diskLow,
		e.relayOn, e.beatOn, e.closed, e.stillDone, e.powerGone, e.flowSeen, e.armed, e.airborne, e.heightOff, e.bootKnown, e.linkUp,
		e.linkHeard, e.windDoubt, e.resetUntil, e.dirty, e.kept < e.trips, e.inEpisode, e.cardAsks, e.ledgerHolds,
		e.loud, e.alarm, e.tripHushed, e.cautionHushed)
	dst = append(dst, byte(e.hushing))
	dst = binary.LittleEndian.AppendUint16(dst, uint16(e.moves))
	dst = append(dst, byte(e.stopWhy))
	dst = binary.LittleEndian.AppendUint16(dst, uint16(e.stopRule))
	dst = append(dst, byte(e.state), byte(e.closingStep), byte(e.sound))
	dst = binary.LittleEndian.AppendUint64(dst, e.overdue)
	dst = binary.LittleEndian.AppendUint64(dst, uint64(e.rotors.Standing))
	dst = binary.LittleEndian.AppendUint64(dst, uint64(e.reaction))
	flag(e.ground.on, e.onGround.on)
	for _, v := range e.atRest {
		number(v)
	}
	number(e.ground.least)
	number(e.onGround.least)
	number(e.onGround.stood)
	for _, t := range e.timers {
		due(t)
	}
	if e.state == Closing {
		age(e.since, rules.Never)
	}
	if e.state == Fault {
		flag(e.notRemoved())
	}
	flag(e.unheard.trip != 0)
	if e.unheard.trip != 0 {
		age(e.unheard.from, e.longestSilence())
		dst = binary.LittleEndian.AppendUint64(dst, uint64(min(e.unheard.silent, e.longestSilence())))
		dst = binary.LittleEndian.AppendUint16(dst, uint16(e.unheard.rule))
	}
	if e.linkHeard && e.timers[timerLink] == rules.Never { // else its timer tells
		age(e.lastFrame, e.longestSilence())
	}
	number(e.maxBoot)
	for _, listed := range e.builtinListed {
		flag(listed)
	}
	for i := range e.lines {
		l := &e.lines[i]
		flag(l.known, l.on, l.edge, l.behind, l.opened)
		if l.known {
			age(l.read, e.site.PinStale)
		}
		if Line(i) == Reset && l.on {
			age(l.pressed, e.site.ResetLongest+1)
		}
	}
	for i := range e.runs {
		r, d := &e.runs[i], &e.demands[i]
		flag(r.beyond, r.demand, r.missing, r.goMissing, r.caution, d.caution, d.inForce[0], d.inForce[1], d.listed[0], d.listed[1], r.seen, r.back)
		due(r.due)
		number(r.value)
		number(r.past)
		if dst = append(dst, byte(r.excursion)); r.excursion != rules.Inside {
			number(r.fresh)
		}
		if r.slope != nil {
			// What lies behind a gap is forgotten with the next value.
			gap := rateGap(&e.env.Rules[i])
			flag(r.heard, e.now-r.last > gap)
			if e.now-r.last <= gap {
				dst = r.slope.AppendState(dst, e.now)
			}
			age(r.last, gap+1)
			age(r.rated, e.env.Rules[i].Over+e.env.Rules[i].StaleAfter)
		}
	}
	for i := range e.permHolds {
		flag(e.permHolds[i], e.permTold[i])
	}
	for id := rules.ChannelID(1); id < rules.ChannelCount; id++ {
		c := &e.channels[id]
		r := &e.table[id]
		if !c.heard && r.Quality == rules.Missing && r.Cause == rules.NoCause {
			continue
		}
		stale := max(id.Stale(), time.Second, c.longest)
		dst = binary.LittleEndian.AppendUint16(dst, uint16(id))
		flag(c.heard, c.healthy)
		dst = append(dst, byte(r.Quality), byte(r.Cause))
		number(r.Value)
		age(r.At, stale+1)
		age(c.good, stale+1)
		due(c.ready)
		if c.frozenAfter > 0 {
			number(c.last)
			dst = binary.LittleEndian.AppendUint32(dst, uint32(min(c.same, c.frozenAfter)))
		}
		flag(c.streak == rules.Never)
	}
	for i := range e.calcs {
		dst = e.calcs[i].AppendState(dst, e.now)
	}
	return dst
}
