package interlock

import (
	"time"

	"downhaul/rules"
)

// unheard is the silence of the craft that is on record.
type unheard struct {
	trip   uint32        // its number, 0 for none
	from   time.Duration // the last word of the craft before it
	silent time.Duration // what of the time from there to the last frame was silence
	rule   int           // whose value had left its limit or caution before, −1 for none
}

// heardFor is how long after its last frame the craft counts as heard: the period of
// link.age. What another sensor tells later comes behind the silence.
const heardFor = 100 * time.Millisecond

// layCraft notes which channels fall silent with the craft.
func (e *Engine) layCraft() {
	for id := rules.ChannelID(1); id < rules.ChannelCount; id++ {
		for _, n := range e.site.Derived.Needs(id) {
			e.ofCraft[id] = e.ofCraft[id] || e.site.Fed[n] == rules.CraftSays
		}
	}
	e.ofCraft[rules.LinkAge], e.ofCraft[rules.LinkLoss] = true, true
}

// consequence puts a demand that a silence made behind the trip of that silence. The
// first of them makes that trip, as number next.
func (e *Engine) consequence(f Effect, first bool, next uint32) (behind, is Effect) {
	if !e.bySilence(f.At, f.Reason, f.Rule) {
		return Effect{}, f
	}
	id, _ := e.restsOn(f.Reason, f.Rule)
	if e.unheard.trip == 0 || e.lastFrame > e.unheard.from && !e.ofRecorded(e.told(id)) { // another silence
		behind = e.silenceAs(f.At, first)
		behind.Stop = f.Stop
		e.unheard = unheard{trip: next, from: e.lastFrame, rule: behind.Rule}
		if behind.Rule >= 0 {
			e.limits.Named(behind.Rule)
		}
		if f.Reason == ReasonLink {
			return behind, Effect{}
		}
	}
	f.Kind, f.Trip = ConsequenceEffect, e.unheard.trip
	return behind, f
}
