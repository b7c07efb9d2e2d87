package told

import (
	"fmt"
	"math"
	"slices"

	"downhaul/interlock"
	"downhaul/rules"
)

// What a state means to the people at the pad, after the meanings that
// IEC 60073 gives to the colours red, yellow, green, blue and white. The word
// goes with the colour everywhere.
const (
	MeansDanger  = "DANGER"   // red: act at once
	MeansCaution = "CAUTION"  // yellow: take care, something may come
	MeansOrder   = "IN ORDER" // green: as it should be
	MeansAct     = "YOUR TURN"
	MeansWatch   = "WATCHING" // white: no meaning of its own
)

// Sentence is the state in one plain sentence, for the largest letters on any
// screen. Power that was not removed comes first, then that the relay is open.
func Sentence(v *interlock.View) string {
	switch v.State {
	case interlock.Ready:
		return "READY. RELAY OPEN: everybody clear, then start."
	case interlock.Closing:
		return "CLOSING. STAND CLEAR: power comes on after the horn."
	case interlock.Live:
		if cautions(v) {
			return "LIVE. KEEP OUT. CAUTION: a limit is near."
		}
		return "LIVE. KEEP OUT: power can reach the rotors."
	case interlock.Lowering:
		return "BRING IT DOWN. Power goes off when down, or when time is up."
	case interlock.Tripped:
		if v.KeepOut {
			return "TRIPPED. RELAY OPEN: stay clear. " + keepOut(v, "the rotors stand")
		}
		return "TRIPPED. RELAY OPEN: stay clear."
	case interlock.Fault:
		if powerRemains(v) {
			return "POWER NOT REMOVED: use the hard-wired stop."
		}
		return "FAULT. KEEP OUT. Trust only the hard-wired stop."
	}
	if v.Duty == interlock.Watch {
		if v.Standing > 0 {
			return "WATCHING ONLY. PAST A LIMIT: act by hand."
		}
		if cautions(v) {
			return "WATCHING ONLY. CAUTION: a limit is near."
		}
		return "WATCHING ONLY. This guard cannot take power off."
	}
	if v.KeepOut {
		return "RELAY OPEN: stay clear. " + keepOut(v, "disarmed and the rotors stand")
	}
	return "RELAY OPEN: stay clear. Not ready."
}

func keepOut(v *interlock.View, until string) string {
	if v.WindTurns {
		return "KEEP OUT: the wind turns the rotors."
	}
	return "KEEP OUT until " + until + "."
}

func cautions(v *interlock.View) bool {
	return slices.ContainsFunc(v.Rules, func(r interlock.RuleView) bool { return r.Caution })
}

func powerRemains(v *interlock.View) bool {
	return v.State == interlock.Fault && (v.Why == interlock.ReasonPowerRemains || v.Why == interlock.ReasonReadbackClosed)
}

// Meaning is what the state means, one of the Means constants.
func Meaning(v *interlock.View) string {
	switch v.State {
	case interlock.Ready:
		return MeansOrder
	case interlock.Closing, interlock.Live:
		return MeansCaution
	case interlock.Lowering, interlock.Tripped, interlock.Fault:
		return MeansDanger
	}
	switch {
	case v.Duty == interlock.Guard:
		return MeansAct
	case v.Standing > 0:
		return MeansDanger
	case cautions(v):
		return MeansCaution
	}
	return MeansWatch
}

// DoNow is what the crew does next, first things first.
func DoNow(v *interlock.View, env *rules.Envelope) (out []string) {
	say := func(format string, args ...any) { out = append(out, fmt.Sprintf(format, args...)) }
	out = []string{}
	if v.WindTurns && v.State != interlock.Fault {
		say("Keep out: rotors turn in the wind, with no power behind them. Wait until they stand.")
	}
	switch v.State {
	case interlock.Fault:
		say("Use the hard-wired stop. Nobody goes in.")
		if powerRemains(v) {
			// A contactor welded behind the stop's coil circuit does not open by it.
			say("If power stays on: land and disarm by the pilot's controls. Keep out until the rotors stand or the packs are empty.")
			say("Then find out why power stayed on. Reset works once it is known to be off.")
		} else if v.Why == interlock.ReasonEStopOne {
			say("Then find out why only one contact opened. Reset works once both have opened and closed: press the emergency stop and let it go.")
		} else if v.Why == interlock.ReasonBroken {
			say("Then end the guard and start it anew. The trip log holds what failed, for who mends the program.")
		} else {
			say("Then find out why: %s. Reset works once that is in order.", v.Why)
		}
		return out
	case interlock.Tripped:
		if v.KeepOut {
			say("Keep out until the craft is disarmed and the rotors are known to stand.")
		}
		resetNext(v, env, say)
		return out
	case interlock.Ready:
		if v.Unheld {
			say("Hold-to-run is not held, and without it no start is taken.")
		}
		say("Look round: nobody inside, everybody warned. Then %spress start.", map[bool]string{true: "hold it down and "}[v.Unheld])
		return out
	case interlock.Closing:
		say("Stand clear. Press end to break off.")
		return out
	case interlock.Lowering:
		if v.Grace != rules.Never {
			say("Land now. Power goes off in %.0f s at the latest.", math.Ceil(max(0, v.Grace-v.At).Seconds()))
		} else {
			say("Land now.")
		}
		if unsure := v.Unsure(); unsure != "" {
			say("The guard cannot tell for certain when it is down: %s.", unsure)
		}
		return out
	case interlock.Live:
		for i := range v.Rules {
			if v.Rules[i].Caution {
				say("Caution, %s: %s. Bring it back inside, or land.", env.Rules[i].Name, v.RuleNow(env, i))
			}
		}
		if len(out) == 0 {
			say("Nobody goes in. Land and press end when the step is done.")
		}
		if unsure := v.Unsure(); unsure != "" && (v.Armed || v.Airborne) {
			say("The guard cannot tell for certain when it has landed and is disarmed, and until then end is a controlled stop: %s.", unsure)
		}
		return out
	}
	if v.Duty == interlock.Watch {
		if v.Standing > 0 {
			say("Land by hand, or use the hard-wired stop. This guard only watches.")
		} else {
			say("Keep a hand at the hard-wired stop: nothing here takes power off.")
		}
		return out
	}
	if v.KeepOut {
		say("Keep out until the craft is disarmed and the rotors are known to stand.")
	}
	if v.State == interlock.Blocked && v.Why == interlock.ReasonNotIdle {
		say("The last start was broken off: the motor outputs were not idle, or they, or whether it is armed, were not told while the horn sounded.")
	}
	for _, u := range v.Unmet {
		if u.Need != interlock.NeedReset {
			say("Put in order what is listed under \"Not ready because\".")
			break
		}
	}
	if !v.ResetDone {
		resetNext(v, env, say)
	}
	return out
}

// resetNext reports what a reset still waits for.
func resetNext(v *interlock.View, env *rules.Envelope, say func(string, ...any)) {
	if v.ResetBar == interlock.ReasonArmed {
		say("Reset is not taken yet: %s%s.", v.ResetBar, v.Disarmed(env))
		return
	}
	if v.ResetBar != interlock.NoReason {
		say("Reset is not taken yet: %s.", v.ResetBar)
		return
	}
	say("Search the area: nobody inside, all of it in view. Then press and release reset.")
}
