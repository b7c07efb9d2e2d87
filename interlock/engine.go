package interlock

import (
	"fmt"
	"slices"
	"time"

	"downhaul/interlock/limits"
	"downhaul/rules"
)

// Engine decides. It is driven by one goroutine through Step and Advance.
type Engine struct {
	site    Site
	env     *rules.Envelope
	limits  *limits.Limits
	demands []demandRun // by rule index
	clock               // its own timers, of the craft
	latch   latch

	now     time.Duration
	started bool
	byPhase bool            // something is decided by the phase
	byAge   bool            // a rule or a permissive watches the age of the link
	ages    []time.Duration // ages of it at which something changes

	bars     [hostCount]bool        // of HostDisk, HostCard and HostLedger: stands in the way of a start
	overdue  uint64                 // proof tests overdue, by number
	ground   groundStep             // the step in force
	onGround groundRun              // the one that runs
	flowSeen bool                   // a current was seen to flow since the chain closed last
	atRest   [len(currents)]float64 // each as the rotors stood behind the open chain, A

	armed, airborne bool
	agreement       time.Duration // after which a phase is left; each sign is told anew in it
	heightOff       bool          // the height is not near zero
	asksTurn        bool          // a start wants a pulse of the anemometer
	windDoubt       bool          // its silence may be a cut wire
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
	e.latch = newLatch(e, &e.site.Chain, site.Rotors, 64+8*len(env.Rules))
	e.clock = newClock(craftTimers)
	e.armed, e.airborne = true, true
	e.demands = make([]demandRun, len(env.Rules))
	e.permTold = make([]bool, len(env.Permissives))
	e.layCraft()
	e.speeds, e.outputs = e.site.Derived.Needs(rules.RotorSpeed), e.site.Derived.Needs(rules.MotorHighest)
	// Where nothing is decided by the phase, armed and airborne are only shown, and the
	// craft's plain word will do.
	e.byPhase = e.site.Duty == Guard || slices.ContainsFunc(e.env.Rules, func(r rules.Rule) bool { return r.While != rules.Always })
	for id := rules.ChannelID(1); id < rules.ChannelCount; id++ {
		if e.site.Duty == Guard && e.site.PulsesAlone && e.env.Watches(id) && slices.Contains(e.site.Derived.Needs(id), rules.WindSpeed) {
			e.asksTurn = true
		}
	}
	e.layAges()
	e.agreement = phaseAgreement
	for _, id := range [...]rules.ChannelID{rules.CraftArmed, rules.CraftLanded, rules.Height, rules.MotorHighest} {
		if old := e.site.Derived.Stale(id); old > id.Stale() {
			e.agreement = max(e.agreement, old+1)
		}
	}
	var err error
	if e.limits, err = limits.New((*fromLimits)(e), e.env, e.site.Derived, &e.site.Fed, e.site.ReadyAfter, e.builtinChannels()); err != nil {
		return nil, err
	}
	return e, nil
}

// layAges collects the ages at which a rule's side can change, rising: the
// first nanosecond past each limit and caution.
func (e *Engine) layAges() {
	past := func(limit float64) {
		age := seconds(limit)
		for float64(age)/1e9 <= limit && age < rules.Never/4 {
			age++
		}
		e.ages = append(e.ages, age)
	}
	e.byAge = e.env.Watches(rules.LinkAge)
	for i := range e.env.Rules {
		r := e.env.Rules[i]
		if r.Form == rules.Outside {
			r.Limit, r.Caution = r.LimitHigh, r.CautionHigh
		}
		if r.Watch != rules.LinkAge || r.Form != rules.Above && r.Form != rules.Outside {
			continue
		}
		if past(r.Limit); r.HasCaution {
			past(r.Caution)
		}
	}
	for i := range e.env.Permissives {
		if p := &e.env.Permissives[i]; p.Watch == rules.LinkAge {
			past(p.Limit)
		}
	}
	slices.Sort(e.ages)
}

