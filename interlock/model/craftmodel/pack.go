package craftmodel

import (
	"math"
	"math/rand/v2"
)

// restCurve is a lithium-polymer cell's resting voltage at charges of 0, 5,
// 10, 20 ... 100 % (common practice, from memory; the ends agree with makers'
// sheets: 4.20 V charged, 3.0 V cut-off).
var restCurve = [...]struct{ charge, volt float64 }{
	{0, 3.00}, {0.05, 3.45}, {0.1, 3.61}, {0.2, 3.71}, {0.3, 3.75}, {0.4, 3.79},
	{0.5, 3.84}, {0.6, 3.88}, {0.7, 3.93}, {0.8, 4.02}, {0.9, 4.11}, {1, 4.20},
}

// RestingCell is the resting voltage of one cell at a state of charge from 0
// to 1, by straight lines between the table's points.
func RestingCell(charge float64) float64 {
	charge = clamp(charge, 0, 1)
	for i := 1; i < len(restCurve); i++ {
		a, b := restCurve[i-1], restCurve[i]
		if charge <= b.charge {
			return a.volt + (b.volt-a.volt)*(charge-a.charge)/(b.charge-a.charge)
		}
	}
	return restCurve[len(restCurve)-1].volt
}

// pack is the supply: cells in series with a resistance each and one
// resistor-capacitor pair for the slow part of the sag (the first-order
// Thévenin cell, common practice). Parallel packs share the current evenly.
type pack struct {
	charge   float64   // 0 to 1
	drawn    float64   // A s, all packs together
	energy   float64   // J, all packs together
	slow     float64   // V over the resistor-capacitor pair of one cell
	offset   []float64 // V, small differences between the cells
	sag      []float64 // V, what a faulty cell loses under load, reached slowly
	sagGoal  []float64
	current  float64 // A, all packs together
	voltage  float64 // V, loaded
	cellWarm float64 // °C above the air
	limit    float64 // A, from which the supply gives way; 0: never
}

func newPack(c *Config, rng *rand.Rand) pack {
	p := pack{
		charge: c.Charge, offset: make([]float64, c.Cells),
		sag: make([]float64, c.Cells), sagGoal: make([]float64, c.Cells),
	}
	for i := range p.offset {
		p.offset[i] = 0.004 * (2*rng.Float64() - 1)
	}
	p.voltage = p.resting()
	return p
}

// resting is the open-circuit voltage of the whole pack.
func (p *pack) resting() float64 {
	v := float64(len(p.offset)) * RestingCell(p.charge)
	for _, o := range p.offset {
		v += o
	}
	return v
}

// source is what stands behind the resistance: resting voltage less the slow
// part and less what faulty cells lose.
func (p *pack) source() float64 {
	v := p.resting() - p.slow*float64(len(p.offset))
	for _, s := range p.sag {
		v -= s
	}
	return v
}

// resistance of all packs in parallel, in ohms.
func (c *Config) resistance() float64 {
	return c.CellResistance * float64(c.Cells) / float64(c.Packs)
}

// loaded solves V = E − I R with I = P/V: V = (E + √(E² − 4 R P))/2. Past the
// most power the pack can give (E²/4R) it stays at half the source voltage.
func loaded(source, resistance, power float64) float64 {
	d := source*source - 4*resistance*power
	return (source + math.Sqrt(math.Max(d, 0))) / 2
}

// step draws power in watts for dt seconds.
func (p *pack) step(c *Config, power, dt float64) {
	e := p.source()
	p.voltage = weak(e, c.resistance(), power, p.limit)
	if p.current = (e - p.voltage) / c.resistance(); p.limit > 0 {
		p.current = power / p.voltage
	}
	p.drawn += p.current * dt
	p.energy += p.current * p.voltage * dt
	p.charge = math.Max(c.Charge-p.drawn/(c.Capacity*3600*float64(c.Packs)), 0)
	share := p.current / float64(c.Packs)
	goal := share * c.SlowResistance
	p.slow += (goal - p.slow) * dt / c.SlowTime.Seconds()
	for i := range p.sag {
		p.sag[i] += (p.sagGoal[i] - p.sag[i]) * dt / 0.5
	}
	// Warming by I²R into a heat capacity of about 1 kJ/(kg K) and 0.42 kg for
	// each 22 Ah cell, cooling in about 20 min (order of size, from memory).
	heat := share * share * (c.CellResistance + c.SlowResistance)
	p.cellWarm += (heat/(19*c.Capacity) - p.cellWarm/1200) * dt
}

// cell is the loaded voltage of one cell of the first pack.
func (p *pack) cell(c *Config, i int) float64 {
	share := p.current / float64(c.Packs)
	return math.Max(RestingCell(p.charge)+p.offset[i]-p.slow-share*c.CellResistance-p.sag[i], 0)
}
