package main

import (
	"fmt"
	"math"
	"strconv"

	"downhaul/interlock/before/hazard"
	"downhaul/interlock/day/derived"
	"downhaul/rules"
	"downhaul/rules/rounding"
	"downhaul/rules/words"
)

// Shares from which the first guesses come; ours, from judgement.
const (
	cautionShare = 0.8  // a caution stands at four fifths of its limit
	ceilingShare = 0.75 // of the tether, where that leaves room
	tautShare    = 0.95 // of the tether: above it the rope comes tight before the ceiling trips
	driftShare   = 0.5  // of the tether's length
	designFactor = 10   // breaking strength over working load, as in the file
	firstGust    = 8.0  // m/s
	ballastShare = 0.1  // of the mass, for each step
	ballastSteps = 5
	leastThrust  = 1.4 // times the weight, with all ballast
	// from a blade's tip to whatever is next to it, m
	firstClearance = 0.04
	reaction       = 0.3 // s, from a height's arrival to no thrust
	// The least that a ceiling must let through: a craft so high, still climbing.
	leastHover, leastClimb = 0.5, 0.4 // m, m/s
	// fallsAt is how fast a craft is brought down, m/s.
	fallsAt = 0.7
)

// nice is a value in the unit that is easy to read: two digits at most where one such
// lies from low to high (SI), and else as many as it takes.
func nice(si float64, unit string, low, high float64) string {
	x, ok := rules.Convert(si, unit)
	if !ok || x <= 0 {
		return rounding.Coarse(si, unit, 2, rounding.Near)
	}
	decade := math.Pow10(int(math.Floor(math.Log10(x) + 1e-9)))
	for _, step := range []float64{0.5, 0.2, 0.1, 0.05, 0.02, 0.01, 0.005, 0.001, 0.0001} {
		if step*decade > 0.1*x*(1+1e-9) {
			continue
		}
		at := step * decade
		for _, n := range []float64{math.Round(x / at), math.Floor(x / at), math.Ceil(x / at)} {
			text := strconv.FormatFloat(n*at, 'f', max(0, -int(math.Floor(math.Log10(at)+1e-9))), 64)
			y, _ := strconv.ParseFloat(text, 64)
			text = strconv.FormatFloat(y, 'f', -1, 64) + " " + unit
			if v, ok := rules.KindOf(text); ok {
				if q, err := rules.ParseQuantity(text, v); err == nil && q.SI >= low && q.SI <= high {
					return text
				}
			}
		}
	}
	return rounding.Coarse(si, unit, 5, rounding.Near)
}

// si is the value of one of our own texts.
func si(text string) float64 {
	k, _ := rules.KindOf(text)
	q, _ := rules.ParseQuantity(text, k)
	return q.SI
}

// ratio is full thrust over weight.
func (a *craftTold) ratio() float64 { return a.thrust.SI / (a.mass.SI * hazard.Gravity) }

// off is how far height and climb may be off, as the pad file states it.
type off struct{ height, climb string }

// errors are what a height usually is off, and what a good one is.
func (a *craftTold) errors() [2]off {
	if a.units == "imperial" {
		return [2]off{{"1 ft", "0.5 mph"}, {"0.5 ft", "0.2 mph"}}
	}
	return [2]off{{"0.3 m", "0.2 m/s"}, {"0.15 m", "0.1 m/s"}}
}

// age is how old a height gets, s: one value may be lost.
func (a *craftTold) age() float64 {
	every := rules.HeightLocal.Channel().Period
	if h := a.heard; h != nil {
		every = max(h.every(h.channel), every)
	}
	return 2 * every.Seconds()
}

// top is the apex (m) that is predicted so high (m) and with such a climb (m/s), with
// thrust gone after a reaction (s).
func (a *craftTold) top(o off, h, v, react float64) float64 {
	return derived.Coast(si(o.height)+h, si(o.climb)+v, react+a.age(), max(0, a.thrust.SI/a.mass.SI-hazard.Gravity))
}

// standing is the predicted apex of a craft that stands on the pad, m.
func (a *craftTold) standing(o off) float64 { return a.top(o, 0, 0, reaction) }

// least is the lowest ceiling under which there is something to hover, m.
func (a *craftTold) least(o off) float64 { return a.top(o, leastHover, leastClimb, reaction) }

// ceiling gives the errors that leave room under the tether, the usual ones where they
// do; ok is false where even good ones do not.
func (a *craftTold) ceiling() (o off, ok bool) {
	for _, o = range a.errors() {
		if a.least(o) <= tautShare*a.tether.SI {
			return o, true
		}
	}
	return o, false
}

