package lift

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"

	"downhaul/rules"
)

func (w *WhatIf) none() bool { c := *w; c.Text = ""; return c == WhatIf{} }

// whatIfHelp lists what may be asked.
const whatIfHelp = `motors=10, cells=14, packs=2, mass=-15lb, thrust=+5% or thrust=+4lbf (each motor), resistance=-20%, air=30°C, table=other.csv (of another propeller), guard=off`

// ParseWhatIf reads changes such as "motors=10, mass=-15lb, cells=14", parted by
// commas. Masses and thrusts take any unit of their kind; a plus or a minus is a
// change, motors, cells, packs and air are the new value. Motors that are added
// weigh nothing unless mass says so.
func ParseWhatIf(text string) (WhatIf, error) {
	w := WhatIf{Text: strings.TrimSpace(text)}
	seen := map[string]bool{}
	for _, part := range strings.Split(text, ",") {
		part = strings.TrimSpace(part)
		if part == "" {
			continue
		}
		key, value, ok := strings.Cut(part, "=")
		key, value = strings.ToLower(strings.TrimSpace(key)), strings.TrimSpace(value)
		if !ok || value == "" {
			return WhatIf{}, fmt.Errorf("what if %q: write name=value, such as %s", part, whatIfHelp)
		}
		if seen[key] {
			return WhatIf{}, fmt.Errorf("what if: %s stands there twice", key)
		}
		seen[key] = true
		if err := w.set(key, value); err != nil {
			return WhatIf{}, fmt.Errorf("what if %q: %w", part, err)
		}
	}
	return w, nil
}

func (w *WhatIf) set(key, value string) (err error) {
	switch key {
	case "motors":
		w.Motors, err = count(value, 3, 32)
	case "cells":
		w.Cells, err = count(value, 1, 200)
	case "packs":
		w.Packs, err = count(value, 1, 32)
	case "mass":
		w.Mass, err = amount(value, rules.Mass)
	case "thrust":
		if strings.HasSuffix(value, "%") {
			w.Thrust, err = share(value)
		} else {
			w.ThrustN, err = amount(value, rules.Force)
		}
	case "resistance":
		w.Resistance, err = share(value)
	case "air":
		w.Celsius, err = amount(value, rules.Temperature)
		if w.HasCelsius = err == nil; w.HasCelsius && math.Abs(w.Celsius) > 60 {
			err = fmt.Errorf("air takes -60 to 60 °C, -76 to 140 °F (got %q)", value)
		}
	case "table":
		w.Table = value
	case "guard":
		if w.GuardOff = value == "off"; !w.GuardOff {
			err = fmt.Errorf("takes off, and nothing else (got %q)", value)
		}
	default:
		return fmt.Errorf("%q is not known; what may be asked: %s", key, whatIfHelp)
	}
	return err
}

func count(value string, low, high int) (int, error) {
	n, err := strconv.Atoi(value)
	if err != nil || n < low || n > high {
		return 0, fmt.Errorf("takes a whole number from %d to %d (got %q)", low, high, value)
	}
	return n, nil
}

func amount(value string, kind rules.Kind) (float64, error) {
	v, err := rules.ParseQuantity(value, kind)
	return v.SI, err
}

func share(value string) (float64, error) {
	v, err := amount(value, rules.Ratio)
	if err == nil && !(v > -0.9 && v <= 5) {
		err = fmt.Errorf("takes more than -90 %% and at most 500 %% (got %q)", value)
	}
	return v, err
}

// apply changes the machine. Motors and packs are like those that flew; cells
// bring their voltage, their resistance and their fall with them.
func (w *WhatIf) apply(c Craft, m machine, samples []sample) machine {
	if w.Motors > 0 {
		m.motors = float64(w.Motors)
	}
	if w.Cells > 0 && c.Cells > 0 {
		m.cells = float64(w.Cells) / float64(c.Cells)
	}
	if w.Packs > 0 {
		m.packs = float64(w.Packs) / float64(max(c.Packs, 1))
	}
	m.ohms *= 1 + w.Resistance
	m.thrust *= 1 + w.Thrust
	if w.ThrustN != 0 {
		// More newtons at full output, as a share of what a motor gives there.
		var most []float64
		for i := 0; i < len(samples) && i < fewDraws; i++ {
			lift, _ := m.most(&samples[i], m.rest(&samples[i]))
			most = append(most, lift/m.motors)
		}
		m.thrust *= math.Max(1+w.ThrustN/interval(most).Mid, 0.05)
	}
	return m
}

// otherPropeller is how far the installed factor of another propeller may be from that of
// the one that flew, as a standard deviation (share): wakes and guards take of both about
// alike. Ours, no source.
const otherPropeller = 0.03

// exchange puts another propeller's table, or no guard, into each craft that was drawn.
func (w *WhatIf) exchange(samples []sample, flown *Stand, guard *Guard) {
	rng := newRandom(uint64(len(samples)))
	for i := range samples {
		d := &samples[i].law
		if w.Stand != nil {
			other := w.Stand.draw(rng)
			// What the two tables have too high or too low is not in common.
			other.installed *= d.installed * (1 + otherPropeller*rng.NormFloat64()) / (1 + flown.doubt*rng.NormFloat64())
			other.costs = d.costs
			*d = other
		}
		if w.GuardOff {
			off := guard.Low + (guard.High-guard.Low)*rng.Float64()
			if d.installed <= 0 {
				d.installed = 1
			}
			d.installed /= 1 - off
		}
	}
}

// Check returns what of it cannot be answered of these runs and this craft; nil when all
// can. A density that was not told of every run cannot be exchanged for another.
func (w *WhatIf) Check(q Question, runs []Run) error {
	c, guard, flown := q.Craft, q.Guard, q.Stand != nil
	for i := range runs {
		if w.HasCelsius && !cleanAir(runs[i].Air).Told {
			return fmt.Errorf("what if %s: the air of %s is not known, so what other air would do is not either. Declare it before the flights (downhaul declare air TEMPERATURE ELEVATION) or write air on the card, and ask of sessions that have it", w.Text, runs[i].label())
		}
	}

	for i := range runs {
		if m := runs[i].Mass; m > 0 && m+w.Mass <= 0 {
			return fmt.Errorf("what if mass=%s: %s flew with %s, and nothing would be left", rules.Format(w.Mass, "kg"), runs[i].label(), rules.Format(m, "kg"))
		}
	}
	if w.GuardOff && guard == nil {
		return errors.New("what if guard=off: the card does not say what the guard takes; write guard and guard_mass under [motors]")
	}
	if w.Table != "" && (w.Stand == nil || !flown) {
		return fmt.Errorf("what if table=%s: what it would lift on this craft takes the table of what flew as well, for the share that the craft loses; give it with --table", w.Table)
	}
	if w.Cells > 0 && c.Cells <= 0 {
		return fmt.Errorf("what if cells=%d: the pad file does not say how many cells flew; write cells under [craft]", w.Cells)
	}
	return nil
}
