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
		e.latch.keep(in.Seq)
		return
	case HostLost:
		note.Reason = ReasonLost
	case HostStalled:
		// The pins' silence, which ends first, has taken Ready away already.
		e.latch.outside(at, ReasonStalled)
		return
	case HostRelayFailed:
		e.latch.relayFailed(at, in.On)
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
		e.latch.unsettled()
		note.Reason = ReasonDisk
	case HostProof:
		if in.Seq < 64 {
			if in.On {
				e.overdue |= 1 << in.Seq
			} else {
				e.overdue &^= 1 << in.Seq
			}
		}
		e.latch.unsettled()
		note.Reason = ReasonProof
	case HostStopTime:
		e.latch.rotorsStand(rules.RotorsStanding{Standing: time.Duration(in.Seq) * time.Millisecond, Measured: in.On})
		note.Reason = ReasonStopProven
	case HostGround:
		e.groundTold(at, groundStep{in.On, float64(in.Seq) / 1000})
		note.Reason = ReasonStep
	case HostReaction:
		e.limits.Expect(at, time.Duration(in.Seq)*time.Millisecond)
		note.Reason = ReasonReaction
	case HostCard:
		e.cardAsks = in.On
		e.latch.unsettled()
		note.Reason = ReasonCard
	case HostLedger:
		e.ledgerHolds = in.On
		e.latch.unsettled()
		note.Reason = ReasonLedger
	case HostClash:
		e.arm(timerClash, at+e.site.ReadyAfter)
		e.latch.outside(at, ReasonClash)
		return
	case HostMark:
		note.Reason = ReasonMark
	case HostDeclared:
		note.Reason = ReasonDeclared
	case HostSensor:
		note.Reason = ReasonSensor
		note.Channel = in.Sample.Channel
	case HostEnd:
		e.latch.end()
		return
	default:
		return
	}
	e.latch.emit(note)
}

// Broke is told of a panic of a calculator.
func (f *fromLimits) Broke(at time.Duration, p any) {
	if f.panicked != nil {
		f.panicked(p)
	}
	(*Engine)(f).broke(at)
}

// broke acts on a panic of what reads links and sensors, or derives from them: a fault,
// and no reset in this session. A guard that only watches has no fault to enter: there
// it is a trip on record.
func (e *Engine) broke(at time.Duration) {
	e.latch.unsettled()
	if e.site.Duty == Watch {
		e.latch.builtinTrip(at, EventSelfTest, ReasonBroken)
		return
	}
	e.latch.failed(at, EventSelfTest, ReasonBroken)
}

// WhenBroken has f told, in the very call, what a calculator panicked with.
func (e *Engine) WhenBroken(f func(p any)) { e.panicked = f }

func (e *Engine) broken() bool { return e.limits.Broken() }
