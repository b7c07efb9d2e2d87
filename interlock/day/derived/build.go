package derived

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"downhaul/interlock/limits"
	"downhaul/rules"
)

// order lists every derived channel, each after those it rests on: a craft's
// lag before its apex, the 3 s mean before its peaks. link.age and link.loss
// are not here: the engine and intake count them.
var order = [...]rules.ChannelID{
	rules.LinkLag,
	rules.Climb, rules.Height, rules.Apex,
	rules.Tilt, rules.Distance, rules.SlantRange, rules.Sway,
	rules.MotorHighest, rules.MotorSpread, rules.MotorHeadroom, rules.LiftReserve, rules.RotorSpeed,
	rules.TensionRate,
	rules.Gust, rules.Mean2, rules.Mean10, rules.Peak10, rules.Lull10, rules.RotorWind, rules.RotorGust,
	rules.PackMeanCell, rules.PackResistance, rules.PackResting, rules.PackToFloor,
}

// New makes the calculators for the wanted outputs and for the derived channels
// that those rest on, each after the ones it rests on. The error lists every
// fault of the Config that stands in the way of a wanted output.
func New(cfg Config, wanted func(rules.ChannelID) bool) ([]limits.Calculator, error) {
	var on [rules.ChannelCount]bool
	for i := len(order) - 1; i >= 0; i-- {
		id := order[i]
		if !on[id] && !wanted(id) {
			continue
		}
		on[id] = true
		for _, in := range append(cfg.inputs(id), optional(id)...) {
			on[in] = true
		}
	}
	var out []limits.Calculator
	var faults []error
	for _, id := range order {
		if !on[id] {
			continue
		}
		if err := cfg.check(id); err != nil {
			faults = append(faults, fmt.Errorf("%v: %w", id, err))
			continue
		}
		out = append(out, cfg.make(id))
	}
	if len(faults) > 0 {
		return nil, errors.Join(faults...)
	}
	return out, nil
}

// Calculators is New for an envelope.
func (c Config) Calculators(env *rules.Envelope, wanted func(rules.ChannelID) bool) ([]limits.Calculator, error) {
	return New(c.Watching(env), wanted)
}

// Watching returns c with the envelope's limits on the apex: that silence alone
// crosses them must be told.
func (c Config) Watching(env *rules.Envelope) Config {
	c.ApexThresholds = nil
	for i := range env.Rules {
		r := &env.Rules[i]
		if r.Watch != rules.Apex {
			continue
		}
		c.ApexThresholds = append(c.ApexThresholds, r.Limit)
		if r.HasCaution {
			c.ApexThresholds = append(c.ApexThresholds, r.Caution)
		}
		if r.Form == rules.Outside {
			c.ApexThresholds = append(c.ApexThresholds, r.LimitHigh)
			if r.HasCaution {
				c.ApexThresholds = append(c.ApexThresholds, r.CautionHigh)
			}
		}
	}
	return c
}

func (c Config) make(id rules.ChannelID) limits.Calculator {
	switch id {
	case rules.LinkLag:
		return &linkLag{}
	case rules.Climb:
		return newClimb(c)
	case rules.Height:
		return newHeight(c)
	case rules.Apex:
		return newApex(c)
	case rules.Tilt:
		return plain{trigger: rules.Pitch, output: id, work: tilt}
	case rules.Distance:
		return plain{trigger: rules.East, output: id, work: c.level}
	case rules.SlantRange:
		return plain{trigger: rules.East, output: id, work: c.slant}
	case rules.Sway:
		return newSway()
	case rules.LiftReserve:
		return plain{trigger: rules.MotorHighest, output: id, work: c.liftReserve}
	case rules.RotorSpeed:
		return c.rotorSpeed()
	case rules.TensionRate:
		return newTensionRate()
	case rules.Gust, rules.Mean2, rules.Mean10:
		return newMeanWind(id)
	case rules.Peak10, rules.Lull10:
		return newPeakWind(id)
	case rules.RotorWind, rules.RotorGust:
		return c.rotorWind(id)
	case rules.PackMeanCell:
		return plain{trigger: c.PackVoltage, output: id, work: c.meanCell}
	case rules.PackResistance:
		return &resistance{voltage: c.PackVoltage, current: c.PackCurrent, span: quickSpan}
	case rules.PackResting:
		return plain{trigger: rules.PackResistance, output: id, work: c.resting}
	case rules.PackToFloor:
		return newToFloor(c)
	}
	return c.motorsOf(id)
}

