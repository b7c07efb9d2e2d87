package guard

import (
	"time"

	"downhaul/hw"
	"downhaul/interlock"
	"downhaul/interlock/day/intake"
	"downhaul/rules"
)

// chainLine is a line of the kill chain. Each answers for itself alone: that the relay
// can be written says nothing of the heartbeat.
type chainLine struct {
	hw.Output
	bad bool // its last write failed
}

func (l *Loop) chainBad() bool { return l.relay.bad || l.heartbeat.bad }

// output writes a line of the kill chain. A failed write stops the heartbeat
// at once; the engine learns of it by a host event, in the next turn at the latest.
func (l *Loop) output(line *chainLine, on bool) {
	was, err := l.chainBad(), line.Set(on)
	line.bad = err != nil
	if line.bad {
		l.outputErr, l.beatOn = err, false
	}
	switch bad := l.chainBad(); {
	case bad && !was:
		l.Host(intake.HostMessage{Host: interlock.HostRelayFailed, On: true, Text: err.Error()})
	case was && !bad:
		l.Host(intake.HostMessage{Host: interlock.HostRelayFailed})
	}
}

// outputs drives heartbeat, buzzer and lamp. The heartbeat toggles at most
// once a turn and never catches up in a burst.
func (l *Loop) outputs(now time.Duration) {
	if l.beatOn && now-l.beatAt >= beatEvery {
		l.edge()
	}
	if l.chainBad() && now >= l.retryAt {
		// Try the safe level again: until the writes work no reset is taken.
		l.retryAt = now + relayRetry
		l.output(&l.relay, false)
		if l.heartbeat.bad {
			l.output(&l.heartbeat, l.beat) // behind an open relay, and no edge
		}
	}
	l.buzz(now)
	if now >= l.lampUntil {
		l.lampUntil = rules.Never
		l.light(false)
	}
}

// edge writes one edge of the heartbeat, stamped when it is written: were it stamped with
// the turn's begin, a turn that is held up in its middle would be followed by
// an edge too soon. After a hold-up longer than the watchdog's window there is
// none: the next turn finds the stall.
func (l *Loop) edge() {
	at := l.cfg.Clock()
	if max(at-l.last, at-l.beatAt) > l.cfg.LongestGap {
		return
	}
	l.beat = !l.beat
	l.beatAt = at
	l.output(&l.heartbeat, l.beat)
}

func (l *Loop) buzz(now time.Duration) {
	on, _ := sounding(l.sound, now-l.soundSince)
	if now < l.lampUntil && l.lampUntil != rules.Never {
		on = on || l.lampUntil-now > lampFor/2 // the flash has its own sound
	}
	if on != l.buzzing {
		l.buzzing = on
		if err := l.buzzer.Set(on); err != nil {
			l.outputErr = err
		}
	}
}

func (l *Loop) light(on bool) {
	if on != l.lit {
		l.lit = on
		if err := l.lamp.Set(on); err != nil {
			l.outputErr = err
		}
	}
}

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

const ms = time.Millisecond

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
