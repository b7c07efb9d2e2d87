package commission

import (
	"fmt"
	"slices"
	"time"

	"downhaul/interlock"
)

var contactWord = map[interlock.Line]string{interlock.EStopA: "A", interlock.EStopB: "B"}

// stopContacts are the contacts of the emergency stop that lines tell.
func (b *bench) stopContacts() []interlock.Line {
	var out []interlock.Line
	for _, l := range []interlock.Line{interlock.EStopA, interlock.EStopB} {
		if b.rig.lines[l].Fitted {
			out = append(out, l)
		}
	}
	return out
}

// stopIsFree reports whether all of them are closed.
func (b *bench) stopIsFree(l *look) bool {
	return !slices.ContainsFunc(b.stopContacts(), func(c interlock.Line) bool { return !l.on[c] })
}

// shut closes the chain for a test that wants to see it opened. Where it can
// not be, the lines alone are tested, and that is found.
func (b *bench) shut(t *trial) (live bool, err error) {
	if b.dead {
		return false, nil
	}
	err = b.patient(t, func() error {
		_, ok, err := b.rig.closeChain(b.ctx, sampleEvery)
		if live = ok; err == nil && ok {
			err = b.rig.hold(b.ctx, bounceFor)
		}
		return err
	})
	if err == nil && !live {
		b.dead = true
	}
	return live, err
}

// stop tests the emergency stop: pressed as a whole, and each contact alone,
// with the contactor closed, which must open although the relay stays on.
func (b *bench) stop(t *trial) error {
	if err := b.stopFree(); err != nil {
		return err
	}
	contacts := b.stopContacts()
	if err := b.press(t, contacts); err != nil || b.stays {
		return err
	}
	if err := b.releaseStop(t); err != nil || b.stays {
		return err
	}
	if len(contacts) > 1 {
		for _, c := range contacts {
			if err := b.contactAlone(t, c, contacts); err != nil || b.stays {
				return err
			}
		}
	} else {
		t.note("one contact only is wired to a line; that both open cannot be seen here")
	}
	if b.dead {
		t.found("the chain does not close, so that the emergency stop could not be seen to open it")
	}
	return nil
}

// opening is what was seen from the first contact on.
type opening struct {
	first, fell time.Duration
	at          [interlock.LineCount]time.Duration
	open        [interlock.LineCount]bool
	hasFallen   bool
}

// follow keeps when each contact was first seen open, and the contactor.
func (o *opening) follow(l *look, contacts []interlock.Line) {
	for _, c := range contacts {
		if !l.on[c] && !o.open[c] {
			o.open[c], o.at[c] = true, l.at
		}
	}
	if open(l) && !o.hasFallen {
		o.hasFallen, o.fell = true, l.at
	}
}

// seeOpening waits for a contact to open and watches what follows. ok is false
// when the crew gave up.
func (b *bench) seeOpening(t *trial, do string, contacts []interlock.Line) (o opening, live, ok bool, err error) {
	if live, err = b.shut(t); err != nil {
		return o, live, false, err
	}
	moved := func(l *look) bool { return !b.stopIsFree(l) }
	p := b.cfg.Pad
	again := func() (err error) { live, err = b.shut(t); return err }
	var l look
	for try := 1; ; try++ {
		say := do
		if live && p.Contactor.Readback {
			say = "The contactor is closed now. " + do
		}
		l, ok, err = b.await(say, func(l *look) bool { return moved(l) || live && p.Contactor.Readback && open(l) }, again)
		if err != nil || !ok {
			return o, live, ok, err
		}
		if moved(&l) {
			break
		}
		// It opened and no contact did. The line may be the later contact of
		// the two; else the stop proves nothing now.
		o.hasFallen, o.fell = true, l.at
		if l, ok, err = b.rig.watch(b.ctx, p.Discrepancy, moved); err != nil {
			return o, live, false, err
		}
		if ok {
			break
		}
		o = opening{}
		if b.rig.longest <= p.LongestGap {
			t.found("the contactor opened by itself while relay and pulses were there and nobody had pressed the stop")
			return o, live, false, b.rig.safe()
		}
		if try == mostTries {
			t.found("this computer was held up for longer than the watchdog bears, %d times", try)
			return o, live, false, b.rig.safe()
		}
		if err := b.rest(); err != nil {
			return o, live, false, err
		}
		if err := again(); err != nil {
			return o, live, false, err
		}
	}
	o.first = l.at
	o.follow(&l, contacts)
	_, _, err = b.rig.watch(b.ctx, 2*max(p.Discrepancy, p.Contactor.DropOut, leastHold), func(l *look) bool { o.follow(l, contacts); return false })
	if err != nil {
		return o, live, true, err
	}
	// The relay goes off before anybody lets the stop go again.
	return o, live && b.cfg.Pad.Contactor.Readback, true, b.rig.safe()
}

