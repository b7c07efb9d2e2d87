package guard

import (
	"time"

	"downhaul/hw"
	"downhaul/interlock"
	"downhaul/interlock/day/intake"
	"downhaul/rules"
)

// output writes a line of the kill chain. A failed write stops the heartbeat
// at once; the engine learns of it by a host event, in the next turn at the latest.
func (l *Loop) output(line hw.Output, on bool) {
	err := line.Set(on)
	if err == nil {
		if l.relayBad {
			l.relayBad = false
			l.Host(intake.HostMessage{Host: interlock.HostRelayFailed})
		}
		return
	}
	l.outputErr = err
	l.beatOn = false
	if !l.relayBad {
		l.relayBad = true
		l.Host(intake.HostMessage{Host: interlock.HostRelayFailed, On: true, Text: err.Error()})
	}
}

// outputs drives heartbeat, buzzer and lamp. The heartbeat toggles at most
// once a turn and never catches up in a burst.
func (l *Loop) outputs(now time.Duration) {
	if l.beatOn && now-l.beatAt >= beatEvery {
		l.heartbeat()
	}
	if l.relayBad && now >= l.retryAt {
		// Try the safe level again: until a write works no reset is taken.
		l.retryAt = now + relayRetry
		l.output(l.pin.relay, false)
	}
	l.buzz(now)
	if now >= l.lampUntil {
		l.lampUntil = rules.Never
		l.light(false)
	}
}

// heartbeat writes one edge, stamped when it is written: were it stamped with
// the turn's begin, a turn that is held up in its middle would be followed by
// an edge too soon. After a hold-up longer than the watchdog's window there is
// none: the next turn finds the stall.
func (l *Loop) heartbeat() {
	at := l.cfg.Clock()
	if max(at-l.last, at-l.beatAt) > l.cfg.LongestGap {
		return
	}
	l.beat = !l.beat
	l.beatAt = at
	l.output(l.pin.heartbeat, l.beat)
}

func (l *Loop) buzz(now time.Duration) {
	on, _ := sounding(l.sound, now-l.soundSince)
	if now < l.lampUntil && l.lampUntil != rules.Never {
		on = on || l.lampUntil-now > lampFor/2 // the flash has its own sound
	}
	if on != l.buzzing {
		l.buzzing = on
		if err := l.pin.buzzer.Set(on); err != nil {
			l.outputErr = err
		}
	}
}

func (l *Loop) light(on bool) {
	if on != l.lit {
		l.lit = on
		if err := l.pin.lamp.Set(on); err != nil {
			l.outputErr = err
		}
	}
}
