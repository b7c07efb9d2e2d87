package interlock

import (
	"downhaul/interlock/limits"
	"downhaul/rules"
	"fmt"
	"slices"
	"time"
)

// The engine's own timers, in the order in which they act at the same instant.
const (
	timerDropOut      = iota // readback must say open by now
	timerPowerRemains        // rotors and current must be gone by now
	timerPowerBack           // rotors or current came back and stayed until now
	timerPickUp              // readback must say closed by now
	timerBounce              // its contact must have come to rest by now
	timerDiscrepancy         // both emergency-stop contacts must agree by now
	timerPins                // input lines must have been read by now
	timerLink                // something must have been heard by now
	timerLinkAge             // the age of the link passes a limit or caution
	timerArmed               // the word "armed or not" is too old now
	timerLanded              // the word "landed or not" is too old now
	timerHeight              // height is lost now (while lowering)
	timerClimb               // climbing for too long now (while lowering)
	timerGroundHeight        // height is lost now (in a step on the ground)
	timerGroundPull          // the tie-down's pull is not told any more
	timerSlack               // the tie-down's pull is gone for long enough now
	timerGrace               // grace of the controlled stop ends
	timerDown                // down for long enough
	timerClosing             // next step of the closing sequence, at the end of the instant
	timerDisarmed            // the armed phase may be left
	timerGrounded            // the airborne phase may be left
	timerStill               // rotors count as standing without rpm
	timerSound               // "reset accepted" ends
	timerLoud                // the time in which a trip cannot be silenced ends
	timerTurned              // the anemometer's last pulse no longer counts for a start
	timerClash               // long enough without a second sender
	timerCount
)

// Engine decides. It is driven by one goroutine through Step and Advance.
type Engine struct {
	site    Site
	env     *rules.Envelope
	limits  *limits.Limits
	demands []demandRun // by rule index
	clock
	latch

	now     time.Duration
	started bool
	byPhase bool            // something is decided by the phase
	byAge   bool            // a rule or a permissive watches the age of the link
	ages    []time.Duration // ages of it at which something changes

	diskLow     bool
	overdue     uint64                 // proof tests overdue, by number
	cardAsks    bool                   // the test card asks for something that is not met
	ledgerHolds bool                   // a fault of the chain or a defect stands open
	ground      groundStep             // the step in force
	onGround    groundRun              // the one that runs
	powerGone   bool                   // power was seen gone, or had its time to go
	flowSeen    bool                   // a current was seen to flow since the chain closed last
	atRest      [len(currents)]float64 // each as the rotors stood behind the open chain, A

	armed, airborne bool
	heightOff       bool // the height is not near zero
	asksTurn        bool // a start wants a pulse of the anemometer
	windDoubt       bool // its silence may be a cut wire
	maxBoot         float64
	bootKnown       bool
	linkHeard       bool
	linkUp          bool
	lastFrame       time.Duration
	ofCraft         [rules.ChannelCount]bool // falls silent with the craft
	speeds, outputs []rules.ChannelID        // of each fitted motor
	unheard         unheard
	unknown         rules.ChannelID // the word on the phase that has just become too old
	permTold        []bool          // what was last logged while live
	panicked        func(p any)     // is told of a panic of a calculator; nil is nobody
}

// New makes the engine of one session. The envelope and the site must have
// been checked against each other. A rule on a channel that nothing feeds on
// this pad never acts; that it is named under [without] is checked with the
// files. New returns an error for what it cannot work out (a derived channel
// whose part of the site is not stated) or too many rules.
func New(env *rules.Envelope, site Site) (*Engine, error) {
	if env == nil {
		return nil, fmt.Errorf("interlock: no envelope given; read one first")
	}
	if len(env.Rules) > maxRules {
		return nil, fmt.Errorf("interlock: %d rules, at most %d fit", len(env.Rules), maxRules)
	}
	if site.Derived == nil {
		return nil, fmt.Errorf("interlock: the site does not say how channels are derived; give an empty derived.Config where none is")
	}
	e := &Engine{site: site, env: env}
	e.latch = latch{below: e, site: &e.site.Chain, clock: &e.clock, flash: rules.Never, rotors: site.Rotors}
	for i := range e.timers {
		e.timers[i] = rules.Never
	}
	e.armed, e.airborne = true, true
	e.demands = make([]demandRun, len(env.Rules))
	e.permTold = make([]bool, len(env.Permissives))
	if err := e.lay(); err != nil {
		return nil, err
	}
	switch {
	case site.PowerUp == EndedInFault:
		e.state = Fault
	case site.PowerUp == EndedInTrip:
		e.state = Tripped
	default:
		e.state = Blocked
	}
	e.out = make([]Effect, 0, 64+8*len(env.Rules))
	e.front = make([]Effect, 0, 16)
	return e, nil
}

