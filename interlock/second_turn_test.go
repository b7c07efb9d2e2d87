package interlock_test

import (
	"time"

	"downhaul/interlock"
)

// since keeps since when a fact holds.
func (m *second) since(t *time.Duration, holds bool) {
	switch {
	case !holds:
		*t = never
	case *t == never:
		*t = m.now
	}
}

func (m *second) grounded() bool { return !m.armed && !m.air }

// due is what time alone has made so by now. It is looked at before the inputs of
// the instant as well: what comes at the very end of a time is too late.
type due struct {
	pins, link, pull, pullLost, volts, voltsLost   bool // too old, or long enough
	height, differ, grace, climbs, down, welded    bool
	notClosed, notStaying                          bool
	armedUnknown, landedUnknown, disarmed, settled bool
}

func (m *second) dues() due {
	mirror := m.on(interlock.Readback)
	return due{
		pins: m.pinsLost(), link: !(m.heard != never && m.now < m.heard+tLink),
		pull: m.over(m.overPull, pullLasting), pullLost: !m.fresh(gPull),
		volts: m.over(m.underVolts, floorLasting), voltsLost: !m.fresh(gVolts),
		height: !m.fresh(gHeight), differ: m.over(m.differ, tDiscrepancy) && (m.differs() || m.wasOpen[0] != m.wasOpen[1]) || m.over(m.rests, tDiscrepancy) && m.wasOpen[0] != m.wasOpen[1],
		grace: m.now >= m.grace, climbs: m.over(m.climbs, tClimb), down: m.over(m.down, tDown),
		welded:    mirror && m.hadPins && !(m.relay && m.beat) && m.now >= m.drops+tDropOut,
		notClosed: m.state == interlock.Closing && m.over(m.closing, tHorn+tPickUp) && !mirror,
		// bouncing is over
		notStaying:   m.over(m.bounce, tBounce) && !mirror,
		armedUnknown: !m.fresh(gArmed), landedUnknown: !m.fresh(gLanded),
		disarmed: m.over(m.atRest, tPhase), settled: m.over(m.onGround, tPhase),
	}
}

func (d due) or(o due) due {
	return due{
		d.pins || o.pins, d.link || o.link, d.pull || o.pull, d.pullLost || o.pullLost, d.volts || o.volts, d.voltsLost || o.voltsLost,
		d.height || o.height, d.differ || o.differ, d.grace || o.grace, d.climbs || o.climbs, d.down || o.down, d.welded || o.welded,
		d.notClosed || o.notClosed, d.notStaying || o.notStaying,
		d.armedUnknown || o.armedUnknown, d.landedUnknown || o.landedUnknown, d.disarmed || o.disarmed, d.settled || o.settled,
	}
}

// may reports whether everything a start needs is so.
func (m *second) may(estop bool) bool {
	now := m.dues()
	healthy := m.over(m.gauges[gPull].healthy, tHealthy) && m.over(m.gauges[gVolts].healthy, tHealthy)
	return estop && !m.contactsBad && m.on(interlock.Gate) && !now.pins && !m.relayBad && !now.link && !m.armed && !m.far &&
		!m.diskBad && !m.proofBad && !m.cardBad && !m.ledgerBad && !m.unproven && !m.unkept && !m.ended && (m.clashed == never || m.over(m.clashed, tHealthy)) &&
		!now.pull && !now.volts && !now.pullLost && !now.voltsLost && healthy && m.fresh(gWind) && m.gauges[gWind].v < calmLimit
}

// fit reports whether a reset is taken, by what is due.
func (m *second) fit(estop bool, now due) bool {
	switch {
	case m.state != interlock.Blocked && m.state != interlock.Tripped && m.state != interlock.Fault:
		return false
	case m.ended, m.broken, !estop, m.contactsBad, !m.on(interlock.Gate), now.pins, m.relayBad, m.on(interlock.Readback):
		return false
	case m.state == interlock.Blocked:
		return true // it says "searched, nobody inside"; the rest is asked before ready
	}
	return !now.link && !now.pull && !now.volts && !now.pullLost && !now.voltsLost && !m.armed && m.now >= m.stands && !m.unkept
}

