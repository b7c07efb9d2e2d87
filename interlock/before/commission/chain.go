package commission

import (
	"errors"
	"time"

	"downhaul/hw/virtual"
)

// operations is how often the chain is worked: at least ten. bounceFor is how
// long contacts may bounce after they have closed; ours: several times the
// longest that is published for a small relay.
const (
	operations = 10
	bounceFor  = 4 * virtual.SignalBounce
)

// seen asks the crew where no readback tells.
func (b *bench) seen(t *trial, question, wrong string) error {
	yes, err := b.yes(question)
	if err == nil && !yes {
		t.found("%s", wrong)
	}
	return err
}

// patient does something again that only failed because this computer was held
// up for longer than the watchdog bears.
func (b *bench) patient(t *trial, do func() error) error {
	for try := 1; ; try++ {
		b.rig.longest = 0
		err := do()
		if err == nil && b.rig.longest > b.cfg.Pad.LongestGap {
			err = errSlow
		}
		if !errors.Is(err, errSlow) {
			return err
		}
		if try == mostTries {
			t.found("the heartbeat had a gap of %.0f ms, where the watchdog bears %.0f ms; %d tries", b.rig.longest.Seconds()*1e3, b.cfg.Pad.LongestGap.Seconds()*1e3, try)
			return nil
		}
		if err := b.rest(); err != nil {
			return err
		}
	}
}

// rest opens everything and waits until it has.
func (b *bench) rest() error {
	if err := b.rig.safe(); err != nil {
		return err
	}
	return b.rig.hold(b.ctx, max(leastHold, b.cfg.Pad.Contactor.DropOut)+virtual.WatchdogDrop)
}

// chain works relay, watchdog, contactor and readback.
func (b *bench) chain(t *trial) error {
	if err := b.stopFree(); err != nil {
		return err
	}
	p := b.cfg.Pad
	if !p.Contactor.Readback {
		return b.chainByEye(t)
	}
	b.crew.Say("The contactor is worked now, some ten times. Keep your hands off it.")
	if err := b.rest(); err != nil {
		return err
	}
	l, err := b.rig.read()
	if err != nil {
		return err
	}
	if closed(&l) {
		return b.closedAtRest(t)
	}
	for _, half := range []struct {
		relay, beat bool
		wrong       string
	}{
		{true, false, "the contactor closes on the relay alone: the watchdog is bridged, or holds without pulses"},
		{false, true, "the contactor closes on pulses alone: the guard relay is stuck, or its contact is bridged"},
	} {
		if err := b.patient(t, func() error { return b.halfAlone(t, half.relay, half.beat, half.wrong) }); err != nil || b.stays {
			return err
		}
	}
	if len(t.Found) > 0 {
		return nil
	}
	if err := b.operate(t); err != nil || b.stays || b.dead {
		return err
	}
	for _, high := range []bool{true, false} {
		if err := b.patient(t, func() error { return b.stopBeat(t, high) }); err != nil || b.stays {
			return err
		}
	}
	return nil
}

// stopFree wants the emergency stop not pressed, as far as lines tell it.
func (b *bench) stopFree() error {
	if err := b.rig.safe(); err != nil {
		return err
	}
	l, err := b.rig.read()
	if err != nil || b.stopIsFree(&l) {
		return err
	}
	_, ok, err := b.await("The emergency stop reads pressed. Twist it free.", b.stopIsFree, nil)
	if err == nil && !ok {
		return skipped{"the emergency stop reads pressed all the time"}
	}
	return err
}

// closedAtRest names why a readback says closed while everything is off. With
// the wrong way round it turns when the chain is worked; with a weld or a cut
// wire it stays.
func (b *bench) closedAtRest(t *trial) error {
	var turned bool
	err := b.patient(t, func() error {
		b.rig.startBeat()
		if err := b.rig.hold(b.ctx, warmUp); err != nil {
			return err
		}
		if err := b.rig.relay(true); err != nil {
			return err
		}
		_, ok, err := b.rig.watch(b.ctx, b.rig.longestMove(), open)
		turned = ok
		return err
	})
	if err != nil {
		return err
	}
	if err := b.rest(); err != nil {
		return err
	}
	if turned {
		b.dead = true
		t.found("the readback is wired the wrong way round: it says closed while the contactor is open; wire the mirror contact, or mend the line in the pad file")
		return nil
	}
	b.stays = true
	t.found("POWER NOT REMOVED, or not known to be: the readback says closed with the relay off. The contactor's main contact is welded, or the wire of its mirror contact is cut. Use the hard-wired stop")
	return nil
}