// maxRules bounds an envelope; a person cannot read more, and the effects of
// one call stay bounded.
const maxRules = 4096

// Wanted says which channels the engine can use: what rules, permissives,
// derived channels and built-in interlocks read. Others may be left out of the
// input without changing any decision.
func (e *Engine) Wanted() [rules.ChannelCount]bool {
	var w [rules.ChannelCount]bool
	e.limits.Want(&w)
	for _, id := range e.builtinChannels() {
		w[id] = true
	}
	return w
}

// builtinChannels are what built-in interlocks and phases look at: with no
// latch to move, duty watch needs no rotor speed and no climb for them, and no
// height and outputs where no rule asks for a phase.
func (e *Engine) builtinChannels() []rules.ChannelID {
	ids := []rules.ChannelID{rules.CraftArmed, rules.CraftLanded, rules.CraftBootClock}
	if e.phased() {
		ids = append(ids, rules.Height, rules.MotorHighest)
	}
	if e.asksTurn {
		ids = append(ids, rules.WindSpeed)
	}
	if e.site.Duty == Guard {
		ids = append(ids, rules.Climb, rules.RotorSpeed, rules.Tension)
		ids = append(ids, e.speeds...)
		if e.site.IdleCurrent > 0 {
			ids = append(ids, currents[:]...)
		}
	}
	return ids
}

// phased reports whether something is decided by the phase. Where nothing is, armed
// and airborne are only shown, and the craft's plain word will do.
func (e *Engine) phased() bool {
	return e.site.Duty == Guard || slices.ContainsFunc(e.env.Rules, func(r rules.Rule) bool { return r.While != rules.Always })
}

// TrackHeadroom makes the engine remember each rule's least headroom.
func (e *Engine) TrackHeadroom() { e.limits.Track() }

// LeastHeadroom is the least distance of rule i to its limit while it was in
// force, SI, and when that was; ok is false if it never had a value.
func (e *Engine) LeastHeadroom(i int) (least float64, at time.Duration, ok bool) {
	return e.limits.Least(i)
}

// Step takes one input at engine time at. Deadlines at or before at act first,
// each at its own instant; only then is the input applied, so at a tie the
// timer wins. A time before the last one counts as the last one. The answer is
// valid until the next call; relay and heartbeat effects come first.
func (e *Engine) Step(at time.Duration, in Input) []Effect {
	if in.Kind == HostInput && in.Host == HostHeldUp {
		return e.heldUp(at, in)
	}
	e.begin(at)
	switch in.Kind {
	case SampleInput:
		s := in.Sample
		e.limits.Take(e.now, s.Channel, limits.Result{Value: s.Value, Quality: s.Quality, Cause: s.Cause})
	case LineInput:
		e.line(e.now, in.Line, in.On)
	case FrameInput:
		e.frame(e.now)
	case HostInput:
		e.host(e.now, in)
	}
	e.moved()
	for e.next <= e.now && e.fire(e.now) {
		// Fire any deadline that this input set for now, within the same call.
	}
	return e.answer()
}

// Advance lets every deadline at or before at act. Extra calls, early, late or
// superfluous, change no decision.
func (e *Engine) Advance(at time.Duration) []Effect {
	e.begin(at)
	return e.answer()
}

// Deadline is the next instant at which Advance is due: rules.Never if there is
// none. It may be early, never late.
func (e *Engine) Deadline() time.Duration { return e.next }

func (e *Engine) begin(at time.Duration) {
	e.clear()
	if !e.started {
		e.started = true
		e.powerUp()
	}
	if at < e.now {
		at = e.now
	}
	for e.next <= at {
		if !e.fire(at) {
			break
		}
	}
	if at > e.now {
		e.flush()
	}
	e.now = at
}

// answer is what this call decided.
func (e *Engine) answer() []Effect {
	e.flush()
	return e.out
}

// moved lets what an input or a timer has moved be looked at: what need not wait
// for the end of the instant at once, and the rest then.
func (e *Engine) moved() {
	if !e.dirty {
		return
	}
	if (e.state == Ready || e.state == Closing) && !e.allMet() {
		e.later(moveLost) // also where it is back before the instant is over
	}
	if e.moves == 0 { // else the sound follows them
		e.follow(e.now)
	}
	e.wake(e.now + 1)
}