// seconds turns SI seconds into a duration; what does not fit becomes Never/4,
// far beyond any session.
func seconds(s float64) time.Duration {
	if ns := s * 1e9; ns < float64(rules.Never/4) {
		return time.Duration(ns)
	}
	return rules.Never / 4
}

// maxRules bounds an envelope; a person cannot read more, and the effects of
// one call stay bounded.
const maxRules = 4096

// builtinChannels are what built-in interlocks and phases look at: with no
// latch to move, duty watch needs no rotor speed and no climb for them, and no
// height and outputs where no rule asks for a phase.
func (e *Engine) builtinChannels() []rules.ChannelID {
	ids := []rules.ChannelID{rules.CraftArmed, rules.CraftLanded, rules.CraftBootClock}
	if e.byPhase {
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

// Step takes one input at engine time at. Deadlines at or before at act first,
// each at its own instant; only then is the input applied, so at a tie the
// timer wins. A time before the last one counts as the last one. The input stays as it
// is and is not kept. The answer is valid until the next call; relay and heartbeat
// effects come first of what one instant brings.
func (e *Engine) Step(at time.Duration, in *Input) []Effect {
	if in.Kind == HostInput && in.Host == HostHeldUp {
		return e.heldUp(at, in)
	}
	e.begin(at)
	switch in.Kind {
	case SampleInput:
		s := &in.Sample
		e.limits.Take(e.now, s.Channel, limits.Result{Value: s.Value, Quality: s.Quality, Cause: s.Cause})
	case LineInput:
		e.latch.line(e.now, in.Line, in.On)
	case FrameInput:
		e.frame(e.now)
	case HostInput:
		e.host(e.now, in)
	}
	return e.settle()
}

// settle fires what an input made due at once, within the same call, and answers.
func (e *Engine) settle() []Effect {
	e.latch.moved(e.now)
	e.catchUp(e.now)
	return e.latch.answer()
}

// catchUp fires every deadline at or before at, each at its own instant.
func (e *Engine) catchUp(at time.Duration) {
	for e.Deadline() <= at && e.fire(at) {
	}
}

// heldUp takes the news that the loop did not run until now. The stall is a cause of
// its own, dated when the loop noticed it: what fell due meanwhile was decided by
// nobody then, so it acts now, behind it, and a silence that is only the loop's own
// does not stand as the first cause. What fell due before it acts at its own time:
// the loop may have done that in a turn that read nothing, which no recording shows.
// No level that was read before the stall says anything of the lines now.
func (e *Engine) heldUp(at time.Duration, in *Input) []Effect {
	length := time.Duration(in.Seq) * time.Millisecond
	e.begin(min(at, at-length+1)) // the last turn ended its instant, see Deadline
	if at > e.now {
		e.latch.over(e.now)
		e.now = at
	}
	e.latch.unread(e.now, length)
	before := e.latch.trips
	e.latch.builtinTripFor(e.now, EventImmediate, ReasonStalled, length)
	if e.latch.trips > before {
		e.unheard = unheard{trip: e.latch.trips, from: at - length, rule: -1} // nobody listened: what fell silent meanwhile stands behind the stall
	}
	return e.settle() // behind it what fell due while the loop stood still
}

// Advance lets every deadline at or before at act. Extra calls, early, late or
// superfluous, change no decision.
func (e *Engine) Advance(at time.Duration) []Effect {
	e.begin(at)
	return e.latch.answer()
}

// Deadline is the next instant at which Advance is due: rules.Never if there is
// none. It may be early, never late.
func (e *Engine) Deadline() time.Duration { return min(e.next, e.latch.next) }

func (e *Engine) begin(at time.Duration) {
	e.latch.clear()
	if !e.started {
		e.started = true
		e.latch.powerUp()
	} else if at <= e.now {
		return // the last call saw all that is due
	}
	at = max(at, e.now)
	e.catchUp(at)
	e.now = at
}
