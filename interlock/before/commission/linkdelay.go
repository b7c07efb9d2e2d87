package commission

import (
	"context"
	"fmt"
	"math"
	"strconv"
	"sync"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/telemetry/link"
	"downhaul/interlock/pad"
	"downhaul/rules"
)

// Limits of the link's test; ours.
const (
	// leanCounts is the lean at which a jerk counts, rad, and leanStill how far a craft
	// that is held still may lean meanwhile.
	leanCounts = 2 * math.Pi / 180
	leanStill  = leanCounts / 4
	heldFor    = time.Second
	jerksMade  = 3
	lampFor    = 700 * time.Millisecond
	// leanOld is how old a told attitude may be: links that tell it once a second are slow.
	leanOld = 1500 * time.Millisecond
)

// leaning is what the craft tells of its roll and pitch, rad.
type leaning struct {
	mu          sync.Mutex
	angle       [2]float64
	at          [2]time.Duration
	heard       [2]bool
	told        int
	first, last time.Duration
}

func (l *leaning) take(at time.Duration, s interlock.Sample) {
	i := int(s.Channel) - int(rules.Roll)
	if i < 0 || i >= len(l.angle) || s.Quality != rules.Good {
		return
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	l.angle[i], l.at[i], l.heard[i] = s.Value, at, true
	if i == 0 {
		if l.told == 0 {
			l.first = at
		}
		l.told++
		l.last = at
	}
}

// now is the newest roll and pitch; known is false unless both are fresh.
func (l *leaning) now(at time.Duration) (angle [2]float64, known bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for i := range l.angle {
		if !l.heard[i] || at-l.at[i] > leanOld {
			return angle, false
		}
	}
	return l.angle, true
}

// every is the mean time between two of them, 0 where it is not known.
func (l *leaning) every() time.Duration {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.told < 2 {
		return 0
	}
	return (l.last - l.first) / time.Duration(l.told-1)
}

// apart is the farther of the two angles between two attitudes.
func apart(a, b [2]float64) float64 { return max(math.Abs(a[0]-b[0]), math.Abs(a[1]-b[1])) }

// canFilm reports whether the constant delay of the pad's links can be measured here: by
// a lamp that a camera sees beside the craft.
func canFilm(p *pad.Pad) bool { return p.Board.Line("lamp").Fitted }

// offerLink offers the link's test where the pad file states no delay. It comes before
// the others, since each of them counts for one pad file.
func (b *bench) offerLink() {
	if canFilm(b.cfg.Pad) && b.cfg.Pad.LinkDelay() == 0 {
		b.crew.Say("The pad file states no delay under [[link]], so none is counted. A film of craft and lamp measures it: --only link_delay. Do that first, since what it finds goes into the pad file, and each test counts for one pad file.")
	}
}

// linkDelay measures how late each link is, which nothing that only listens can see: a
// jerk by hand and the lamp that follows its telling are on one film. All that the film
// shows beside the link's own delay makes it longer, the safe side.
func (b *bench) linkDelay(t *trial) error {
	if !canFilm(b.cfg.Pad) {
		return skipped{"no lamp is fitted, by which a film could tell"}
	}
	yes, err := b.yes("Are the propellers off, the motors disarmed, the craft's telemetry on, and can somebody jerk one side of the craft by hand while a camera sees the craft and this pad's lamp in one picture?")
	if err != nil {
		return err
	}
	if !yes {
		return skipped{"no film could be made"}
	}
	for i, cfg := range b.cfg.Pad.LinkConfigs() {
		told := &leaning{}
		ctx, stop := context.WithCancel(b.ctx)
		wait, err := b.hear(ctx, []link.Config{cfg}, told.take)
		if err == nil {
			err = b.filmLink(t, i, told)
			stop()
			wait()
		}
		stop()
		if err != nil {
			return err
		}
	}
	return nil
}

// filmLink measures one link, by its number from 0.
func (b *bench) filmLink(t *trial, n int, told *leaning) error {
	name := fmt.Sprintf("link %d", n+1)
	b.crew.Say("Listening for the craft's attitude on " + name + ".")
	_, heard, err := b.rig.watch(b.ctx, listenFor, func(l *look) bool { _, known := told.now(l.at); return known })
	if err != nil {
		return err
	}
	if !heard {
		t.found("%s: the craft's attitude is not heard", name)
		return nil
	}
	b.crew.Say("Film craft and lamp in one picture, without a pause, until the lamp has lit three times.")
	for range jerksMade {
		base, still, err := b.atRest(told)
		if err != nil {
			return err
		}
		if !still {
			t.found("%s: the craft did not come to rest within %d s; hold it still", name, int(b.patience.Seconds()))
			return nil
		}
		leans := func(l *look) bool { angle, known := told.now(l.at); return known && apart(angle, base) >= leanCounts }
		_, seen, err := b.await("Jerk one side of the craft, quickly and once. The lamp lights when it is told.", leans, nil)
		if err != nil {
			return err
		}
		if !seen {
			t.found("%s: no jerk of 2 degrees or more was told", name)
			return nil
		}
		if err := b.cfg.Board.Lamp().Set(true); err != nil {
			return err
		}
		if err := b.rig.hold(b.ctx, lampFor); err != nil {
			return err
		}
		if err := b.cfg.Board.Lamp().Set(false); err != nil {
			return err
		}
	}
	pictures, rate := 0.0, 0.0
	number := func(into *float64, low, high float64) func(string) error {
		return func(answer string) (err error) {
			if *into, err = strconv.ParseFloat(answer, 64); err != nil || !(*into >= low && *into <= high) {
				return fmt.Errorf("answer with a number from %g to %g (got %q)", low, high, answer)
			}
			return nil
		}
	}
	if err := b.ask("How many pictures from the first in which the craft moves to the first in which the lamp is lit? The most of the three.", b.answers("such as 9"), number(&pictures, 0, 10000)); err != nil {
		return err
	}
	if err := b.ask("How many pictures a second has the film?", b.answers("such as 60"), number(&rate, 10, 1000)); err != nil {
		return err
	}
	// Craft and lamp each show up to one picture late: one more than was counted is the most.
	b.judgeLink(t, n, name, (pictures+1)/rate, told.every())
	return nil
}

// judgeLink holds what was measured against the pad file.
func (b *bench) judgeLink(t *trial, n int, name string, late float64, every time.Duration) {
	t.figure(name+", at most so late", late, "s")
	t.figure(name+", attitude told every", every.Seconds(), "s")
	t.note("%s: with two pictures of the film, the time between two attitudes and that of the jerk until it leans by 2 degrees: all on the high side. A first motion that is picked a picture late in the film, and a height that the autopilot smooths for longer than its attitude, are on the low side", name)
	mend := fmt.Sprintf("write delay = \"%.0f ms\" under its [[link]], and do all tests with that file", math.Ceil(late*100)*10)
	switch stated := b.cfg.Pad.Links[n].Delay; {
	case stated == 0:
		t.found("%s is late by up to %.2f s, and the pad file states none: %s", name, math.Ceil(late*100)/100, mend)
	case stated.Seconds() < late:
		t.found("%s is late by up to %.2f s, and the pad file counts %s: %s", name, math.Ceil(late*100)/100, rules.FormatDuration(stated), mend)
	default:
		t.note("%s: the pad file counts %s, which covers it", name, rules.FormatDuration(stated))
	}
}

// atRest waits until the craft is told to lean no further for a second; base is how it
// leans then.
func (b *bench) atRest(told *leaning) (base [2]float64, still bool, err error) {
	b.crew.Say("Hold the craft still.")
	since := time.Duration(-1)
	_, still, err = b.rig.watch(b.ctx, b.patience, func(l *look) bool {
		angle, known := told.now(l.at)
		if !known || since < 0 || apart(angle, base) > leanStill {
			base, since = angle, l.at
		}
		return known && l.at-since >= heldFor
	})
	return base, still, err
}