// halfAlone brings one half of the two that it takes.
func (b *bench) halfAlone(t *trial, relay, beat bool, wrong string) error {
	if beat {
		b.rig.startBeat()
	}
	if err := b.rig.relay(relay); err != nil {
		return err
	}
	_, shut, err := b.rig.watch(b.ctx, max(leastHold, b.cfg.Pad.Contactor.PickUp)+warmUp, closed)
	if err != nil {
		return err
	}
	if shut {
		t.found("%s", wrong)
	}
	if err := b.rest(); err != nil {
		return err
	}
	return b.mustBeOpen(t)
}

// mustBeOpen finds a contactor that is closed after all was let go.
func (b *bench) mustBeOpen(t *trial) error {
	l, err := b.rig.read()
	if err == nil && closed(&l) {
		b.stays = true
		t.found("POWER NOT REMOVED: the contactor reads closed after everything was let go; its main contact is welded, or the chain is bridged. Use the hard-wired stop")
	}
	return err
}

// operate closes and opens the chain and takes its times.
func (b *bench) operate(t *trial) error {
	p := b.cfg.Pad
	var ups, downs []time.Duration
	var bounce time.Duration
	for range operations {
		var up, down time.Duration
		var shut, opened bool
		err := b.patient(t, func() (err error) {
			if up, shut, err = b.rig.closeChain(b.ctx, sampleEvery); err != nil || !shut {
				return err
			}
			shutAt := b.rig.now()
			if _, _, err := b.rig.watch(b.ctx, bounceFor, func(l *look) bool {
				if open(l) {
					bounce = max(bounce, l.at-shutAt)
				}
				return false
			}); err != nil {
				return err
			}
			if _, fell, err := b.rig.watch(b.ctx, leastHold, open); err != nil {
				return err
			} else if fell {
				return errSlowOr(b, errOpened)
			}
			down, opened, err = b.rig.openRelay(b.ctx, sampleEvery)
			return err
		})
		switch {
		case errors.Is(err, errOpened):
			t.found("the contactor opened by itself while relay and pulses were there")
			return nil
		case err != nil:
			return err
		case len(t.Found) > 0:
			return nil
		case !shut:
			b.dead = true
			t.found("the chain is dead: the contactor did not close within %.1f s on relay and pulses. Look at the coil's supply and the coil, the wires of relay, heartbeat and mirror contact, and the emergency stop", b.rig.longestMove().Seconds())
			return nil
		case !opened:
			b.stays = true
			t.found("POWER NOT REMOVED: the contactor did not open within %.1f s of the relay; its main contact is welded, or the guard relay is stuck. Use the hard-wired stop", b.rig.longestMove().Seconds())
			return nil
		}
		ups, downs = append(ups, up), append(downs, down)
		if err := b.rig.hold(b.ctx, 50*time.Millisecond); err != nil {
			return err
		}
	}
	up, down := spreadOf(ups), spreadOf(downs)
	t.figure("operations", float64(len(ups)), "1")
	up.figures(t, "pick-up")
	down.figures(t, "drop-out")
	t.figure("bounce after closing, most", bounce.Seconds(), "s")
	if up.most > p.Contactor.PickUp {
		t.found("pick-up took %.0f ms, and the pad file allows %.0f ms ([contactor] pick_up)", up.most.Seconds()*1e3, p.Contactor.PickUp.Seconds()*1e3)
	}
	if down.most > p.Contactor.DropOut {
		t.found("drop-out took %.0f ms, and the pad file allows %.0f ms ([contactor] drop_out)", down.most.Seconds()*1e3, p.Contactor.DropOut.Seconds()*1e3)
	}
	return b.rest()
}

