package interlock

import (
	"time"

	"downhaul/interlock/limits"
	"downhaul/rules"
)

// View is what can be shown of an engine. The slices are reused by the next
// call with the same View.
type View struct {
	At, Since time.Duration
	State     State
	// Why is the reason of the last move of the latch.
	Why   Reason
	Duty  Duty
	Sound Sound
	// RelayOn is the relay command; Closed reports whether power may reach the rotors.
	RelayOn, Closed bool
	Armed, Airborne bool
	Heard           bool // something was heard from the craft lately
	// KeepOut stands from every closing until the craft is disarmed and the
	// rotors are known to stand; in duty watch, which opens nothing, while the
	// craft may be armed.
	KeepOut bool
	// WindTurns reports whether rotors turn behind the open chain with no power behind them.
	WindTurns bool
	// Hushed reports whether a sound was silenced although its cause stands.
	Hushed bool
	// ResetBar is what stands against a reset now, NoReason for nothing.
	ResetBar Reason
	// Unheld reports whether hold-to-run is fitted and not held: a start is refused.
	Unheld bool
	// Flash is the instant of the last flash of the lamp, FlashState the state
	// that it marked; Never if there was none.
	Flash      time.Duration
	FlashState State
	// ResetDone reports whether a reset was made and still counts.
	ResetDone bool
	// Grace is the instant at which a controlled stop takes the power off,
	// Never if none runs. Closing is the instant at which the relay closes.
	Grace, Closing time.Duration
	// First is the first-out of the episode; its Kind is 0 if there is none.
	First       Effect
	Trips, Kept uint32
	Standing    int
	Unmet       []Unmet
	Rules       []RuleView
	// Signs are what the phases rest on, and behind them what a start wants healthy.
	Signs []Sign
	// Disarms is the instant from which the craft counts as disarmed if its signs agree
	// until then; Never while they do not.
	Disarms time.Duration
	// Permissives is the last reading of each permissive's channel.
	Permissives []limits.Reading
	// Holds reports for each permissive whether it holds.
	Holds []bool
}

// Sign is something that a phase or a start rests on, as it comes.
type Sign struct {
	ID      rules.ChannelID
	From    rules.ChannelID // the measured channel behind it that was told longest ago
	Reading limits.Reading
	Told    time.Duration // when it was last told; Never if it was not
	Old     time.Duration // how old it may be
	Agrees  bool          // with a craft that is disarmed and landed; of a phase's sign
	// Apart is how far apart its values came when it was last longer than Old, at ApartAt.
	Apart, ApartAt time.Duration
}

// phaseSigns are what the phases rest on.
var phaseSigns = [...]rules.ChannelID{rules.CraftArmed, rules.CraftLanded, rules.Height, rules.MotorHighest}

// signs fills dst, which remembers from one call to the next what came too far apart: as
// far as calls come often enough to tell. The last one was at seen.
func (e *Engine) signs(dst []Sign, seen time.Duration) []Sign {
	before := dst
	dst = dst[:0]
	add := func(id rules.ChannelID, told, old time.Duration, agrees bool) {
		s := Sign{ID: id, Reading: e.limits.Reading(id), Told: told, Old: old, Agrees: agrees}
		for i, n := range e.limits.Needs(id) {
			if i == 0 || e.limits.Reading(n).At < e.limits.Reading(s.From).At {
				s.From = n
			}
		}
		if n := len(dst); n < len(before) && before[n].ID == id {
			if was := before[n]; was.Told != rules.Never && told-was.Told > old && e.now-seen <= old/2 {
				s.Apart, s.ApartAt = told-was.Told, e.now
			} else {
				s.Apart, s.ApartAt = was.Apart, was.ApartAt
			}
		}
		dst = append(dst, s)
	}
	for i, id := range phaseSigns {
		if e.limits.Feeds(id) && (e.byPhase || i < 2) {
			told := rules.Never
			if r := e.limits.Reading(id); r.Quality != rules.Missing || r.Cause != rules.NoCause {
				told = r.At
			}
			add(id, told, e.limits.Stale(id), [...]bool{e.flag(id, e.now) == 0, e.flag(id, e.now) == 1, e.low(e.now, e.site.LowHeight), e.outputsBelow(e.now, e.site.IdleOutput)}[i])
		}
	}
	for _, id := range e.limits.Needed() {
		told := rules.Never
		if h := e.limits.Health(id); h.Heard {
			told = h.Good
		}
		add(id, told, e.limits.Shortest(id), true)
	}
	return dst
}

// RuleView is one rule as it stands.
type RuleView struct {
	Reading  limits.Reading
	Age      time.Duration // since the last Good sample; Never if there was none
	HasValue bool
	Value    float64 // the rate for rate rules
	Headroom float64 // distance to the limit, SI; negative past it
	Side     rules.Side
	Caution  bool
	Demand   bool // a stop demand stands and counts
	Missing  bool
	InForce  bool
	Fed      bool
}