// turn is one instant: what is so now, then the table in its order.
func (m *second) turn(inputs []interlock.Input) {
	m.causes, m.atOnce = 0, 0
	old := m.dues()
	silence := interlock.ReasonLink
	if m.left || m.climbs != never {
		silence = interlock.ReasonThenSilent
	}
	began := m.state
	m.contactsBad = m.contactsBad || old.differ
	m.judged()
	knownDisarmed := m.told(gArmed) && m.gauges[gArmed].v == 0
	h := m.take(inputs)
	d := m.dues()
	m.contactsBad = m.contactsBad || d.differ
	d = d.or(old)
	m.hadPins = !m.pinsLost()
	if old.pins && m.hadPins {
		m.wasOpen = [2]bool{true, true} // nobody saw them meanwhile
		if m.differ == never {
			m.rests = m.now
		}
	}
	if old.pins && m.hadPins && m.on(interlock.Readback) && !h.closed {
		// Nobody saw the contactor meanwhile, and the relay may have been written late.
		m.drops, d.welded = m.now, false
	}

	estop := m.together() && m.on(interlock.EStopA) && m.on(interlock.EStopB)

	// The phases.
	idle := m.told(gOutput) && m.gauges[gOutput].v <= 0.15
	low := m.told(gHeight) && m.gauges[gHeight].v < 0.5
	landed := m.told(gLanded) && m.gauges[gLanded].v == 1
	disarmed := m.told(gArmed) && m.gauges[gArmed].v == 0
	// Disarmed or landed (promise 13): that nobody knows whether a craft known to be
	// disarmed has landed does not put it into the air.
	unknown := !m.told(gLanded) && disarmed
	agree := (landed || unknown) && low && idle
	aged := d.landedUnknown && !m.noLanded
	m.noLanded = !m.fresh(gLanded)
	if aged || !agree {
		m.onGround = never
	}
	if h.word {
		m.since(&m.onGround, agree)
	}
	m.since(&m.atRest, disarmed && low && idle)
	m.armed = h.armed || d.armedUnknown || m.gauges[gArmed].v != 0 || m.armed && !d.disarmed
	m.air = h.air || m.gauges[gLanded].v != 1 && !d.landedUnknown || d.landedUnknown && m.armed || aged && !knownDisarmed || m.air && (aged || !d.settled)
	down := landed && m.told(gHeight) && m.gauges[gHeight].v < 0.3 && m.told(gOutput) && m.gauges[gOutput].v <= 0.25
	d.down = old.down || d.down && down // a word at the very end of the second is too late

	power := m.state == interlock.Live || m.state == interlock.Lowering
	held := !m.hold || m.on(interlock.Hold)
	mirror := m.on(interlock.Readback)
	voltsNew, voltsLostNew := d.volts && !m.wasLimit, d.voltsLost && !m.wasMissing
	m.wasLimit, m.wasMissing = m.over(m.underVolts, floorLasting), !m.fresh(gVolts)

	// Fault.
	fault := set(
		cause{h.relayFailed, interlock.ReasonRelayFailed}, cause{h.watchdog, interlock.ReasonWatchdog}, cause{h.broke, interlock.ReasonBroken},
		cause{h.closed && !(m.relay && m.beat) && m.now >= m.drops+tDropOut, interlock.ReasonReadbackClosed},
		cause{d.welded, interlock.ReasonPowerRemains},
		cause{d.differ, interlock.ReasonEStopOne},
		cause{d.notClosed, interlock.ReasonReadbackNot})

	// Immediate.
	if h.gate || d.pins {
		m.needReset = true
	}
	stop := set(cause{h.estop, interlock.ReasonEStop})
	imm := set(
		cause{h.gate, interlock.ReasonGate}, cause{d.pins, interlock.ReasonPinsSilent}, cause{d.link, silence},
		cause{h.stall, interlock.ReasonStalled}, cause{h.restart, interlock.ReasonRestart}, cause{h.clash, interlock.ReasonClash},
		cause{d.pull, interlock.ReasonRule}, cause{d.pullLost, interlock.ReasonRuleMissing},
		cause{power && (!d.pins && !mirror && m.bounce == never || d.notStaying), interlock.ReasonReadbackOpened},
		cause{power && !held && !m.grounded(), interlock.ReasonHold})
	if power && m.over(m.bounce, tBounce) {
		m.bounce = never
	}
	if m.state == interlock.Lowering {
		imm |= set(cause{d.grace, interlock.ReasonGraceOver}, cause{d.climbs, interlock.ReasonClimbing}, cause{d.height, interlock.ReasonHeightLost}, cause{d.down, interlock.ReasonDown})
	}
	var controlled uint64
	if power {
		controlled = set(cause{voltsNew, interlock.ReasonRule}, cause{voltsLostNew, interlock.ReasonRuleMissing})
	}
	if listed := imm&^set(cause{true, interlock.ReasonGate}, cause{true, interlock.ReasonHold}) | stop | set(cause{voltsNew, interlock.ReasonRule}, cause{voltsLostNew, interlock.ReasonRuleMissing}); listed != 0 && m.state == interlock.Tripped && !m.record {
		m.record, m.first = true, listed|fault // behind a craft that was lowered
	}
	// What falls into one instant says nothing of what came first.
	m.atOnce = fault | stop | imm
	m.causes = m.atOnce | controlled
	if fault != 0 && m.state != interlock.Fault {
		m.latch(interlock.Fault)
	}
	if stop != 0 && m.state != interlock.Fault && m.state != interlock.Tripped {
		m.latch(interlock.Tripped)
	}
	switch {
	case imm == 0:
	case m.state == interlock.Ready:
		m.open(interlock.Blocked)
		m.needReset = m.needReset || h.stall || h.clash // over at once: nothing else would hold it here
	case m.state == interlock.Blocked:
		m.needReset = m.needReset || h.stall || h.clash // over at once, and nobody looked meanwhile
	case imm&^set(cause{true, interlock.ReasonGate}, cause{true, interlock.ReasonHold}, cause{!d.notStaying, interlock.ReasonReadbackOpened}) == bit(interlock.ReasonDown) && m.state == interlock.Lowering:
		m.open(interlock.Tripped) // noted as lowered: no stop became due before
		if controlled != 0 && !m.record {
			m.record, m.first = true, controlled // but now
		}
	case m.state == interlock.Closing || m.state == interlock.Live || m.state == interlock.Lowering:
		m.latch(interlock.Tripped)
	}
	if !held {
		switch m.state {
		case interlock.Closing, interlock.Live, interlock.Lowering: // grounded, or it is tripped
			m.open(interlock.Blocked)
		}
	}

	// Controlled.
	grace := never
	if voltsNew {
		grace = m.now + floorGrace
	}
	if voltsLostNew {
		grace = min(grace, m.now+floorGrace/2)
	}
	switch m.state {
	case interlock.Ready, interlock.Closing:
		if d.volts || d.voltsLost {
			m.open(interlock.Blocked)
		}
	case interlock.Live:
		if grace != never {
			m.first, m.record = controlled, true
			m.lower(grace)
		}
	case interlock.Lowering:
		if grace != never && !m.record {
			m.first, m.record = controlled, true
		}
		m.grace = min(m.grace, grace)
	}

	// End.
	if h.end {
		switch m.state {
		case interlock.Ready, interlock.Closing:
			m.open(interlock.Blocked)
			m.needReset = true // over at once
		case interlock.Live:
			if m.grounded() {
				m.open(interlock.Blocked)
			} else {
				// An act of the crew, and no excursion: what it ends in makes the record.
				m.lower(m.now + tEndGrace)
			}
		}
	}
	if m.state == interlock.Lowering && !m.fresh(gHeight) { // lost before it began
		m.causes |= bit(interlock.ReasonHeightLost)
		m.latch(interlock.Tripped)
	}
	if h.sessionEnd {
		m.ended = true
		switch m.state {
		case interlock.Ready, interlock.Closing:
			m.open(interlock.Blocked)
		case interlock.Live, interlock.Lowering:
			if m.grounded() {
				m.open(interlock.Blocked)
			} else {
				m.causes |= bit(interlock.ReasonSessionEnd)
				m.latch(interlock.Tripped)
			}
		}
	}

	// Permissives.
	if (m.state == interlock.Ready || m.state == interlock.Closing) && !m.may(estop) {
		m.open(interlock.Blocked)
	}
	if began != m.state && m.state == interlock.Blocked && began != interlock.Ready {
		m.needReset = true // power reached the rotors, or was about to
	}

	// Reset. It says nothing of what came since it was pressed, if only in between.
	if h.estop || h.gate || h.closed || h.relayFailed || h.stall || h.restart || h.clash || !m.fit(estop, d) {
		m.pressed = never
	}
	if h.resetOn {
		m.pressed = never
		if m.fit(estop, m.dues()) {
			m.pressed = m.now
		}
	}
	if h.resetOff {
		if m.fit(estop, m.dues()) && m.pressed != never && m.now >= m.pressed+tResetLeast && m.now <= m.pressed+tResetMost {
			if m.state != interlock.Blocked {
				m.open(interlock.Blocked)
			}
			// What was on record before it is no cause of what comes after the next
			// start: first-out is "the cause that tripped first" of that run.
			m.record, m.first, m.needReset = false, 0, false
		}
		m.pressed = never
	}
	if m.state == interlock.Blocked && !m.needReset && !mirror && m.may(estop) {
		m.state, m.startOff = interlock.Ready, m.lines[interlock.Start].known && !m.on(interlock.Start)
	}

	// Start.
	if began == interlock.Ready && m.state == interlock.Ready {
		if h.start && m.startOff && held && !m.on(interlock.End) {
			m.state, m.closing = interlock.Closing, m.now
		}
		if h.startOff {
			m.startOff = true
		}
	}
	m.chain(idle)

	m.since(&m.down, m.state == interlock.Lowering && down)
	if m.state == interlock.Lowering && m.told(gClimb) && m.gauges[gClimb].v > 0.5 {
		m.since(&m.climbs, true)
	}
}