// leastTether is the shortest tether that leaves room, rounded up.
func (a *craftTold) leastTether(unit string) string {
	return rounding.Coarse(a.least(a.errors()[1])/tautShare, unit, 2, rounding.Up)
}

func (a *craftTold) usualTether() string {
	usual := a.in("9 m", "30 ft")
	if need := a.least(a.errors()[0]) / tautShare; need > si(usual) {
		return nice(1.2*need, a.unit(rules.Length), need, math.Inf(1))
	}
	return usual
}

// heaviest is the mass with all ballast that the thrust can carry, kg.
func (a *craftTold) heaviest() float64 { return a.mass.SI * (1 + ballastSteps*a.ballastShare()) }

// ballastShare is the share of the mass that each step adds, 0 where the thrust
// carries none.
func (a *craftTold) ballastShare() float64 {
	share := min(ballastShare, (a.ratio()/leastThrust-1)/ballastSteps)
	if share < 0.01 {
		return 0
	}
	return share
}

// pull is the most that full thrust keeps up along the tether, N: level, the craft as
// light as it flies and as heavy (both on the high side).
func (a *craftTold) pull() float64 {
	return a.heaviest() * hazard.Sideways(a.thrust.SI/a.mass.SI)
}

// rope is the breaking strength that the craft asks for, N: full thrust put on at once
// pulls twice, and a tenth is left over.
func (a *craftTold) rope() float64 { return 2.2 * designFactor * a.pull() }

func (a *craftTold) usualRope() string {
	unit := a.in("kN", "lbf")
	if a.rope() < 1000 {
		unit = a.unit(rules.Force)
	}
	return nice(1.05*a.rope(), unit, a.rope(), math.Inf(1))
}

// latest is how late thrust may be gone (s) for this ceiling (m) to leave anything to
// hover, 0 where nothing does.
func (a *craftTold) latest(o off, ceiling float64) float64 {
	low, high := 0.0, 10.0
	for range 40 {
		if mid := (low + high) / 2; a.top(o, leastHover, leastClimb, mid) <= ceiling {
			low = mid
		} else {
			high = mid
		}
	}
	return low
}

// tells is what was worked out, for the screen.
func (f *filled) tells(q *asker) {
	a := f.craftTold
	row := func(what, text string) { wrap(q.out, fmt.Sprintf("%-9s", what), "         ", text) }
	fmt.Fprintln(q.out, "\nWorked out of that:")
	row("Ceiling", fmt.Sprintf("%s, for the predicted top of a coast after a cut; a craft that stands on the pad has %s of it already. It counts on thrust that is gone %s after a height arrives, and leaves nothing to hover where that takes more than %s: the stop test of the card measures it.",
		f.Ceiling, rounding.Show(a.standing(f.off), a.tether.Unit, 2, rounding.Up), f.Reaction, f.Latest))
	if f.Guards() && !f.Table() {
		row("", fmt.Sprintf("Until then a stop of %s counts: prove shows the ceiling as not proven, and only steps on the ground start.", rules.FormatDuration(rules.LeastStated)))
	}
	text := fmt.Sprintf("Full thrust pulls along it with up to %s, and put on at once with twice that: at a design factor of %d that asks for a breaking strength of %s.",
		rounding.Show(a.pull(), a.unit(rules.Force), 2, rounding.Up), designFactor, rounding.Coarse(a.rope(), a.breaking.Unit, 2, rounding.Up))
	if a.breaking.SI < a.rope() {
		text += fmt.Sprintf(" Yours of %s bears less: take a stronger one, or never let it come tight at full thrust.", a.breaking.Text)
	}
	row("Tether", text+" How hard a runaway snatches, check says once the limits state its stretch.")
	if n := len(f.Ballast); n > 0 {
		row("Ballast", fmt.Sprintf("%s, up to %s; full thrust is %.2f times the weight then.", words.Count(n, "step"), f.Ballast[n-1].Mass,
			a.thrust.SI/(hazard.Gravity*(a.mass.SI+si(f.Ballast[n-1].Mass)))))
	} else {
		row("Ballast", fmt.Sprintf("none: full thrust of %.2f times the weight carries the craft and nothing that is worth a step.", a.ratio()))
	}
	if f.HoverOutput >= 0.9 {
		row("Output", fmt.Sprintf("A hover takes %.0f %% of it with a full pack, and more as the pack sags: hardly anything is left to steer with.", 100*f.HoverOutput))
	}
}
