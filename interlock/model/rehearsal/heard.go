package rehearsal

import (
	"slices"
	"strings"
	"time"

	"downhaul/interlock"
	"downhaul/rules"
)

// watch hears what the guard decides, as it decides it.
func (f *flight) watch(env *rules.Envelope, e interlock.Effect) {
	if f.ended {
		return // its end is no act of the guard's
	}
	var what string
	rule := ""
	if e.Rule >= 0 && (e.Kind == interlock.TripEffect || e.Kind == interlock.CautionEffect) {
		rule = env.Rules[e.Rule].Name
	}
	why := ""
	switch e.Kind {
	case interlock.StateEffect:
		if e.From == e.State {
			return
		}
		why = e.Reason.String()
		f.say(e.At, "guard", strings.ToUpper(e.State.String())+": "+why+".")
		if e.State != interlock.Fault && !(e.From == interlock.Closing && e.State == interlock.Blocked) && e.State != interlock.Tripped {
			return
		}
		what = "power off"
		if e.State == interlock.Fault {
			what = "fault"
		}
	case interlock.TripEffect:
		if rule != "" && !slices.Contains(f.result.Demanded, rule) {
			f.result.Demanded = append(f.result.Demanded, rule)
		}
		why, what = interlock.FirstCause(env, e), "power off"
		if e.Stop != rules.Immediate {
			what = "bring it down"
		}
		f.say(e.At, "guard", strings.ToUpper(what[:1])+what[1:]+": "+why+".")
	case interlock.CautionEffect:
		if !e.On {
			return
		}
		why, what = interlock.FirstCause(env, e), "caution"
		f.say(e.At, "guard", "Caution: "+why+".")
	default:
		return
	}
	f.acted(e.At, what, why, rule)
}

// acted notes the first act behind the mishap, and the first stop of the flight.
func (f *flight) acted(at time.Duration, what, why, rule string) {
	if f.pressed == 0 || at < f.pressed {
		return
	}
	r := f.result
	first := First{At: at - max(f.mishapAt, f.pressed), What: what, Why: why, Rule: rule}
	if r.Acted == nil && (f.mishapAt >= 0 || what != "caution") {
		r.Acted = &first
	}
	if r.Stopped == nil && what != "caution" {
		r.Stopped, r.Lowering = &first, what == "bring it down"
	}
}

// conclude reports how the flight came out.
func (f *flight) conclude() {
	r := f.result
	r.Live, r.NoStart = f.live > 0, f.crew.gaveUp
	if c := r.Course; c != nil {
		c.Pressed, c.Mishap = f.pressed, f.mishapAt
		if r.Live {
			c.Live = f.live
		}
	}
	if r.NoStart != "" && r.Live {
		f.say(f.now, "crew", "Gives up waiting for "+r.NoStart+".")
	}
	switch r.Expect {
	case "":
		r.AsExpected = true
	case "none":
		r.AsExpected = r.Live && r.Stopped == nil
	case "stop":
		r.AsExpected = r.Live && r.NoStart == "" && r.Stopped != nil
	case "lowering":
		r.AsExpected = r.Live && r.NoStart == "" && r.Lowering
	case "no start":
		r.AsExpected = !r.Live && f.pressed > 0
	}
}
