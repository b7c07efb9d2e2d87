package intake

import (
	"time"

	"downhaul/interlock"
	"downhaul/rules"
)

// mostFours is how many fours of motor controllers there can be: ESC_STATUS and
// ESC_INFO tell of four a frame.
const mostFours = 4

// controllers makes one value of the fours that a craft with more than four
// motor controllers tells of in turn: the lowest voltage, the sum of the
// currents, the hottest, and every failure flag. Each four has its own age: one
// that goes silent makes the value missing, whatever the others say.
//
// Fours that hold a declared motor must be told of. Where no count is declared,
// a four counts from its first good value on.
type controllers struct {
	declared int // fours that hold a declared motor; 0 is not stated
	known    [fourChannels][mostFours]bool
	last     [fourChannels][mostFours]four
}

// forget lets the fours go that a craft told of before it restarted.
func (c *controllers) forget() { *c = controllers{declared: c.declared} }

// four is what the last frame of a four said of one channel.
type four struct {
	at time.Duration
	s  interlock.Sample
}

const fourChannels = 4

// fourChannel is the place of a channel in the arrays, −1 for any other.
func fourChannel(id rules.ChannelID) int {
	switch id {
	case rules.ESCVoltage:
		return 0
	case rules.ESCCurrent:
		return 1
	case rules.ESCTemperature:
		return 2
	case rules.ESCFailures:
		return 3
	}
	return -1
}

// join puts the value over all fours in the place of each sample of the one
// whose first controller is index. What a craft says past its declared motors says
// nothing, and leaves the list.
func (c *controllers) join(samples []interlock.Input, index int, at time.Duration) []interlock.Input {
	k := index / 4
	if k >= mostFours {
		return samples
	}
	n := 0
	for i := range samples {
		s := samples[i].Sample
		if ch := fourChannel(s.Channel); ch >= 0 {
			if c.declared > 0 && k >= c.declared {
				continue
			}
			c.last[ch][k] = four{at, s}
			c.known[ch][k] = c.known[ch][k] || s.Quality != rules.Missing
			s = c.over(ch, s, at)
		}
		samples[n] = sampleInput(s)
		n++
	}
	return samples[:n]
}

// over is the value of a channel over all fours that are known, s if none is.
func (c *controllers) over(ch int, s interlock.Sample, at time.Duration) interlock.Sample {
	out, some := s, false
	for g := range mostFours {
		if !c.known[ch][g] && g >= c.declared {
			continue
		}
		one := c.last[ch][g].s
		switch {
		case one.Channel == rules.NoChannel:
			return interlock.Sample{Channel: s.Channel, Quality: rules.Missing, Cause: rules.NeverHeard}
		case at-c.last[ch][g].at > s.Channel.Stale():
			return interlock.Sample{Channel: s.Channel, Quality: rules.Missing, Cause: rules.Stale}
		case one.Quality == rules.Missing:
			return one
		case !some:
			out, some = one, true
			continue
		}
		switch s.Channel {
		case rules.ESCVoltage:
			out.Value = min(out.Value, one.Value)
		case rules.ESCCurrent:
			out.Value += one.Value
		case rules.ESCTemperature:
			out.Value = max(out.Value, one.Value)
		case rules.ESCFailures:
			out.Value = float64(uint16(out.Value) | uint16(one.Value))
		}
	}
	return out
}
