package interlock

import (
	"time"

	"downhaul/rules"
)

// host takes what the host says.
func (e *Engine) host(at time.Duration, in Input) {
	note := Effect{Kind: NoteEffect, At: at, Rule: -1, Permissive: -1, On: in.On, Trip: in.Seq}
	switch in.Host {
	case HostKept:
		if in.Seq == 0 {
			e.kept = 0 // the records are no longer where they were kept
		}
		e.kept = max(e.kept, min(in.Seq, e.trips)) // nothing is kept before it is told
		e.dirty = true
		return
	case HostLost:
		note.Reason = ReasonLost
	case HostStalled:
		if e.state == Blocked {
			// The pins' silence, which ends first, has taken Ready away already:
			// the reset must not outlast a time in which nobody looked.
			e.resetDone, e.dirty = false, true
		}
		e.builtinTrip(at, EventImmediate, ReasonStalled)
		return
	case HostRelayFailed:
		e.relayBad = in.On
		e.dirty = true
		if in.On && e.state != Fault {
			e.failed(at, EventSelfTest, ReasonRelayFailed)
		}
		return
	case HostBroken:
		if !e.limits.Broken() {
			e.limits.Break()
			e.broke(at)
		}
		return
	case HostLink:
		note.Reason = ReasonLink
	case HostDisk:
		e.diskLow = in.On
		e.dirty = true
		note.Reason = ReasonDisk
	case HostProof:
		if in.Seq < 64 {
			if in.On {
				e.overdue |= 1 << in.Seq
			} else {
				e.overdue &^= 1 << in.Seq
			}
		}
		e.dirty = true
		note.Reason = ReasonProof
	case HostStopTime:
		e.rotors = rules.RotorsStanding{Standing: time.Duration(in.Seq) * time.Millisecond, Measured: in.On}
		e.dirty = true
		note.Reason = ReasonStopProven
	case HostGround:
		e.groundTold(at, groundStep{in.On, float64(in.Seq) / 1000})
		note.Reason = ReasonStep
	case HostReaction:
		e.limits.Expect(at, time.Duration(in.Seq)*time.Millisecond)
		note.Reason = ReasonReaction
	case HostCard:
		e.cardAsks = in.On
		e.dirty = true
		note.Reason = ReasonCard
	case HostLedger:
		e.ledgerHolds = in.On
		e.dirty = true
		note.Reason = ReasonLedger
	case HostClash:
		e.arm(timerClash, at+e.site.ReadyAfter)
		if e.state == Blocked {
			e.resetDone, e.dirty = false, true // as from ready, whatever else came first in this instant
		}
		e.builtinTrip(at, EventImmediate, ReasonClash)
		return
	case HostMark:
		note.Reason = ReasonMark
	case HostDeclared:
		note.Reason = ReasonDeclared
	case HostSensor:
		note.Reason = ReasonSensor
		note.Channel = in.Sample.Channel
	case HostEnd:
		e.ended = true
		e.resetDone = false
		e.later(moveSessionEnd)
		return
	default:
		return
	}
	e.emit(note)
}
