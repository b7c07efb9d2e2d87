package interlock

import (
	"time"

	"downhaul/rules"
)

// loudFor is how long a trip sounds at least: until then nothing silences it.
const loudFor = 10 * time.Second

// silence is what a person did about the sounds. It decides about the buzzer
// and nothing else: no latch, no reset and no readiness looks at it.
type silence struct {
	loud          bool // a trip came in the last ten seconds
	alarm         bool // a built-in interlock tripped in duty watch just now
	tripHushed    bool // until the next trip
	cautionHushed bool // until the next caution
	// hushing is the sound that reset was pressed for, Silent if it cannot be
	// silenced or something new came since.
	hushing Sound
}

// newTrip: whatever was silenced before, this is heard.
func (e *latch) newTrip(f Effect) {
	e.loud, e.tripHushed, e.hushing = true, false, Silent
	if e.site.Duty == Watch && f.Rule < 0 {
		e.alarm = true
	}
	e.arm(timerLoud, f.At+loudFor)
	e.dirty = true
}

// cautioning counts a caution: it came, or it went. A new one is heard.
func (e *latch) cautioning(came bool) {
	if e.dirty = true; !came {
		e.cautions--
		return
	}
	e.cautions++
	e.cautionHushed = false
	if e.hushing == SoundCaution {
		e.hushing = Silent
	}
}

// hushable is the sound now if a person may silence it: a caution at any time,
// a trip after its first ten seconds, and in duty watch, which latches nothing,
// every demand as a trip. A fault, a controlled stop and the start warning can
// not be silenced.
func (e *latch) hushable() Sound {
	switch s := e.soundNow(); {
	case s == SoundCaution:
		return s
	case s == SoundTripped && !e.loud, s == SoundBringDown && e.site.Duty == Watch && !e.loud:
		return s
	}
	return Silent
}

// hush silences what reset was pressed for, if that is still what is heard.
// Reset is the only button that does nothing else while something sounds.
func (e *latch) hush(at time.Duration) {
	s := e.hushing
	e.hushing = Silent
	if s == Silent || s != e.hushable() {
		return
	}
	if s == SoundCaution {
		e.cautionHushed = true
	} else {
		e.tripHushed = true
	}
	e.dirty = true
	e.emit(Effect{Kind: NoteEffect, At: at, On: true, Reason: ReasonSilenced, Rule: -1, Permissive: -1, Line: Reset})
}

// cautioned reports whether a caution stands that is worth hearing.
func (e *latch) cautioned() bool {
	return e.cautions > 0 && (e.state == Live || e.site.Duty == Watch)
}

// soundNow is the most urgent thing to say.
func (e *latch) soundNow() Sound {
	switch {
	case e.state == Fault:
		return SoundFault
	case e.state == Tripped && !e.tripHushed:
		return SoundTripped
	case e.state == Lowering:
		return SoundBringDown
	case e.state == Closing:
		return SoundClosing
	}
	if e.site.Duty == Watch && !e.tripHushed {
		if s := e.watchSound(); s != Silent {
			return s
		}
	}
	if e.cautioned() && !e.cautionHushed {
		return SoundCaution
	}
	if e.resetUntil {
		return SoundReset
	}
	return Silent
}

// watchSound is what the demands of duty watch sound like: as long as a rule's
// stands, or a built-in interlock's, and the latter for ten seconds at least,
// because most of those are over in an instant.
func (e *latch) watchSound() Sound {
	if e.alarm || e.builtinStands() {
		return SoundTripped
	}
	switch e.below.asked() {
	case rules.NoStop:
		return Silent
	case rules.Immediate:
		return SoundTripped
	}
	return SoundBringDown
}

// builtinStands says, for duty watch, that the cause of a built-in interlock
// is still there: emergency stop pressed, lines silent, craft silent. A gate
// may stay open: whoever goes in was heard.
func (e *latch) builtinStands() bool {
	a, b := &e.lines[EStopA], &e.lines[EStopB]
	return e.below.silent() || e.pinsLost || a.known && !a.on || b.known && !b.on
}
