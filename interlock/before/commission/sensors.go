package commission

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"downhaul/interlock/pad"
	"downhaul/rules"
)

// Limits of the sensors' tests; ours.
const (
	// Pulses that must come, and how fast a hand can turn cups.
	leastPulses = 10
	fastestHand = 100.0 // Hz
	// tareFor is how long counts are taken at each load.
	tareFor   = 2 * time.Second
	settleFor = time.Second
	// agreement of scale and zero with the pad file.
	agreement = 0.02
	// rateAgreement of the converter's rate with the pad file's.
	rateAgreement = 0.1
	// noiseShare is the most of the known load that the counts may scatter.
	noiseShare = 0.05
)

// anemometer takes pulses of cups that a hand turns.
func (b *bench) anemometer(t *trial) error {
	w := b.cfg.Pad.Wind
	b.rig.takeEdges()
	var at []time.Duration
	lost, bounces, quick := 0, 0, 0
	cuts, looks := 0, 0 // of the line that shows a cut wire
	take := func(l *look) bool {
		if looks++; !l.loop {
			cuts++
		}
		for _, e := range b.rig.takeEdges() {
			lost += e.Lost
			if e.Rise == w.OnFall {
				continue
			}
			if n := len(at); n > 0 {
				switch p := e.At - at[n-1]; {
				case p < w.Bounce:
					bounces++
					continue
				case p.Seconds() < 1/w.MaxHz:
					quick++
				}
			}
			at = append(at, e.At)
		}
		return len(at) >= leastPulses
	}
	_, ok, err := b.await("Turn the anemometer by hand, steadily and one way, until told to stop.", take, nil)
	if err != nil {
		return err
	}
	if ok {
		if _, _, err := b.rig.watch(b.ctx, 2*time.Second, func(l *look) bool { take(l); return false }); err != nil {
			return err
		}
		b.crew.Say("Enough; stop it.")
	}
	if err := b.rig.sensorTrouble(); err != nil {
		return err
	}
	t.figure("pulses", float64(len(at)), "1")
	t.figure("bounces left out", float64(bounces), "1")
	if !ok {
		t.found("%d pulses were seen where %d were wanted: the wire is cut, or the sensor dead", len(at), leastPulses)
		return nil
	}
	var periods []time.Duration
	for i := 1; i < len(at); i++ {
		periods = append(periods, at[i]-at[i-1])
	}
	slices.Sort(periods)
	middle := periods[len(periods)/2].Seconds()
	rate := 1 / middle
	mean := float64(len(periods)) / (at[len(at)-1] - at[0]).Seconds()
	t.figure("rate, by periods", rate, "Hz")
	t.figure("rate, by counts", mean, "Hz")
	t.figure("speed by the pad file", w.Offset+float64(w.Slope*rate), "m/s")
	if lost > 0 {
		t.found("%d edges were lost on the way", lost)
	}
	if quick > 0 {
		t.found("%d pulses came sooner than any wind turns it: the contact bounces ([wind] bounce in the pad file), or the wire catches noise", quick)
	}
	if rate > min(w.MaxHz, fastestHand) {
		t.found("%.0f Hz is faster than a hand turns it: noise on the wire, or more pulses a turn than one thinks", rate)
	}
	doubled := 0
	for _, p := range periods {
		if p.Seconds() < middle/3 {
			doubled++
		}
	}
	if 10*doubled > len(periods) {
		t.found("%d of %d periods are far shorter than the others: the contact bounces, or was not turned steadily", doubled, len(periods))
	}
	if !b.rig.loop.Fitted {
		return nil
	}
	if 0 < cuts && cuts < looks {
		t.found("wind_loop read cut while the cups turned (%d of %d looks): its bounds lie within the signal", cuts, looks)
	}
	return b.windLoop(t)
}

// counts is what a converter gave in a while.
type counts struct {
	n, failed, full    int
	mean, spread, rate float64
}

