package derived

import (
	"slices"
	"time"

	"downhaul/rules"
)

// Vote states how several sources of one quantity become one value.
type Vote uint8

// The votes.
const (
	// Single uses the one named source.
	Single Vote = iota
	// Highest takes the highest of all sources.
	Highest
	// Lowest takes the lowest of all sources.
	Lowest
	// Median takes the middle one, the mean of the two middle ones for an even
	// count.
	Median
)

// Method states how wind is carried from one height to another.
type Method uint8

// The methods.
const (
	// NoMethod: wind.rotor is not worked out.
	NoMethod Method = iota
	// LogLaw: the logarithmic profile over a roughness length.
	LogLaw
	// PowerLaw: a power of the ratio of heights.
	PowerLaw
)

// MaxMotors is how many motors the catalogue has channels for.
const MaxMotors = 16

// MostAcceleration is the most that full thrust over the mass can be, m/s²; ours.
const MostAcceleration = 1000

// maxHeightSources is how many sources a height vote can have.
const maxHeightSources = 5

// Config is what the pad file and the card say that derived channels need. All
// values are SI. The zero value of a part means that the part is not stated;
// New refuses an output whose part is not stated.
type Config struct {
	// HeightSources are the channels that craft.height rests on; the first is
	// the trigger. With Vote Single there is exactly one.
	HeightSources []rules.ChannelID
	Vote          Vote
	// Disagreement is how far apart the sources of a vote may be, in m.
	// Required for a vote.
	Disagreement float64
	// ClimbSource is the channel that craft.climb rests on. NoChannel: the
	// partner of the first height source (see ClimbPartner).
	ClimbSource rules.ChannelID

	// Slow are the channels that the craft's link tells more seldom than usual, each with
	// how old a reading of it may be there.
	Slow map[rules.ChannelID]time.Duration

	// ErrorHeight and ErrorClimb are ε_h (m) and ε_v (m/s): bias and
	// resolution of height and climb, added before anything is predicted.
	ErrorHeight, ErrorClimb float64
	// Reaction is the time from the sample's taking to no thrust, without its
	// age: engine, relay chain and rotor decay.
	Reaction time.Duration
	// MaxAcceleration is T_max/m, the full thrust over the mass, m/s².
	MaxAcceleration float64
	// ApexThresholds are the limits and cautions on craft.apex, in m, whose
	// crossing by silence alone must be told.
	ApexThresholds []float64

	// AnchorNorth, AnchorEast are where the tether is anchored, in m from the
	// craft's local origin; AnchorHeight is its height on the scale of
	// craft.height.
	AnchorNorth, AnchorEast, AnchorHeight float64

	// Motors is the count of fitted motors, 1 to MaxMotors.
	Motors int

	// PackVoltage and PackCurrent are the channels that the pack figures rest
	// on: SupplyVoltage with SupplyCurrent, or those of one pack.
	PackVoltage, PackCurrent rules.ChannelID
	// Cells is the count of cells in series.
	Cells int
	// PackFloor is the loaded voltage of the whole pack that counts as the floor, V.
	PackFloor float64
	// Full is what was measured at full output.
	Full FullOutput

	// AnemometerHeight and RotorHeight are heights above ground, m.
	AnemometerHeight, RotorHeight float64
	Method                        Method
	// Roughness is the roughness length z0 of LogLaw, m.
	Roughness float64
	// Exponent is that of PowerLaw.
	Exponent float64
}

// ClimbPartner is the climb that belongs to a source of height. ALTITUDE and
// the downward range carry no climb; the one of GLOBAL_POSITION_INT comes from
// the same craft.
func ClimbPartner(height rules.ChannelID) rules.ChannelID {
	switch height {
	case rules.HeightGlobal, rules.HeightAltitude, rules.HeightClearance, rules.HeightRange:
		return rules.ClimbGlobal
	case rules.HeightLocal:
		return rules.ClimbLocal
	}
	return rules.NoChannel
}

// climbSource is the channel that craft.climb rests on.
func (c Config) climbSource() rules.ChannelID {
	if c.ClimbSource != rules.NoChannel {
		return c.ClimbSource
	}
	if len(c.HeightSources) == 0 {
		return rules.NoChannel
	}
	return ClimbPartner(c.HeightSources[0])
}

// Needs gives the measured channels that id rests on, in catalogue order: each
// must be fed for the output to come. For a measured channel it is the channel
// itself. It is empty when the part of the Config that id needs is not stated.
func (c Config) Needs(id rules.ChannelID) []rules.ChannelID {
	return c.measured(id, func(id rules.ChannelID) []rules.ChannelID { return c.inputs(id) })
}

