package intake

import (
	"math"

	"downhaul/interlock"
	"downhaul/rules"
)

// sampleInput wraps a sample.
func sampleInput(s interlock.Sample) interlock.Input {
	return interlock.Input{Kind: interlock.SampleInput, Sample: s}
}

// missing is a sample without a value.
func missing(id rules.ChannelID, why rules.Cause) interlock.Sample {
	return interlock.Sample{Channel: id, Quality: rules.Missing, Cause: why}
}

// measured is a good sample if v is plausible for the channel, else a missing
// one that says why. −0 becomes 0.
func measured(id rules.ChannelID, v float64) interlock.Sample {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return missing(id, rules.NotANumber)
	}
	if c := id.Channel(); v < c.Low || v > c.High {
		return missing(id, rules.Implausible)
	}
	if v == 0 {
		v = 0
	}
	return interlock.Sample{Channel: id, Quality: rules.Good, Value: v}
}

// doubt makes a good sample doubtful, unless there is no cause to.
func doubt(s interlock.Sample, why rules.Cause) interlock.Sample {
	if why != rules.NoCause && s.Quality == rules.Good {
		s.Quality, s.Cause = rules.Doubtful, why
	}
	return s
}