// errUnstated is of an output whose part of the pad file is not stated, or states what
// cannot be. The reader of that file tells people more, with the line.
var errUnstated = errors.New("the pad file does not state what it rests on, or states what cannot be")

// check returns an error if the Config states no part that id can be made of.
func (c Config) check(id rules.ChannelID) error {
	ok := true
	switch id {
	case rules.Height:
		n := len(c.HeightSources)
		ok = n == 1 && c.Vote == Single ||
			n > 1 && c.Vote != Single && c.Vote <= Median && c.Disagreement > 0 && finite(c.Disagreement)
		for i, s := range c.HeightSources {
			ok = ok && ClimbPartner(s) != rules.NoChannel && !slices.Contains(c.HeightSources[:i], s)
		}
	case rules.Climb:
		ok = slices.Contains([]rules.ChannelID{rules.ClimbGlobal, rules.ClimbLocal, rules.ClimbHUD}, c.climbSource())
	case rules.Apex:
		ok = finite(c.ErrorHeight, c.ErrorClimb) && finite(c.ApexThresholds...) && c.ErrorHeight >= 0 && c.ErrorClimb >= 0 &&
			c.MaxAcceleration >= 0 && c.MaxAcceleration <= MostAcceleration && c.Reaction >= 0 && c.Reaction <= longestReaction
	case rules.Distance, rules.SlantRange:
		ok = finite(c.AnchorNorth, c.AnchorEast, c.AnchorHeight)
	case rules.MotorHighest, rules.MotorSpread, rules.MotorHeadroom, rules.RotorSpeed:
		ok = c.Motors >= 1 && c.Motors <= MaxMotors
	case rules.LiftReserve:
		f := c.Full
		ok = f == FullOutput{} || f.Pull > 0 && f.Volts > 0 && f.Resting > f.Volts && f.Amps > 0 && finite(f.Pull, f.Resting, f.Amps) &&
			c.packVoltage() && c.PackCurrent.Channel().Kind == rules.Current
	case rules.RotorWind, rules.RotorGust:
		ok = c.AnemometerHeight > 0 && c.RotorHeight > 0 && finite(c.AnemometerHeight, c.RotorHeight) &&
			(c.Method == LogLaw && c.Roughness > 0 && c.Roughness < c.AnemometerHeight && c.Roughness < c.RotorHeight ||
				c.Method == PowerLaw && c.Exponent >= 0 && c.Exponent <= 1)
	case rules.PackMeanCell:
		ok = c.packVoltage() && c.Cells >= 1 && c.Cells <= 400
	case rules.PackToFloor:
		ok = c.packVoltage() && c.PackCurrent.Channel().Kind == rules.Current && c.Cells >= 1 && c.Cells <= 400 && c.PackFloor > 0 && finite(c.PackFloor)
	case rules.PackResistance, rules.PackResting:
		ok = c.packVoltage() && c.PackCurrent.Channel().Kind == rules.Current
	}
	if !ok {
		return errUnstated
	}
	return nil
}

func (c Config) packVoltage() bool { return c.PackVoltage.Channel().Kind == rules.Voltage }

func finite(v ...float64) bool {
	return !slices.ContainsFunc(v, func(x float64) bool { return math.IsNaN(x) || math.IsInf(x, 0) })
}