// heldUp is a host that stood still for d until at.
func (m *second) heldUp(at, d time.Duration) {
	m.before(at - d)
	m.now, m.hadPins = at, false
	for l := range m.lines {
		m.lines[l].at = min(m.lines[l].at, at-tPins)
	}
	if m.differ != never {
		m.differ = at // nobody could see the other contact follow
	}
	if m.rests != never {
		m.rests = at
	}
	m.letGo = m.relay && m.beat && d > tWatchdog+tDropOut
	low := m.told(gHeight) && m.told(gOutput)
	if !low || !m.told(gArmed) {
		m.atRest = never
	}
	if !low {
		m.onGround = never
	}
	m.needReset = m.needReset || m.state == interlock.Blocked || m.state == interlock.Ready
	m.causes = bit(interlock.ReasonStalled)
	switch m.state {
	case interlock.Ready:
		m.open(interlock.Blocked)
	case interlock.Closing, interlock.Live, interlock.Lowering:
		m.latch(interlock.Tripped)
	case interlock.Tripped:
		if !m.record {
			m.record, m.first = true, m.causes
		}
	}
}

type cause struct {
	is  bool
	why interlock.Reason
}

func set(causes ...cause) (bits uint64) {
	for _, c := range causes {
		if c.is {
			bits |= bit(c.why)
		}
	}
	return bits
}