// takeCounts takes the converter's counts for a while.
func (b *bench) takeCounts() (counts, error) {
	const allOnes = -1 // a converter whose data line is held high
	low, high := int32(-1<<23), int32(1<<23-1)
	if c := b.cfg.Pad.LoadCell; c.Low < c.High {
		low, high = c.Low, c.High
	}
	// The load swings, and what the converter took before is still to come.
	if err := b.rig.hold(b.ctx, settleFor); err != nil {
		return counts{}, err
	}
	b.rig.takeCounts()
	from := b.rig.now()
	if err := b.rig.hold(b.ctx, tareFor); err != nil {
		return counts{}, err
	}
	took := b.rig.now() - from
	var c counts
	least, most := math.Inf(1), math.Inf(-1)
	var sum float64
	got := b.rig.takeCounts()
	for _, v := range got {
		switch {
		case v.Failed:
			c.failed++
			continue
		case v.Value <= low || v.Value >= high || v.Value == allOnes:
			c.full++
			continue
		}
		c.n++
		sum += float64(v.Value)
		least, most = min(least, float64(v.Value)), max(most, float64(v.Value))
	}
	c.rate = float64(len(got)) / took.Seconds()
	if c.n > 0 {
		c.mean, c.spread = sum/float64(c.n), most-least
	}
	return c, b.rig.sensorTrouble()
}

// sound reports whether counts can be used, and finds why not.
func (c *counts) sound(t *trial, when string, want float64) bool {
	t.figure("conversions a second, "+when, c.rate, "Hz")
	switch {
	case c.n+c.failed+c.full == 0:
		t.found("no conversion came from the load cell %s: no converter there, or its wire is cut", when)
	case c.failed > 0:
		t.found("%d conversions could not be read %s", c.failed, when)
	case c.full > 0:
		t.found("%d conversions %s are at the end of the range: a wire of the bridge is open, the amplifier saturated, or the cell overloaded", c.full, when)
	case math.Abs(c.rate-want) > rateAgreement*want:
		t.found("%.1f conversions a second came %s; the pad file says %.1f ([load_cell] rate)", c.rate, when, want)
	default:
		return true
	}
	return false
}

// loadCell tares the cell and loads it with what the crew knows.
func (b *bench) loadCell(t *trial) error {
	p := b.cfg.Pad.LoadCell
	yes, err := b.yes("Does the load cell hang free, with nothing on it?")
	if err != nil {
		return err
	}
	if !yes {
		return skipped{"the load cell could not be freed"}
	}
	tare, err := b.takeCounts()
	if err != nil {
		return err
	}
	if !tare.sound(t, "unloaded", p.Rate) {
		return nil
	}
	t.figure("zero, mean", tare.mean, "counts")
	t.figure("zero, spread", tare.spread, "counts")
	var force float64
	err = b.ask("Hang a known mass on the cell, free and still. How much is it?", b.answers("such as 20 kg, 44 lb or 200 N"), func(answer string) (err error) {
		if force, err = pad.ParseLoad(answer); err != nil {
			return err
		}
		if force <= 0 {
			return errors.New("a known load is more than 0")
		}
		return nil
	})
	if err != nil {
		return err
	}
	loaded, err := b.takeCounts()
	if err != nil {
		return err
	}
	if !loaded.sound(t, "loaded", p.Rate) {
		return nil
	}
	t.figure("known load", force, "N")
	t.figure("loaded, mean", loaded.mean, "counts")
	t.figure("loaded, spread", loaded.spread, "counts")
	span := loaded.mean - tare.mean
	if math.Abs(span) < max(tare.spread, loaded.spread)/noiseShare || math.Abs(span) < 20 {
		t.found("the counts hardly tell the load from none (%.0f counts against a scatter of %.0f): a wire of the bridge is open, or the load is too light", span, max(tare.spread, loaded.spread))
		return nil
	}
	per := force / span
	t.figure("newtons per count", per, "N")
	says := (loaded.mean - float64(p.Zero)) * p.NewtonsPerCount
	t.figure("known load by the pad file", says, "N")
	if off := per/p.NewtonsPerCount - 1; math.Abs(off) > agreement {
		t.found("the scale of the pad file is off by %s", rules.Format(100*off, "%")+" of the load")
	}
	if off := (tare.mean - float64(p.Zero)) * p.NewtonsPerCount; math.Abs(off) > agreement*force {
		t.found("the zero of the pad file is off by %s", rules.Format(off, rules.DefaultUnit(rules.Force, b.cfg.Pad.Units)))
	}
	b.crew.Say("For the pad file, under [load_cell]:")
	b.crew.Say(fmt.Sprintf("zero = %.0f", math.Round(tare.mean)))
	b.crew.Say(fmt.Sprintf("newtons_per_count = %.6g", per))
	return nil
}
