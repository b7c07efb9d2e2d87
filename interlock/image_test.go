package interlock

import (
	"encoding/binary"
	"fmt"
	"reflect"
	"slices"
	"time"

	"downhaul/interlock/limits"
	"downhaul/rules"
)

// AppendState adds a canonical image of everything that can change a future
// decision. Times are relative to now (but those inside calculators, whose images are
// held by the tests of derived), and ages saturate where nothing can
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

	put(e.started, e.latch.rotors.Measured, e.latch.pinsKnown, e.latch.pinsLost, e.latch.mustBeOpen, e.latch.stopsApart, e.latch.stopDoubt, e.latch.resetDone, e.latch.resetOK, e.latch.ended, e.latch.relayBad, e.bars[HostDisk],
		e.latch.relayOn, e.latch.beatOn, e.latch.closed, e.latch.stillDone, e.latch.powerGone, e.flowSeen, e.armed, e.airborne, e.heightOff, e.bootKnown, e.linkUp,
		e.linkHeard, e.windDoubt, e.latch.resetUntil, e.latch.dirty, e.latch.kept < e.latch.trips, e.latch.inEpisode, e.bars[HostCard], e.bars[HostLedger],
		e.latch.loud, e.latch.alarm, e.latch.tripHushed, e.latch.cautionHushed)
	put(uint8(e.latch.hushing), uint16(e.latch.moves), uint8(e.latch.stopWhy), uint16(e.latch.stopRule), uint8(e.latch.state), uint8(e.latch.closingStep), uint8(e.latch.sound),
		e.overdue, int64(e.latch.rotors.Standing), e.ground.on, e.onGround.on, e.atRest[:], e.ground.least, e.onGround.least, e.onGround.stood,
		e.maxBoot, e.latch.builtinListed[:], e.permTold)
	own, craft := e.latch.timers, e.timers // in the order in which they act
	for _, t := range slices.Concat(own[:timerGrace], craft[:timerDisarmed], own[timerGrace:timerStill], craft[timerDisarmed:timerTurned], own[timerStill:], craft[timerTurned:]) {
		if t != rules.Never {
			t -= e.now
		}
		put(int64(t))
	}
	if e.latch.state == Closing {
		age(e.latch.since, rules.Never)
	}
	if e.latch.state == Fault {
		put(e.latch.notRemoved())
	}
	longest := e.site.LinkStale // the longest silence that can still make a demand
	for id := range rules.ChannelCount {
		longest = max(longest, longestOf(e, id), e.limits.Stale(id))
	}
	longest++
	put(e.unheard.trip != 0)
	if e.unheard.trip != 0 {
		age(e.unheard.from, longest)
		put(int64(min(e.unheard.silent, longest)), uint16(e.unheard.rule))
	}
	if e.linkHeard && !e.runs(timerLink) { // else its timer tells
		age(e.lastFrame, longest)
	}
	for i := range e.latch.lines {
		l := &e.latch.lines[i]
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
	return e.appendLimits(dst)
}

// appendLimits adds the same of the limits.
func (e *Engine) appendLimits(dst []byte) []byte {
	put := func(all ...any) {
		for _, v := range all {
			dst, _ = binary.Append(dst, binary.LittleEndian, v)
		}
	}
	age := func(t, most time.Duration) { put(int64(min(e.now-t, most))) }
	due := func(t time.Duration) {
		if t != rules.Never {
			t -= e.now
		}
		put(int64(t))
	}
	runs := field(reflect.ValueOf(e.limits).Elem(), "runs")
	for i := range runs.Len() {
		r, rule := runs.Index(i), &e.env.Rules[i]
		now := e.limits.Rule(i)
		put(*part[bool](r, "beyond"), now.Asks[:], *part[bool](r, "goMissing"), now.Cautions, now.Seen, now.Back)
		put(now.Value, now.Past, uint8(now.Left))
		due(*part[time.Duration](r, "due"))
		if eased := *part[time.Duration](r, "eased"); eased != rules.Never {
			age(eased, 2*time.Second)
		}
		put(*part[time.Duration](r, "eased") == rules.Never)
		if now.Left != rules.Inside {
			put(now.Told)
		}
		if slope := *part[*limits.Slope](r, "slope"); slope != nil {
			// What lies behind a gap is forgotten with the next value.
			gap, last := min(rule.StaleAfter, max(rule.Over, rule.Watch.Stale())), *part[time.Duration](r, "last")
			put(*part[bool](r, "heard"), e.now-last > gap)
			if e.now-last <= gap {
				dst = slope.AppendState(dst, e.now)
			}
			age(last, gap+1)
			age(*part[time.Duration](r, "rated"), rule.Over+rule.StaleAfter)
		}
	}
	put(e.limits.Holds())
	channels := field(reflect.ValueOf(e.limits).Elem(), "channels")
	for id := rules.ChannelID(1); id < rules.ChannelCount; id++ {
		h, r := e.limits.Health(id), e.limits.Reading(id)
		if !h.Heard && r.Quality == rules.Missing && r.Cause == rules.NoCause {
			continue
		}
		c := channels.Index(int(id))
		stale := max(id.Stale(), time.Second, longestOf(e, id))
		put(uint16(id), h.Heard, h.Healthy, h.Since == rules.Never, uint8(r.Quality), uint8(r.Cause), r.Value)
		age(r.At, stale+1)
		age(h.Good, stale+1)
		due(*part[time.Duration](c, "ready"))
		if frozen := *part[int](c, "frozenAfter"); frozen > 0 {
			put(*part[float64](c, "last"), uint32(min(*part[int](c, "same"), frozen)))
		}
	}
	for _, c := range *inside[[]limits.Calculator](e.limits, "calcs") {
		if reflect.ValueOf(c).Kind() == reflect.Struct { // has no memory, but a function, whose place says nothing
			put(uint16(c.Trigger()), uint16(c.Output()))
			continue
		}
		dst = fmt.Appendf(dst, "%+v", c)
	}
	if e.limits.Broken() {
		return append(dst, 1)
	}
	return dst
}
