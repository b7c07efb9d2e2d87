package interlock_test

import (
	"time"

	"downhaul/interlock"
	"downhaul/rules"
)

// The second latch works out the same promises once more: it was written from the
// design's page alone, before its author had read the engine, and shares nothing with
// the engine but the words of its inputs. It is slow and plain: at every instant it
// looks at every fact anew, and the order of the table is the order of its lines.
//
// Where the page leaves something open, both were compared, and one reading stands:
//
//   - What falls into one instant says nothing of what came first. The state is by
//     the table's order; the first cause is any that tripped in that instant.
//   - A rule stands in the way of ready when its stop is due, on-delay and all: "a
//     rule's demand", not "a value past its limit".
//   - A reset that was made lasts through ready → blocked only where what was lost
//     shows for itself and will show again. What is over in an instant (end, a stall,
//     a second sender), the gate, lines that nobody read, and every way to blocked
//     from closing, live or lowering ask for a new one: stricter than the page.
//   - In blocked a reset says "searched, nobody inside", and needs stop, gate, lines,
//     mirror and relay in order; disarmed, kept and the rest is asked before ready. In
//     tripped and fault it needs all of them.
//   - A reset is of what came before its press: "cause gone", then "reset pressed and
//     released". "Conditions true at both" is read as true all the while between, and
//     what is over in an instant (a stall, a second sender, a restart) voids a press in
//     whatever state, also where it is on record already. So does every move of the latch.
//   - Contacts of the stop are told one after the other. They agree when each was read
//     since the other moved; that they differ is a fault when they still do at the end
//     of the time. "Second within the time" holds for a press that is over before, too:
//     once they rest closed for that time, both or neither must have opened. What they
//     did while nobody read the lines counts for both.
//   - Start must be off as ready begins, or be read off in it. It is refused while end is
//     held, which may have been pressed in blocked: "stop overrides start" (IEC 60204-1).
//   - Outputs are idle at the end of the horn; the page asks it of "closing done".
//   - A channel that says "no value" keeps its last one until that is too old (promise
//     3); it agrees with nothing meanwhile (promise 13).
//   - That nobody knows whether a craft known to be disarmed has landed does not put it
//     into the air: "disarmed or landed" (promise 13). But as the word "landed" turns
//     too old, a craft whose last word of armed is "no value" is not known to be
//     disarmed; and what was agreed upon with it is agreed upon anew, from the next word.
//   - The crew's end begins a controlled stop, and is no excursion: coming down makes no
//     record ("noted as lowered"), and everything else that ends it makes one. "Down"
//     counts its second from the beginning of the lowering.
//     What comes after it in tripped is listed, and makes the record, in the very
//     instant, too; who goes in to the craft opens the gate and lets go of the switch,
//     and makes none, nor does the mirror that opens: the second was over before.
//   - A mirror contact may bounce as it closes. Lines that nobody reads tell nothing of
//     the mirror, and one found closed behind a silence has its drop-out time anew.
//   - While the host stands still nobody decides: the stall acts when it is over, in
//     front of all that fell due meanwhile, and nothing that was read before says
//     anything of the lines.
//   - Of a craft that is not heard the silence is the cause, and what had left its
//     limit or caution before it stands in front: "then nothing heard". What another
//     sensor tells of once the silence has begun is not before it.
//   - "Height lost" goes by the derived height: whether a height can be believed is no
//     matter of the latch (promise 14). So are the numbers of the listed records: which
//     are not on disk is the host's word.

// The pad of the second latch. Times are short, and none is a multiple of another, so
// that much happens in little time and few things fall together by design.
const (
	tPickUp      = 61 * time.Millisecond
	tDropOut     = 53 * time.Millisecond
	tDiscrepancy = 71 * time.Millisecond
	tPins        = 45 * time.Millisecond
	tLink        = 151 * time.Millisecond
	tEndGrace    = 2809 * time.Millisecond
	tHealthy     = 307 * time.Millisecond
	tHorn        = 2003 * time.Millisecond
	tResetLeast  = 50 * time.Millisecond
	tResetMost   = 503 * time.Millisecond
	tStanding    = 149 * time.Millisecond
	tWatchdog    = 97 * time.Millisecond

	// The chain test inside the horn: the design names its two parts and leaves
	// the times to the engine; these are the engine's.
	tRelayAlone, tRelayAloneEnd = 500 * time.Millisecond, 900 * time.Millisecond
	tBeatAlone, tBeatAloneEnd   = 1200 * time.Millisecond, 1700 * time.Millisecond

	// A mirror contact bounces as it closes: no time of the design's, the engine's.
	tBounce = 20 * time.Millisecond

	// How long after its last frame the craft counts as heard, so that what another
	// sensor tells later comes behind the silence: the engine's.
	tHeard = 100 * time.Millisecond

	tPhase, tDown, tClimb = 2 * time.Second, time.Second, time.Second

	pullLimit, pullBack, pullLasting    = 1800, 1750, 40 * time.Millisecond
	floorLimit, floorBack, floorLasting = 40, 41, 30 * time.Millisecond
	floorGrace                          = 1601 * time.Millisecond
	calmLimit, pullCaution              = 5, 1400

	never = rules.Never
)

