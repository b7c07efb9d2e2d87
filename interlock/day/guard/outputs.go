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
		l.tell(intake.HostMessage{Host: interlock.HostRelayFailed, On: true, Text: err.Error()})
	case was && !bad:
		l.tell(intake.HostMessage{Host: interlock.HostRelayFailed})
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
