package commission

import (
	"context"
	"errors"
	"fmt"
	"math"
	"sync"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/intake"
	"downhaul/interlock/day/telemetry/link"
	"downhaul/interlock/day/telemetry/link/reading"
	"downhaul/rules"
)

// stopTimeFigure names how long bare motors took to stop. It proves that the
// chain reaches them, and no stop: propellers run on for longer.
const stopTimeFigure = "relay open to rotors stopped"

// Limits of the rotors' test; ours.
const (
	stillRotor  = 1.0 // Hz, as the guard has it
	listenFor   = 3 * time.Second
	steadyFor   = 2 * time.Second
	longestStop = time.Minute
	filmFor     = 30 * time.Second
)

// tach is what the craft tells of its rotors.
type tach struct {
	count int
	mu    sync.Mutex
	at    [16]time.Duration
	hz    [16]float64
	heard [16]bool
	told  int
	first time.Duration
	last  time.Duration
}

// speed is the fastest rotor; known is false unless every one was told within
// its staleness.
func (r *tach) speed(now time.Duration) (hz float64, known bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for i := range r.count {
		if !r.heard[i] || now-r.at[i] > (rules.Motor1Speed+rules.ChannelID(i)).Stale() {
			return 0, false
		}
		hz = max(hz, math.Abs(r.hz[i]))
	}
	return hz, r.count > 0
}

// every is the mean spacing in which a rotor was told.
func (r *tach) every() time.Duration {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.told < 2 {
		return 0
	}
	return (r.last - r.first) / time.Duration(r.told-1)
}

