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
	rules.Gust, rules.Mean2, rules.Mean10, rules.Peak10, rules.Lull10, rules.RotorWind,
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
		return &climb{source: c.climbSource()}
	case rules.Height:
		return newHeight(c)
	case rules.Apex:
		return newApex(c)
	case rules.Tilt:
		return tilt{}
	case rules.Distance, rules.SlantRange:
		return newDistance(c, id == rules.SlantRange)
	case rules.Sway:
		return newSway()
	case rules.LiftReserve:
		return liftReserve{}
	case rules.RotorSpeed:
		return rotorSpeed{count: c.Motors}
	case rules.TensionRate:
		return newTensionRate()
	case rules.Gust, rules.Mean2, rules.Mean10:
		return newMeanWind(id)
	case rules.Peak10, rules.Lull10:
		return newPeakWind(id)
	case rules.RotorWind:
		return newRotorWind(c)
	case rules.PackMeanCell:
		return meanCell{source: c.PackVoltage, cells: float64(c.Cells)}
	case rules.PackResistance:
		return newResistance(c)
	case rules.PackResting:
		return resting{voltage: c.PackVoltage, current: c.PackCurrent}
	case rules.PackToFloor:
		return newToFloor(c)
	}
	return motors{output: id, count: c.Motors}
}

// check says what of the Config stands in the way of id.
func (c Config) check(id rules.ChannelID) error {
	switch id {
	case rules.Height:
		return c.checkHeight()
	case rules.Climb:
		return c.checkClimb()
	case rules.Apex:
		return c.checkApex()
	case rules.Distance, rules.SlantRange:
		if !finite(c.AnchorNorth, c.AnchorEast, c.AnchorHeight) {
			return errors.New("the anchor's place must be finite numbers")
		}
	case rules.MotorHighest, rules.MotorSpread, rules.MotorHeadroom, rules.RotorSpeed:
		if c.Motors < 1 || c.Motors > MaxMotors {
			return fmt.Errorf("expected 1 to %d motors, got %d; state how many are fitted", MaxMotors, c.Motors)
		}
	case rules.RotorWind:
		return c.checkWind()
	case rules.PackMeanCell, rules.PackResistance, rules.PackResting, rules.PackToFloor:
		return c.checkPack(id)
	}
	return nil
}

func (c Config) checkHeight() error {
	if len(c.HeightSources) == 0 {
		return errors.New("no source of height is named; name one, or several with a vote")
	}
	for i, s := range c.HeightSources {
		if ClimbPartner(s) == rules.NoChannel {
			return fmt.Errorf("%q is no height above the pad; name craft.height.global, .local, .altitude, .clearance or .range", s)
		}
		if slices.Contains(c.HeightSources[:i], s) {
			return fmt.Errorf("%q is named twice; name each source once", s)
		}
	}
	if c.Vote == Single {
		if len(c.HeightSources) > 1 {
			return fmt.Errorf("expected one source without a vote, got %d; name a vote (highest, lowest, median) or one source", len(c.HeightSources))
		}
		return nil
	}
	if c.Vote > Median {
		return fmt.Errorf("unknown vote %d", c.Vote)
	}
	if len(c.HeightSources) < 2 {
		return errors.New("a vote needs at least two sources; name another, or drop the vote")
	}
	if !(c.Disagreement > 0) || !finite(c.Disagreement) {
		return fmt.Errorf("a vote needs a disagreement above 0 m, got %v; state how far apart the sources may be", c.Disagreement)
	}
	return nil
}

func (c Config) checkClimb() error {
	switch s := c.climbSource(); s {
	case rules.ClimbGlobal, rules.ClimbLocal, rules.ClimbHUD:
		return nil
	case rules.NoChannel:
		return errors.New("no source of climb is named, and no source of height to take it from; name one")
	default:
		return fmt.Errorf("%q is no climb; name craft.climb.global, .local or .hud", s)
	}
}

func (c Config) checkApex() error {
	if !finite(c.ErrorHeight, c.ErrorClimb, c.MaxAcceleration) {
		return fmt.Errorf("errors and full thrust over mass must be finite numbers, got %v m, %v m/s and %v m/s²", c.ErrorHeight, c.ErrorClimb, c.MaxAcceleration)
	}
	if c.ErrorHeight < 0 || c.ErrorClimb < 0 {
		return fmt.Errorf("errors of height and climb must be 0 or more, got %v m and %v m/s", c.ErrorHeight, c.ErrorClimb)
	}
	if c.MaxAcceleration < 0 || c.MaxAcceleration > 1000 {
		return fmt.Errorf("full thrust over mass must be 0 to 1000 m/s², got %v", c.MaxAcceleration)
	}
	if c.Reaction < 0 || c.Reaction > longestReaction {
		return fmt.Errorf("the reaction must be 0 to 1 min, got %v", c.Reaction)
	}
	if !finite(c.ApexThresholds...) {
		return errors.New("limits on the apex must be finite numbers")
	}
	return nil
}

func (c Config) checkWind() error {
	if c.Method != LogLaw && c.Method != PowerLaw {
		return errors.New("no method is named to carry wind up to the rotors; name log or power")
	}
	if !(c.AnemometerHeight > 0) || !(c.RotorHeight > 0) || !finite(c.AnemometerHeight, c.RotorHeight) {
		return fmt.Errorf("heights of anemometer and rotors must be above 0 m, got %v m and %v m", c.AnemometerHeight, c.RotorHeight)
	}
	if c.Method == LogLaw && (!(c.Roughness > 0) || !(c.Roughness < c.AnemometerHeight) || !(c.Roughness < c.RotorHeight)) {
		return fmt.Errorf("the roughness length must be above 0 m and below both heights, got %v m", c.Roughness)
	}
	if c.Method == PowerLaw && !(c.Exponent >= 0 && c.Exponent <= 1) {
		return fmt.Errorf("the exponent must be 0 to 1, got %v", c.Exponent)
	}
	return nil
}

func (c Config) checkPack(id rules.ChannelID) error {
	if c.PackVoltage == rules.NoChannel || c.PackVoltage.Channel().Kind != rules.Voltage {
		return fmt.Errorf("expected a pack's or the supply's voltage, got %q; name the pack", c.PackVoltage)
	}
	switch id {
	case rules.PackMeanCell:
		if c.Cells < 1 || c.Cells > 400 {
			return fmt.Errorf("expected 1 to 400 cells in series, got %d; state the count", c.Cells)
		}
	case rules.PackToFloor:
		if !(c.PackFloor > 0) || !finite(c.PackFloor) {
			return fmt.Errorf("the floor must be above 0 V, got %v; state it", c.PackFloor)
		}
	default:
		if c.PackCurrent == rules.NoChannel || c.PackCurrent.Channel().Kind != rules.Current {
			return fmt.Errorf("expected a pack's or the supply's current, got %q; name the pack", c.PackCurrent)
		}
	}
	return nil
}

func finite(v ...float64) bool {
	for _, x := range v {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return false
		}
	}
	return true
}