const secondEnvelope = `
version = 1
title = "second"
[[rule]]
name = "pull"
watch = "tether.tension"
above = "1800 N"
caution = "1400 N"
deadband = "50 N"
lasting = "40 ms"
stale_after = "113 ms"
stop = "immediate"
[[rule]]
name = "floor"
watch = "supply.voltage"
below = "40 V"
deadband = "1 V"
lasting = "30 ms"
stale_after = "521 ms"
stop = "controlled"
grace = "1601 ms"
[[permissive]]
name = "calm"
watch = "wind.speed"
below = "5 m/s"
`

// gauge is one channel as last heard.
type gauge struct {
	id      rules.ChannelID
	stale   time.Duration
	v       float64
	at      time.Duration // last good value; never if none
	healthy time.Duration // since when without a gap
	none    bool          // the last sample said that there is no value
}

const (
	gArmed = iota
	gLanded
	gHeight
	gClimb
	gOutput
	gPull
	gVolts
	gWind
	gCount
)

type contact struct {
	on, known   bool
	at          time.Duration
	read, moved int // which reading of all was the last, and which the last change
}

// second is all that the second latch remembers. It is copied by assignment.
type second struct {
	now   time.Duration
	state interlock.State
	hold  bool // hold-to-run is fitted

	relay, beat bool
	gauges      [gCount]gauge
	lines       [interlock.LineCount]contact
	readings    int
	heard       time.Duration // last frame
	boot        float64
	clashed     time.Duration // last time that two senders were heard

	relayBad, contactsBad      bool // failed tests that have not passed
	diskBad, proofBad, cardBad bool
	ledgerBad, unproven        bool
	broken                     bool // a part of the program failed
	ended                      bool
	needReset                  bool
	unkept                     bool // the host has a record that is not on disk

	differ       time.Duration // since when the two contacts differ; never
	rests        time.Duration // since when they rest after one opened; never
	wasOpen      [2]bool       // of them, since they rested
	overPull     time.Duration // since when; never
	nearPull     bool          // in caution, and not back by the deadband
	underVolts   time.Duration
	left         bool          // a limit or caution, as it was told before the craft fell silent
	standing     time.Duration // how long the rotors take to stand
	stands       time.Duration // when they stand after the last opening of a chain that could carry power
	closing      time.Duration // start of the closing
	grace        time.Duration // instant at which the controlled stop ends
	down, climbs time.Duration // since when
	onGround     time.Duration // since when landed, low and idle
	atRest       time.Duration // since when disarmed, low and idle
	armed, air   bool          // phases
	noLanded     bool          // the word "landed or not" is too old

	drops   time.Duration // since when a contactor that was closed has time to drop out
	bounce  time.Duration // since when the mirror contact may bounce; never
	hadPins bool
	letGo   bool // the watchdog has had its time: the mirror must read open
	far     bool // the height is not near zero

	pressed    time.Duration // reset; never if it does not count
	startOff   bool          // start was read off in ready
	wasLimit   bool
	wasMissing bool

	record bool   // a record of this episode was made
	first  uint64 // reasons that may stand as the first cause: bits
	causes uint64 // what tripped in this instant
	atOnce uint64 // and of it what must have opened the chain in the very call (promise 2)
}

func newSecond(hold bool) second {
	m := second{state: interlock.Blocked, hold: hold, clashed: never, needReset: true, heard: never, differ: never, rests: never, overPull: never, underVolts: never,
		standing: tStanding, stands: 2 * tStanding, drops: -time.Hour, bounce: never, closing: never, grace: never, down: never, climbs: never, onGround: never, atRest: never, armed: true, air: true, noLanded: true, pressed: never}
	for i, g := range []gauge{
		{id: rules.CraftArmed, stale: 2500 * time.Millisecond}, {id: rules.CraftLanded, stale: 1500 * time.Millisecond},
		{id: rules.HeightGlobal, stale: 300 * time.Millisecond}, {id: rules.ClimbGlobal, stale: 300 * time.Millisecond},
		{id: rules.Motor1Output, stale: 500 * time.Millisecond}, {id: rules.Tension, stale: 113 * time.Millisecond},
		{id: rules.SupplyVoltage, stale: 521 * time.Millisecond}, {id: rules.WindSpeed, stale: 3 * time.Second},
	} {
		g.at, g.healthy = never, never
		m.gauges[i] = g
	}
	return m
}