func (r *tach) take(at time.Duration, s interlock.Sample) {
	i := int(s.Channel) - int(rules.Motor1Speed)
	if i < 0 || i >= r.count || s.Quality != rules.Good {
		return
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.at[i], r.hz[i], r.heard[i] = at, s.Value, true
	if i == 0 {
		if r.told == 0 {
			r.first = at
		}
		r.told++
		r.last = at
	}
}

// listen hears of the rotors on every link until ctx ends.
func (b *bench) listen(ctx context.Context) (r *tach, wait func(), err error) {
	r = &tach{count: min(b.cfg.Pad.Craft.Motors, len(r.at))}
	wait, err = b.hear(ctx, b.cfg.Pad.LinkConfigs(), r.take)
	return r, wait, err
}

// hear gives take every sample of the craft on these links until ctx ends. It only
// listens.
func (b *bench) hear(ctx context.Context, on []link.Config, take func(time.Duration, interlock.Sample)) (wait func(), err error) {
	in, err := intake.New(b.cfg.Pad.Intake())
	if err != nil {
		return nil, err
	}
	ctx, stop := context.WithCancel(ctx)
	var wg sync.WaitGroup
	wait = func() { // each link is closed by whoever reads it
		stop()
		wg.Wait()
	}
	if b.cfg.Hear == nil {
		return wait, nil
	}
	var mu sync.Mutex // of in: links run side by side
	for _, cfg := range on {
		l, err := b.cfg.Hear(cfg)
		if err != nil {
			wait()
			return nil, fmt.Errorf("open telemetry link %d: %w", cfg.Number, err)
		}
		wg.Go(func() {
			var inputs []interlock.Input
			_ = reading.Run(ctx, l, func(packet reading.Packet) {
				mu.Lock()
				at := b.cfg.Now()
				inputs = in.Append(inputs[:0], &intake.Chunk{At: at, Source: intake.Telemetry, Link: packet.Link, From: packet.From, To: packet.To, Bytes: packet.Bytes})
				mu.Unlock()
				for i := range inputs {
					if inputs[i].Kind == interlock.SampleInput {
						take(at, inputs[i].Sample)
					}
				}
			}, func(link.Event) {})
		})
	}
	return wait, nil
}

// rotors sees that the chain reaches the rotors: bare motors at idle stop when
// the relay opens. What the stop takes with propellers is measured in a step on
// the ground, under the guard itself.
func (b *bench) rotors(t *trial) error {
	if b.dead {
		t.found("the chain does not close")
		return nil
	}
	if err := b.stopFree(); err != nil {
		return err
	}
	yes, err := b.yes("Are the packs in, the propellers still off, everybody clear of the motors, and the pilot ready to run all motors at idle?")
	if err != nil {
		return err
	}
	if !yes {
		return skipped{"no motors could be run"}
	}
	t.note("with the propellers off: this proves the chain; how long the stop takes is measured tied down, under the guard")
	ctx, stop := context.WithCancel(b.ctx)
	rotors, wait, err := b.listen(ctx)
	if err != nil {
		stop()
		return err
	}
	defer wait()
	defer stop()
	if rotors.count > 0 && b.cfg.Hear != nil {
		b.crew.Say("Listening for the craft.")
		told := func(*look) bool { _, known := rotors.speed(b.rig.now()); return known }
		_, known, err := b.rig.watch(b.ctx, listenFor, told)
		if err != nil {
			return err
		}
		if known {
			measured, err := b.byTelemetry(t, rotors)
			if err != nil || measured || len(t.Found) > 0 {
				return err
			}
		} else {
			b.crew.Say("The craft does not tell how fast its rotors turn.")
		}
	}
	return b.byReading(t)
}

// byTelemetry opens the relay on rotors that the craft says turn, and waits
// until it says that they stand. It is false where the craft fell silent.
func (b *bench) byTelemetry(t *trial, rotors *tach) (measured bool, err error) {
	var since time.Duration = -1
	steady := func(l *look) bool {
		hz, known := rotors.speed(l.at)
		switch {
		case !known || hz <= stillRotor:
			since = -1
		case since < 0:
			since = l.at
		}
		return since >= 0 && l.at-since >= steadyFor
	}
	if live, err := b.shut(t); err != nil || !live {
		return false, errors.Join(err, deadChain(t))
	}
	again := func() error { _, err := b.shut(t); return err }
	_, ok, err := b.await("The contactor is closed. Pilot: run all motors at idle. The relay opens by itself when they have turned for two seconds.", steady, again)
	if err != nil {
		return false, err
	}
	if !ok {
		return false, nil
	}
	from := b.rig.now()
	if err := b.rig.relay(false); err != nil {
		return false, err
	}
	silent := false
	l, still, err := b.rig.watch(b.ctx, longestStop, func(l *look) bool {
		hz, known := rotors.speed(l.at)
		silent = !known
		return silent || hz <= stillRotor
	})
	if err := errors.Join(err, b.rig.safe()); err != nil {
		return false, err
	}
	if silent {
		b.crew.Say("The craft fell silent on its rotors when the relay opened; they must be looked at.")
		return false, nil
	}
	if !still {
		b.stays = true
		t.found("POWER NOT REMOVED: the craft says that rotors turn %.0f s after the relay opened. Use the hard-wired stop", longestStop.Seconds())
		return false, nil
	}
	t.figure(stopTimeFigure, (l.at - from).Seconds(), "s")
	t.figure("rotor speed told every", rotors.every().Seconds(), "s")
	t.note("method: rotor speed as the craft tells it")
	b.crew.Say(fmt.Sprintf("Relay open to rotors stopped: %.2f s.", (l.at - from).Seconds()))
	return true, nil
}

func deadChain(t *trial) error {
	t.found("the chain does not close")
	return nil
}

// byReading takes what somebody read off a film or a watch.
func (b *bench) byReading(t *trial) error {
	film, err := b.yes(fmt.Sprintf("Shall the relay close for %d s and then open, with a flash of the lamp and a tone, so that you can film or time the rotors?", int(filmFor.Seconds())))
	if err != nil {
		return err
	}
	if film {
		if live, err := b.shut(t); err != nil || !live {
			return errors.Join(err, deadChain(t))
		}
		b.crew.Say("The contactor is closed. Pilot: run all motors at idle.")
		if err := b.rig.hold(b.ctx, filmFor); err != nil {
			return err
		}
		if err := b.flash(); err != nil {
			return err
		}
	}
	var took time.Duration
	err = b.ask("How long did it take from the relay's opening until the last rotor stood?", b.answers("such as 2.4 s"), func(answer string) (err error) {
		took, err = rules.ParseDuration(answer)
		if err == nil && (took <= 0 || took > longestStop) {
			err = fmt.Errorf("a time of more than 0 and at most %s (got %q)", rules.FormatDuration(longestStop), answer)
		}
		return err
	})
	if err != nil {
		return err
	}
	method, err := b.text("How was it read?", "such as video at 60 frames a second, or stopwatch")
	if err != nil {
		return err
	}
	by, err := b.text("Who read it?", "initials")
	if err != nil {
		return err
	}
	t.figure(stopTimeFigure, took.Seconds(), "s")
	t.note("method: %s, read by %s", method, by)
	return nil
}

// flash opens the relay and shows it.
func (b *bench) flash() error {
	if err := b.rig.relay(false); err != nil {
		return err
	}
	for _, on := range []bool{true, false} {
		if err := errors.Join(b.cfg.Board.Lamp().Set(on), b.cfg.Board.Buzzer().Set(on)); err != nil {
			return err
		}
		if err := b.rig.hold(b.ctx, 700*time.Millisecond); err != nil {
			return err
		}
	}
	return b.rig.safe()
}