// chain is what is commanded while closing, by time alone.
func (m *second) chain(idle bool) {
	if m.state != interlock.Closing {
		return
	}
	t := m.now - m.closing
	if t >= tHorn && !m.beat && !idle {
		m.open(interlock.Blocked)
		m.needReset = true
		return
	}
	m.relay = t >= tRelayAlone && t < tRelayAloneEnd || t >= tHorn
	m.beat = t >= tBeatAlone && t < tBeatAloneEnd || t >= tHorn
	if t >= tHorn && m.on(interlock.Readback) {
		m.state, m.closing, m.bounce = interlock.Live, never, m.now
	}
}

// open moves to a state in which the chain is open.
func (m *second) open(to interlock.State) {
	if m.relay && m.beat {
		m.stands, m.drops = m.now+2*m.standing, m.now
	}
	m.relay, m.beat, m.state, m.closing, m.grace, m.down, m.climbs, m.bounce, m.pressed = false, false, to, never, never, never, never, never, never
}

// latch trips or finds a fault. Either is on record.
func (m *second) latch(to interlock.State) {
	if m.first == 0 {
		m.first = m.causes
	}
	m.open(to)
	m.record = true
}

func (m *second) lower(grace time.Duration) {
	m.state, m.grace, m.down, m.climbs = interlock.Lowering, grace, never, never
}