func bit(r interlock.Reason) uint64 { return 1 << r }

// after is t later than since, never if since is never.
func after(since, t time.Duration) time.Duration {
	if since == never {
		return never
	}
	return since + t
}

// over reports whether t has run since.
func (m *second) over(since, t time.Duration) bool { return since != never && m.now >= since+t }

func (m *second) fresh(i int) bool {
	return m.gauges[i].at != never && m.now < m.gauges[i].at+m.gauges[i].stale
}

// told is a fresh value of a channel that has one. A channel that says "no value"
// keeps its last one until that is too old (promise 3), but nothing can be agreed
// upon by it meanwhile (promise 13).
func (m *second) told(i int) bool { return m.fresh(i) && !m.gauges[i].none }

func (m *second) fitted(l interlock.Line) bool { return l != interlock.Hold || m.hold }

func (m *second) on(l interlock.Line) bool { return m.lines[l].known && m.lines[l].on }

// pinsLost: a line that nobody reads is no line. One is enough.
func (m *second) pinsLost() bool {
	for l, c := range m.lines {
		if m.fitted(interlock.Line(l)) && (!c.known || m.now >= c.at+tPins) {
			return true
		}
	}
	return false
}

// instants are all at which a fact can change by time alone.
func (m *second) instants(yield func(time.Duration)) {
	for l, c := range m.lines {
		if m.fitted(interlock.Line(l)) && c.known {
			yield(c.at + tPins)
		}
	}
	for _, g := range m.gauges {
		yield(after(g.at, g.stale))
		yield(after(g.healthy, tHealthy))
	}
	yield(after(m.heard, tLink))
	yield(after(m.clashed, tHealthy))
	yield(after(m.overPull, pullLasting))
	yield(after(m.underVolts, floorLasting))
	yield(after(m.differ, tDiscrepancy))
	yield(after(m.rests, tDiscrepancy))
	yield(m.drops + tDropOut)
	yield(after(m.bounce, tBounce))
	yield(m.stands)
	for _, d := range []time.Duration{tRelayAlone, tRelayAloneEnd, tBeatAlone, tBeatAloneEnd, tHorn, tHorn + tPickUp} {
		yield(after(m.closing, d))
	}
	yield(m.grace)
	yield(after(m.down, tDown))
	yield(after(m.climbs, tClimb))
	yield(after(m.onGround, tPhase))
	yield(after(m.atRest, tPhase))
}

// before does whatever time alone does before at.
func (m *second) before(at time.Duration) {
	for {
		next := never
		m.instants(func(t time.Duration) {
			if t > m.now && t < next {
				next = t
			}
		})
		if next >= at {
			return
		}
		m.now = next
		m.turn(nil)
	}
}

// at takes the inputs of one instant.
func (m *second) at(at time.Duration, inputs []interlock.Input) {
	m.before(at)
	m.now = at
	m.turn(inputs)
}

// happened is what an instant brings that does not stay.
type happened struct {
	stall, restart, clash, relayFailed, sessionEnd, broke bool
	closed, gate, estop                                   bool // read closed, open, open
	watchdog                                              bool // read closed where the watchdog had its time
	armed, air                                            bool // told so, if only in between
	word                                                  bool // of armed, landed, height or outputs, whatever it is
	end, start, startOff, resetOn, resetOff               bool
}

func (m *second) take(inputs []interlock.Input) (h happened) {
	for _, in := range inputs {
		switch in.Kind {
		case interlock.FrameInput:
			m.heard = m.now
		case interlock.SampleInput:
			m.sample(in.Sample, &h)
		case interlock.LineInput:
			m.read(in.Line, in.On, &h)
		case interlock.HostInput:
			switch in.Host {
			case interlock.HostStalled:
				h.stall = true
			case interlock.HostClash:
				h.clash, m.clashed = true, m.now
			case interlock.HostRelayFailed:
				h.relayFailed = h.relayFailed || in.On
				m.relayBad = in.On
			case interlock.HostDisk:
				m.diskBad = in.On
			case interlock.HostProof:
				m.proofBad = in.On
			case interlock.HostCard:
				m.cardBad = in.On
			case interlock.HostLedger:
				m.ledgerBad = in.On
			case interlock.HostStopTime:
				m.standing, m.unproven = time.Duration(in.Seq)*time.Millisecond, !in.On
			case interlock.HostBroken:
				h.broke, m.broken = true, true
			case interlock.HostEnd:
				h.sessionEnd = true
			}
		}
	}
	return h
}

