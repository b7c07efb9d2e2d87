package commission

import (
	"time"
)

// jitterTurns is how many turns of a loop like the guard's are timed.
const (
	jitterTurns = 400
	jitterTurn  = 5 * time.Millisecond
	// closeEvery is the spacing of readings where times are taken closely.
	closeEvery = 50 * time.Microsecond
)

// latency measures this board and this computer: what a write and a reading
// take, from pin to contact, and how late a turn comes.
func (b *bench) latency(t *trial) error {
	if b.dead {
		t.found("the chain does not close")
		return nil
	}
	if err := b.stopFree(); err != nil {
		return err
	}
	b.crew.Say("The contactor is worked some ten times more. Keep your hands off it.")
	var ups, downs []time.Duration
	for range operations {
		var up, down time.Duration
		ok := false
		err := b.patient(t, func() (err error) {
			if up, ok, err = b.rig.closeChain(b.ctx, closeEvery); err != nil || !ok {
				return err
			}
			if err = b.rig.hold(b.ctx, leastHold); err != nil {
				return err
			}
			down, ok, err = b.rig.openRelay(b.ctx, closeEvery)
			return err
		})
		if err != nil || len(t.Found) > 0 {
			return err
		}
		if !ok {
			if err := b.rest(); err != nil {
				return err
			}
			t.found("the contactor did not follow the relay")
			return b.mustBeOpen(t)
		}
		ups, downs = append(ups, up), append(downs, down)
	}
	if err := b.rest(); err != nil {
		return err
	}
	t.figure("operations", operations, "1")
	spreadOf(ups).figures(t, "relay write to closed")
	down := spreadOf(downs)
	down.figures(t, "relay write to open")
	if limit := b.cfg.Pad.Contactor.DropOut; down.most > limit {
		t.found("the contactor opened %.0f ms after the relay's write; the pad file allows %.0f ms", down.most.Seconds()*1e3, limit.Seconds()*1e3)
	}
	return b.jitter(t)
}

// jitter turns like the guard's loop and takes how late each turn comes.
func (b *bench) jitter(t *trial) error {
	var late, reads, writes []time.Duration
	next := b.rig.now() + jitterTurn
	for range jitterTurns {
		if b.ctx.Err() != nil {
			return errBroken
		}
		b.rig.sleep(next - b.rig.now())
		now := b.rig.now()
		late = append(late, max(0, now-next))
		next = max(next+jitterTurn, now)
		l, err := b.rig.read()
		if err != nil {
			return err
		}
		reads = append(reads, l.at-l.before)
		// Off is what the relay is already: only the writing is timed.
		from := b.rig.now()
		if err := b.rig.relay(false); err != nil {
			return err
		}
		writes = append(writes, b.rig.now()-from)
	}
	spreadOf(reads).figures(t, "reading the lines")
	spreadOf(writes).figures(t, "writing the relay")
	lateness := spreadOf(late)
	lateness.figures(t, "a turn late by")
	if limit := b.cfg.Pad.LongestGap; lateness.most > limit {
		t.found("a turn came %.0f ms late, and the watchdog bears %.0f ms: this computer is too busy", lateness.most.Seconds()*1e3, limit.Seconds()*1e3)
	}
	return nil
}