// judgeFall holds the contactor against its drop-out time.
func (b *bench) judgeFall(t *trial, o *opening, what string) error {
	limit := b.cfg.Pad.Contactor.DropOut
	switch took := max(0, o.fell-o.first); {
	case !o.hasFallen:
		t.found("%s did not open the contactor while the relay was on: it does not stand in the supply of the contactor's coil, or is bridged", what)
		if err := b.rest(); err != nil {
			return err
		}
		return b.mustBeOpen(t)
	default:
		t.figure(what+", to open contactor", took.Seconds(), "s")
		if took > limit {
			t.found("%s opened the contactor only after %.0f ms; the pad file allows %.0f ms", what, took.Seconds()*1e3, limit.Seconds()*1e3)
		}
	}
	return nil
}

func (b *bench) press(t *trial, contacts []interlock.Line) error {
	o, live, ok, err := b.seeOpening(t, "Press the emergency stop, and leave it pressed.", contacts)
	if err != nil {
		return err
	}
	if !ok {
		if len(t.Found) == 0 {
			t.found("pressing the emergency stop was not seen on any line")
		}
		return nil
	}
	var last time.Duration
	for _, c := range contacts {
		if !o.open[c] {
			t.found("contact %s of the emergency stop (%s) did not open when it was pressed", contactWord[c], c)
			continue
		}
		last = max(last, o.at[c])
	}
	apart := last - o.first
	t.figure("contacts apart", apart.Seconds(), "s")
	if limit := b.cfg.Pad.Discrepancy; apart > limit {
		t.found("the contacts opened %.0f ms apart; the pad file allows %.0f ms ([estop] discrepancy)", apart.Seconds()*1e3, limit.Seconds()*1e3)
	}
	if !live {
		if !b.cfg.Pad.Contactor.Readback && !b.dead {
			return b.seen(t, "Did the contactor open when the stop was pressed?", "the emergency stop did not open the contactor while the relay was on")
		}
		return nil
	}
	return b.judgeFall(t, &o, "the emergency stop")
}

// releaseStop wants the contacts closed again, and the contactor still open.
func (b *bench) releaseStop(t *trial) error {
	_, ok, err := b.await("Twist the emergency stop free.", b.stopIsFree, nil)
	if err != nil {
		return err
	}
	if !ok {
		t.found("the contacts of the emergency stop did not close again")
		return cannotGoOn
	}
	if !b.cfg.Pad.Contactor.Readback || b.dead {
		return nil // what it says is not to be trusted
	}
	_, shut, err := b.rig.watch(b.ctx, max(leastHold, b.cfg.Pad.Contactor.PickUp), closed)
	if err == nil && shut {
		b.stays = true
		t.found("POWER CAME BACK when the emergency stop was let go, with the relay off. Use the hard-wired stop")
	}
	return err
}

// cannotGoOn ends a test; what was found makes it failed.
var cannotGoOn = skipped{"it cannot go on"}

// contactAlone opens one contact's wire: the other line must not follow, and
// the contactor must open by this one alone.
func (b *bench) contactAlone(t *trial, c interlock.Line, contacts []interlock.Line) error {
	do := fmt.Sprintf("Open the wire of contact %s of the emergency stop alone (%s), at the stop itself, and leave it open.", contactWord[c], c)
	before := len(t.Found)
	o, live, ok, err := b.seeOpening(t, do, contacts)
	if err != nil {
		return err
	}
	what := "contact " + contactWord[c] + " alone"
	if !ok {
		if len(t.Found) == before {
			t.found("%s was not seen to open", what)
		}
		return nil
	}
	for _, other := range contacts {
		switch {
		case other == c && !o.open[c]:
			t.found("the wire of contact %s moved another line than %s: the contacts are swapped, or the wrong wire was opened", contactWord[c], c)
		case other != c && o.open[other]:
			t.found("contact %s opened together with the wire of contact %s: the two lines are one circuit", contactWord[other], contactWord[c])
		}
	}
	if live {
		if err := b.judgeFall(t, &o, what); err != nil || b.stays {
			return err
		}
	}
	_, ok, err = b.await("Close that wire again.", b.stopIsFree, nil)
	if err == nil && !ok {
		t.found("%s did not close again", what)
		return cannotGoOn
	}
	return err
}
