package intake

import (
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/telemetry"
	"downhaul/rules"
)

// Figures of a current that is told in 16 bits. Ours, unless a source stands
// beside them.
const (
	// nearEnd is where a current is so near the end of its field, 327.67 A
	// (MAVLink common.xml), that the next may be past it.
	nearEnd = 300.0
	// farBelow is a value that nobody who saw the last one can tell from one that
	// went past the end and came out at the other side; but down to a rest it is
	// power that was taken off.
	farBelow = 150.0
	// noReturn is a negative current that no offset of a sensor explains.
	noReturn = -5.0
	// restHigh, restSpread and restFor: this little, this steady, for this long, is
	// a craft at rest. One that draws a whole turn of the field more, 655.36 A,
	// does not draw it that evenly.
	restHigh, restSpread = 20.0, 2.0
	restFor              = 10 * time.Second
	// chargeFor is over how long the charge drawn is held against the current. It
	// is told in whole mAh, so that 5 s tell 0.7 A; a turn of the field is 655 A.
	chargeFor                   = 5 * time.Second
	chargeApart, chargeTogether = 300.0, 100.0
)

// currents watches the currents that SYS_STATUS and BATTERY_STATUS tell in a
// field that rolls over above 327.67 A. A negative one is told as out of range by
// the field table; but far enough above, at 655.36 A and more, the number is
// positive again and looks well. So once a current came near the end of its
// field and was not seen to come back, or went past it, or the charge drawn
// contradicts it, it is doubtful: until the craft rests, or the charge agrees.
type currents [5]wrapping

// wrapping is what is known of one current.
type wrapping struct {
	near, past bool // the end of the field
	// Since when the current rests, and between which values.
	resting   bool
	rested    time.Duration
	low, high float64
	// The charge by the field since from, and by the sender's own count.
	counting bool
	from, at time.Duration
	amps     float64
	drawn    float64 // A·s
	charge   float64 // A·s
}

// currentPlace is the place of a current among the watched ones, −1 for others.
func currentPlace(id rules.ChannelID) int {
	const each = rules.Pack2Current - rules.Pack1Current
	if id == rules.SupplyCurrent {
		return 4
	}
	if id >= rules.Pack1Current && id <= rules.Pack4Current && (id-rules.Pack1Current)%each == 0 {
		return int((id - rules.Pack1Current) / each)
	}
	return -1
}

// take looks at the samples of one frame.
func (c *currents) take(samples []interlock.Input, at time.Duration, f *telemetry.Frame) {
	battery, charge, counted := telemetry.ChargeDrawn(f)
	for i := range samples {
		s := &samples[i].Sample
		k := currentPlace(s.Channel)
		if k < 0 {
			continue
		}
		w := &c[k]
		whole := *s
		w.look(at, s)
		if counted && battery == k {
			w.count(at, &whole, charge)
		}
		if w.past {
			*s = doubt(*s, rules.OutOfRange)
		}
	}
}

// look follows one current past the end of its field and back.
func (w *wrapping) look(at time.Duration, s *interlock.Sample) {
	v := s.Value
	rolled := s.Cause == rules.OutOfRange && (s.Quality == rules.Missing || v < noReturn || v >= nearEnd)
	switch {
	case rolled, w.near && s.Quality != rules.Missing && v < farBelow && v > restHigh:
		w.near, w.past, w.resting = false, true, false
		return
	case s.Quality == rules.Missing:
		w.resting = false
		return
	}
	w.near = v >= nearEnd
	if v > restHigh {
		w.resting = false
		return
	}
	if !w.resting {
		w.resting, w.rested, w.low, w.high = true, at, v, v
	}
	w.low, w.high = min(w.low, v), max(w.high, v)
	switch {
	case w.high-w.low > restSpread:
		w.resting = false
	case at-w.rested >= restFor:
		w.past = false
	}
}

// count holds the current against the charge that the sender says was drawn: it
// sums up before the number is cut down to the field.
func (w *wrapping) count(at time.Duration, s *interlock.Sample, charge float64) {
	if s.Quality == rules.Missing || s.Quality == rules.Doubtful && s.Value < noReturn {
		w.counting = false
		return
	}
	if !w.counting || charge < w.charge || at-w.at > chargeFor {
		w.counting, w.from, w.at, w.amps, w.drawn, w.charge = true, at, at, s.Value, 0, charge
		return
	}
	w.drawn += float64(float64(0.5*(w.amps+s.Value)) * (float64(at-w.at) / 1e9))
	w.at, w.amps = at, s.Value
	span := at - w.from
	if span < chargeFor {
		return
	}
	apart := (charge - w.charge - w.drawn) / (float64(span) / 1e9)
	switch {
	case apart > chargeApart:
		w.past = true
	case apart < chargeTogether && apart > -chargeTogether && charge > w.charge:
		w.past, w.near = false, false
	}
	w.from, w.drawn, w.charge = at, 0, charge
}