// errOpened: the contactor opened uncommanded.
var errOpened = errors.New("the contactor opened by itself")

// errSlowOr is errSlow where a gap of the heartbeat explains what was seen.
func errSlowOr(b *bench, err error) error {
	if b.rig.longest > b.cfg.Pad.LongestGap {
		return errSlow
	}
	return err
}

// watchdogWindow is from the last pulse to an open contactor, at most.
func (b *bench) watchdogWindow() time.Duration {
	p := b.cfg.Pad
	return virtual.WatchdogDrop + max(0, p.LongestGap-virtual.MostGap) + p.Contactor.DropOut
}

// stopBeat lets the heartbeat stand at one level with the relay on: the
// watchdog must let go.
func (b *bench) stopBeat(t *trial, high bool) error {
	if _, ok, err := b.rig.closeChain(b.ctx, sampleEvery); err != nil {
		return err
	} else if !ok {
		return errSlowOr(b, errors.New("the contactor did not close again"))
	}
	if _, ok, err := b.rig.watch(b.ctx, time.Second, func(*look) bool { return b.rig.level == high && b.rig.now()-b.rig.beatAt < sampleEvery*4 }); err != nil {
		return err
	} else if !ok {
		return errSlow
	}
	b.rig.beating = false
	last := b.rig.beatAt
	limit := b.watchdogWindow()
	l, fell, err := b.rig.watch(b.ctx, limit+b.rig.longestMove(), open)
	if err != nil {
		return err
	}
	word := map[bool]string{true: "high", false: "low"}[high]
	if err := b.rest(); err != nil {
		return err
	}
	switch took := l.at - last; {
	case !fell:
		t.found("the watchdog holds a heartbeat that stands %s", word)
	default:
		t.figure("last pulse to open, standing "+word, took.Seconds(), "s")
		if took > limit {
			t.found("the contactor opened %.0f ms after the last pulse, standing %s; at most %.0f ms is right", took.Seconds()*1e3, word, limit.Seconds()*1e3)
		}
	}
	return b.mustBeOpen(t)
}

// chainByEye is the test where no mirror contact is wired: the crew is the
// readback, and no time is known.
func (b *bench) chainByEye(t *trial) error {
	t.note("judged by eye: this pad has no readback, and no time was measured")
	steps := []struct {
		say, question, wrong string
		relay, beat          bool
	}{
		{"Relay without pulses for two seconds.", "Did the contactor stay open?", "the contactor closes on the relay alone: the watchdog is bridged", true, false},
		{"Pulses without the relay for two seconds.", "Did the contactor stay open?", "the contactor closes on pulses alone: the guard relay is stuck", false, true},
	}
	for _, s := range steps {
		b.crew.Say(s.say)
		if s.beat {
			b.rig.startBeat()
		}
		if err := b.rig.relay(s.relay); err != nil {
			return err
		}
		if err := b.rig.hold(b.ctx, 2*time.Second); err != nil {
			return err
		}
		if err := b.seen(t, s.question, s.wrong); err != nil {
			return err
		}
	}
	b.crew.Say("Relay and pulses together, ten times. Count how often it closes and opens.")
	for range operations {
		if _, _, err := b.rig.closeChain(b.ctx, sampleEvery); err != nil {
			return err
		}
		if err := b.rig.hold(b.ctx, leastHold); err != nil {
			return err
		}
		if _, _, err := b.rig.openRelay(b.ctx, sampleEvery); err != nil {
			return err
		}
		if err := b.rig.hold(b.ctx, leastHold); err != nil {
			return err
		}
	}
	t.figure("operations", operations, "1")
	if err := b.seen(t, "Did the contactor close and open ten times, and is it open now?", "the contactor did not follow the relay"); err != nil {
		return err
	}
	b.crew.Say("Relay on, and the pulses stop.")
	if _, _, err := b.rig.closeChain(b.ctx, sampleEvery); err != nil {
		return err
	}
	b.rig.beating = false
	if err := b.rig.hold(b.ctx, b.watchdogWindow()+time.Second); err != nil {
		return err
	}
	return b.seen(t, "Did the contactor close and then open by itself within a second?", "the watchdog does not let go without pulses")
}