func (m *second) read(l interlock.Line, on bool, h *happened) {
	c := &m.lines[l]
	edge := c.known && c.on != on
	m.readings++
	if edge || !c.known {
		c.moved = m.readings
	}
	c.on, c.known, c.at, c.read = on, true, m.now, m.readings
	switch l {
	case interlock.EStopA, interlock.EStopB:
		h.estop = h.estop || !on
		a, b := m.lines[interlock.EStopA], m.lines[interlock.EStopB]
		m.wasOpen[l-interlock.EStopA] = m.wasOpen[l-interlock.EStopA] || !on
		switch {
		case !a.known || !b.known:
		case a.on != b.on:
			m.since(&m.differ, true)
			m.rests = never
		case m.together():
			m.differ = never
			m.since(&m.rests, a.on && m.wasOpen != [2]bool{})
			if !a.on {
				m.contactsBad = false // seen open together: they work
			}
		}
	case interlock.Gate:
		h.gate = h.gate || !on
	case interlock.Readback:
		h.closed = h.closed || edge && on
		h.watchdog, m.letGo = h.watchdog || m.letGo && on, false
	case interlock.End:
		h.end = h.end || edge && on
	case interlock.Start:
		h.start = h.start || edge && on
		h.startOff = h.startOff || !on
	case interlock.Reset:
		if edge {
			h.resetOn, h.resetOff = on, !on
		}
	}
}

// differs reports whether the two contacts of the stop differ as they were read last.
func (m *second) differs() bool {
	return m.lines[interlock.EStopA].on != m.lines[interlock.EStopB].on
}

// judged ends the times of the contacts that are over.
func (m *second) judged() {
	if over := m.over(m.differ, tDiscrepancy) && !m.differs(); over || m.over(m.rests, tDiscrepancy) {
		if m.rests = never; over {
			m.differ = never // as last read they do not differ, if not at one time
		}
		if m.on(interlock.EStopA) && m.on(interlock.EStopB) {
			m.wasOpen = [2]bool{}
		}
	}
}

// together reports whether the two contacts of the stop stood at one time as they were read.
func (m *second) together() bool {
	a, b := m.lines[interlock.EStopA], m.lines[interlock.EStopB]
	return a.known && b.known && a.read > b.moved && b.read > a.moved
}

func (m *second) sample(s interlock.Sample, h *happened) {
	if s.Channel == rules.CraftBootClock {
		if s.Value < m.boot-1 { // less is datagrams that overtook each other
			h.restart = true
			// What was healthy belonged to the life before.
			for i := range m.gauges {
				m.gauges[i].healthy = never
			}
		}
		if h.restart || s.Value > m.boot {
			m.boot = s.Value
		}
		return
	}
	for i := range m.gauges {
		g := &m.gauges[i]
		if g.id != s.Channel {
			continue
		}
		h.word = h.word || i == gArmed || i == gLanded || i == gHeight || i == gOutput
		g.none = s.Quality != rules.Good
		if i == gLanded && (g.none || s.Value == 0) || i == gHeight && (g.none || s.Value >= 0.3) || i == gOutput && (g.none || s.Value > 0.25) {
			m.down = never // if only in between
		}
		if g.none {
			return
		}
		if !m.fresh(i) || g.healthy == never {
			g.healthy = m.now
		}
		g.v, g.at = s.Value, m.now
		if i == gPull {
			m.nearPull = g.v > pullCaution || m.nearPull && g.v > pullCaution-50
		}
		switch {
		case i == gPull && g.v > pullLimit && m.overPull == never:
			m.overPull = m.now
		case i == gPull && g.v <= pullBack:
			m.overPull = never
		case i == gVolts && g.v < floorLimit && m.underVolts == never:
			m.underVolts = m.now
		case i == gVolts && g.v >= floorBack:
			m.underVolts = never
		case i == gClimb && g.v <= 0.5:
			m.climbs = never
		case i == gArmed && g.v != 0:
			h.armed, m.atRest = true, never
		case i == gOutput && g.v > 0.15:
			m.atRest, m.onGround = never, never // if only in between
		case i == gLanded && g.v == 0:
			h.air, m.onGround = true, never
		case i == gHeight:
			m.far = g.v > 0.5 || m.far && g.v > 0.5-0.2 // near zero again: well inside
		}
		if (i == gPull || i == gVolts) && m.heard != never && m.now < m.heard+tHeard {
			m.left = m.nearPull || m.overPull != never || m.underVolts != never
		}
	}
}