// Stale returns how old a reading of id may be: the channel's own time, or that of the
// slowest channel that it rests on.
func (c Config) Stale(id rules.ChannelID) time.Duration {
	stale := id.Stale()
	if len(c.Slow) > 0 {
		for _, in := range c.Needs(id) {
			stale = max(stale, c.Slow[in])
		}
	}
	return stale
}

// Helps gives the measured channels that id looks at when they are heard, but
// does without when they are not: feed them when the craft sends them.
func (c Config) Helps(id rules.ChannelID) []rules.ChannelID {
	needs := c.measured(id, c.inputs)
	var out []rules.ChannelID
	for _, m := range c.measured(id, func(id rules.ChannelID) []rules.ChannelID {
		return append(c.inputs(id), optional(id)...)
	}) {
		if !slices.Contains(needs, m) {
			out = append(out, m)
		}
	}
	return out
}

func (c Config) measured(id rules.ChannelID, inputs func(rules.ChannelID) []rules.ChannelID) []rules.ChannelID {
	var on [rules.ChannelCount]bool
	var mark func(id rules.ChannelID)
	mark = func(id rules.ChannelID) {
		if id == rules.NoChannel || id >= rules.ChannelCount || on[id] {
			return
		}
		on[id] = true
		if id.Channel().Derived {
			for _, in := range inputs(id) {
				mark(in)
			}
		}
	}
	mark(id)
	var out []rules.ChannelID
	for id := rules.ChannelID(1); id < rules.ChannelCount; id++ {
		if on[id] && !id.Channel().Derived {
			out = append(out, id)
		}
	}
	return out
}

// inputs are the channels, measured and derived, that an output cannot do
// without.
func (c Config) inputs(id rules.ChannelID) []rules.ChannelID {
	switch id {
	case rules.LinkLag:
		return []rules.ChannelID{rules.CraftBootClock}
	case rules.Climb:
		return []rules.ChannelID{c.climbSource()}
	case rules.Height:
		return append([]rules.ChannelID{c.climbSource()}, c.HeightSources...)
	case rules.Apex:
		return []rules.ChannelID{rules.Height, rules.Climb}
	case rules.Distance, rules.Sway:
		return []rules.ChannelID{rules.North, rules.East}
	case rules.SlantRange:
		return []rules.ChannelID{rules.North, rules.East, rules.Height}
	case rules.Tilt:
		return []rules.ChannelID{rules.Roll, rules.Pitch}
	case rules.MotorHighest, rules.MotorSpread, rules.MotorHeadroom:
		return c.motors(rules.Motor1Output)
	case rules.RotorSpeed:
		return c.motors(rules.Motor1Speed)
	case rules.LiftReserve:
		if c.Full.Pull == 0 {
			return []rules.ChannelID{rules.MotorHighest}
		}
		return []rules.ChannelID{rules.MotorHighest, c.PackVoltage, c.PackCurrent}
	case rules.TensionRate:
		return []rules.ChannelID{rules.Tension}
	case rules.Gust, rules.Mean2, rules.Mean10, rules.RotorWind:
		return []rules.ChannelID{rules.WindSpeed}
	case rules.Peak10, rules.Lull10, rules.RotorGust:
		return []rules.ChannelID{rules.Gust}
	case rules.PackMeanCell:
		return []rules.ChannelID{c.PackVoltage}
	case rules.PackResistance, rules.PackToFloor:
		return []rules.ChannelID{c.PackVoltage, c.PackCurrent}
	case rules.PackResting:
		return []rules.ChannelID{c.PackVoltage, c.PackCurrent, rules.PackResistance}
	}
	return nil
}

// optional are the channels that an output looks at if they are heard.
func optional(id rules.ChannelID) []rules.ChannelID {
	switch id {
	case rules.Climb:
		return []rules.ChannelID{rules.EstimatorFlags, rules.HeightGlobal, rules.ClimbGlobal, rules.HeightLocal, rules.ClimbLocal, rules.ClimbHUD}
	case rules.Height:
		return []rules.ChannelID{rules.EstimatorFlags, rules.CraftArmed,
			rules.HomeLatitude, rules.HomeLongitude, rules.HomeAltitude}
	case rules.Apex:
		return []rules.ChannelID{rules.LinkLag}
	case rules.PackToFloor:
		return []rules.ChannelID{rules.Pack1Voltage, rules.Pack1LowestCell}
	}
	return nil
}

func (c Config) motors(first rules.ChannelID) []rules.ChannelID {
	if c.Motors < 1 || c.Motors > MaxMotors {
		return nil
	}
	out := make([]rules.ChannelID, c.Motors)
	for i := range out {
		out[i] = first + rules.ChannelID(i)
	}
	return out
}
