package guard

import (
	"time"

	"downhaul/interlock"
)

// How each sound is said: to the ear what a text is to the eye.

const ms = time.Millisecond

// A sound is told apart by counts and lengths of one pitch, so that any
// buzzer can say it and any ear tell it, also between walls that echo. A fault
// and a trip begin on a tone longer than the flash's, which sounds over them.
// None is the signal to leave a building (ISO 8201: three of half a second, then
// a pause) or a gas alarm's (four short ones, then a pause). The lengths are on,
// off, on, off … and the whole repeats; 0 at the end means that it is said once.
var patterns = [...][]time.Duration{
	interlock.Silent:         nil,
	interlock.SoundReset:     {80 * ms, 400 * ms, 80 * ms, 0},
	interlock.SoundCaution:   {120 * ms, 1180 * ms},
	interlock.SoundClosing:   {250 * ms, 250 * ms},
	interlock.SoundBringDown: {500 * ms, 150 * ms, 120 * ms, 150 * ms},
	interlock.SoundTripped:   {2500 * ms, 500 * ms},
	interlock.SoundFault:     {400 * ms, 200 * ms, 400 * ms, 800 * ms},
}

// sounding reports whether the buzzer is on at a time after the sound began, and
// how long that stays so; hold 0 means for good.
func sounding(s interlock.Sound, since time.Duration) (on bool, hold time.Duration) {
	if int(s) >= len(patterns) || len(patterns[s]) == 0 {
		return false, 0
	}
	p := patterns[s]
	var whole time.Duration
	for _, d := range p {
		whole += d
	}
	if p[len(p)-1] == 0 {
		if since >= whole {
			return false, 0
		}
	} else {
		since %= whole
	}
	for i, d := range p {
		if since < d {
			return i%2 == 0, d - since
		}
		since -= d
	}
	return false, 0
}
