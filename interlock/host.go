package interlock

import (
	"time"

	"downhaul/rules"
)

// host takes what the host says.
func (e *Engine) host(at time.Duration, in *Input) {
	switch in.Host {
	case HostKept:
		e.latch.keep(in.Seq)
	case HostStalled:
		// The pins' silence, which ends first, has taken Ready away already.
		e.latch.outside(at, ReasonStalled)
	case HostRelayFailed:
		e.latch.relayFailed(at, in.On)
	case HostBroken:
		if !e.limits.Broken() {
			e.limits.Break()
			e.broke(at)
		}
	case HostDisk, HostCard, HostLedger:
		e.bars[in.Host] = in.On
		e.latch.unsettled()
	case HostProof:
		if bit := uint64(1) << in.Seq; in.On { // from 64 on it is none
			e.overdue |= bit
		} else {
			e.overdue &^= bit
		}
		e.latch.unsettled()
	case HostStopTime:
		e.latch.rotorsStand(rules.RotorsStanding{Standing: time.Duration(in.Seq) * time.Millisecond, Measured: in.On})
	case HostGround:
		e.groundTold(at, groundStep{in.On, float64(in.Seq) / 1000})
	case HostReaction:
		e.limits.Expect(at, time.Duration(in.Seq)*time.Millisecond)
	case HostClash:
		e.arm(timerClash, at+e.site.ReadyAfter)
		e.latch.outside(at, ReasonClash)
	case HostEnd:
		e.latch.end()
	}
	if in.Host >= hostCount || noteOf[in.Host] == NoReason {
		return
	}
	note := Effect{Kind: NoteEffect, At: at, Rule: -1, Permissive: -1, On: in.On, Trip: in.Seq, Reason: noteOf[in.Host]}
	if in.Host == HostSensor {
		note.Channel = in.Sample.Channel
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

func (e *Engine) broken() bool { return e.limits.Broken() }

// noteOf is what a host event is noted as; the others act, and leave what they do.
var noteOf = [hostCount]Reason{
	HostLost: ReasonLost, HostLink: ReasonLink, HostDisk: ReasonDisk, HostProof: ReasonProof, HostStopTime: ReasonStopProven,
	HostGround: ReasonStep, HostReaction: ReasonReaction, HostCard: ReasonCard, HostLedger: ReasonLedger,
	HostMark: ReasonMark, HostDeclared: ReasonDeclared, HostSensor: ReasonSensor,
}