// View fills dst with the state as of the last Step or Advance.
func (e *Engine) View(dst *View) {
	unmet, ruleViews, perms, signs := dst.Unmet[:0], dst.Rules[:0], dst.Permissives[:0], e.signs(dst.Signs, dst.At)
	holds := append(dst.Holds[:0], e.limits.Holds()...)
	*dst = View{
		At: e.now, Since: e.latch.since, State: e.latch.state, Why: e.latch.why, Duty: e.site.Duty, Sound: e.latch.sound,
		RelayOn: e.latch.relayOn, Closed: e.latch.closed, Armed: e.armed, Airborne: e.airborne, Heard: e.linkUp,
		KeepOut:   e.latch.closed || e.armed || e.site.Duty == Guard && !e.latch.still(e.now),
		WindTurns: !e.latch.runs(timerPowerRemains) && e.rotorTurns(e.now, e.site.StillRotor) && e.windTurns(e.now),
		ResetDone: e.latch.resetDone, Grace: e.latch.timers[timerGrace], Closing: rules.Never,
		Hushed: e.latch.hushed(), ResetBar: e.latch.resetBar(e.now), Unheld: !e.latch.onIfFitted(Hold), Flash: e.latch.flash, FlashState: e.latch.flashState,
		First: e.latch.first, Trips: e.latch.trips, Kept: e.latch.kept, Standing: e.latch.standing,
	}
	if e.latch.state == Closing {
		dst.Closing = e.latch.since + e.site.Horn
	}
	e.eachUnmet(func(u Unmet) bool { unmet = append(unmet, u); return true })
	if e.latch.state == Blocked && e.site.Duty == Guard && !e.latch.resetDone {
		unmet = append(unmet, Unmet{Need: NeedReset})
	}
	for i := range e.env.Rules {
		ruleViews = append(ruleViews, e.ruleView(i))
	}
	for i := range e.env.Permissives {
		perms = append(perms, e.limits.Reading(e.env.Permissives[i].Watch))
	}
	dst.Unmet, dst.Rules, dst.Permissives = unmet, ruleViews, perms
	dst.Holds, dst.Signs, dst.Disarms = holds, signs, e.timers[timerDisarmed]
}

func (e *Engine) ruleView(i int) RuleView {
	rule, d := &e.env.Rules[i], &e.demands[i]
	now, health := e.limits.Rule(i), e.limits.Health(rule.Watch)
	v := RuleView{
		Reading: e.limits.Reading(rule.Watch), Age: rules.Never, HasValue: now.Seen, Value: now.Value,
		Caution: d.caution, Demand: d.counts(),
		Missing: now.Asks[limits.ByMissing] || !health.Heard, InForce: e.inForce(rule.While), Fed: e.limits.Feeds(rule.Watch),
	}
	if health.Heard {
		v.Age = e.now - health.Good
	}
	if now.Seen {
		v.Headroom = rule.Headroom(now.Value)
		v.Side = rule.Side(now.Value)
	}
	return v
}

// BlindFrom returns from when on rule i, if it is in force, has nothing to judge unless
// more is heard: 0 where it has nothing now for another cause than age.
func (e *Engine) BlindFrom(i int) (from time.Duration, inForce bool) {
	rule := &e.env.Rules[i]
	h := e.limits.Health(rule.Watch)
	if from = h.Good + rule.StaleAfter; !h.Heard || e.limits.Rule(i).Asks[limits.ByMissing] && from >= e.now {
		from = 0
	}
	return from, e.inForce(rule.While)
}

// Reading is the last reading of a channel.
func (e *Engine) Reading(id rules.ChannelID) limits.Reading {
	if id >= rules.ChannelCount {
		return limits.Reading{}
	}
	return e.limits.Reading(id)
}

// eachUnmet calls fn for every need that is not met, reset aside, until fn
// says stop. It is the one list that readiness, status, page and log show.
func (e *Engine) eachUnmet(fn func(Unmet) bool) {
	if e.site.Duty == Guard {
		_ = e.latch.eachUnmet(fn) && e.eachCraftUnmet(fn)
		return
	}
	// Nothing is ever started: only what cannot be watched counts.
	if fn(Unmet{Need: NeedGuardDuty}) && (e.linkUp || fn(Unmet{Need: NeedLink})) {
		e.eachChannelUnmet(fn)
	}
}

// hushed reports whether something is silent that would sound.
func (e *latch) hushed() bool {
	return e.tripHushed && (e.state == Tripped || e.site.Duty == Watch && e.watchSound() != Silent) ||
		e.cautionHushed && e.cautioned()
}
