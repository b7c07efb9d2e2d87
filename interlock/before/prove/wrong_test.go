package prove

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"slices"
	"time"

	"github.com/bluenviron/gomavlib/v3/pkg/frame"

	"downhaul/interlock"
	"downhaul/interlock/day/intake"
	"downhaul/interlock/day/telemetry/signing"
	"downhaul/rules"
)

// deaf never hears that a line went off.
func deaf(l interlock.Line) func(core, *interlock.Input) bool {
	return func(c core, in *interlock.Input) bool {
		if in.Kind == interlock.LineInput && in.Line == l {
			in.On = true
		}
		return true
	}
}

// wasSaid is deaf for several lines.
func wasSaid(lines ...interlock.Line) func(core, *interlock.Input) bool {
	return func(_ core, in *interlock.Input) bool {
		if in.Kind == interlock.LineInput && slices.Contains(lines, in.Line) {
			in.On = true
		}
		return true
	}
}

// without swallows some effects.
func without(which func(f *interlock.Effect) bool) func([]interlock.Effect) []interlock.Effect {
	return func(effects []interlock.Effect) []interlock.Effect {
		return slices.DeleteFunc(effects, func(f interlock.Effect) bool { return which(&f) })
	}
}

// rateRow are rules of change.
var rateRow = wideRule("pull", "tether.tension", "rising_faster = \"1 kN/s\"\nlasting = \"300 ms\"\ndeadband = \"50 N/s\"", now) +
	wideRule("spike", "tether.tension", "rising_faster = \"3 kN/s\"", now) +
	wideRule("jerk", "tether.tension_rate", "above = \"4 kN/s\"\nlasting = \"200 ms\"", now)

const provingPad = "../../../cmd/downhaul/proving/pad.toml"

// packRow are rules on what is worked out of a pack.
var packRow = wideRule("worn pack", "pack.resistance", "above = \"60 mohm\"", soon) +
	wideRule("empty", "pack.resting", "below = \"45 V\"\nlasting = \"3 s\"", soon)

// ageRow are rules on the age of the link.
var ageRow = wideRule("age", "link.age", "above = \"400 ms\"", now) +
	wideRule("age, lasting", "link.age", "above = \"300 ms\"\nlasting = \"100 ms\"", soon)

// flickers moves the last digit of a current that sticks.
func flickers() func(core, *interlock.Input) bool {
	return func(_ core, in *interlock.Input) bool {
		if in.Kind == interlock.SampleInput && in.Sample.Channel == rules.Pack1Current {
			in.Sample.Value += 1e4 * wobble()
		}
		return true
	}
}

// shifted measures a channel from another zero.
func shifted(id rules.ChannelID, by float64) func(core, *interlock.Input) bool {
	return func(_ core, in *interlock.Input) bool {
		if in.Kind == interlock.SampleInput && in.Sample.Channel == id {
			in.Sample.Value += by
		}
		return true
	}
}

// smoothed lets the tension move by no more than 100 N from one sample to the
// next.
func smoothed() func(core, *interlock.Input) bool {
	return func(c core, in *interlock.Input) bool {
		if s := &in.Sample; in.Kind == interlock.SampleInput && s.Channel == rules.Tension && s.Quality == rules.Good {
			if was := c.Reading(rules.Tension); was.Quality == rules.Good {
				s.Value = min(s.Value, was.Value+100)
			}
		}
		return true
	}
}

// scaled measures a channel on another scale.
func scaled(id rules.ChannelID, by float64) func(core, *interlock.Input) bool {
	return func(_ core, in *interlock.Input) bool {
		if in.Kind == interlock.SampleInput && in.Sample.Channel == id {
			in.Sample.Value *= by
		}
		return true
	}
}

// neverBelow takes a height below the ground for one on it.
func neverBelow() func(core, *interlock.Input) bool {
	return func(_ core, in *interlock.Input) bool {
		if in.Kind == interlock.SampleInput && isHeight(in.Sample.Channel) {
			in.Sample.Value = max(in.Sample.Value, 0)
		}
		return true
	}
}

// staysOff leaves a height that once was too far off for a start just off.
func staysOff() func(core, *interlock.Input) bool {
	return func(c core, in *interlock.Input) bool {
		if in.Kind == interlock.SampleInput && isHeight(in.Sample.Channel) {
			var v interlock.View
			c.View(&v)
			if slices.ContainsFunc(v.Unmet, isHeightNeed) {
				in.Sample.Value = max(in.Sample.Value, 0.9)
			}
		}
		return true
	}
}

// tripsWhenLost takes a wind in which nobody would start for a reason to stop.
func tripsWhenLost() func(core, *interlock.Input) bool {
	return func(c core, in *interlock.Input) bool {
		if in.Kind == interlock.SampleInput && in.Sample.Channel == rules.WindSpeed && c.Reading(rules.Gust).Value > 5.5 {
			var v interlock.View
			c.View(&v)
			if v.State == interlock.Live {
				*in = interlock.Input{Kind: interlock.HostInput, Host: interlock.HostStalled, On: true}
			}
		}
		return true
	}
}

func withoutHost(h interlock.Host) func(core, *interlock.Input) bool {
	return func(_ core, in *interlock.Input) bool { return in.Kind != interlock.HostInput || in.Host != h }
}

// wobble is a digit that moves, for two channels in turn.
var wobbles = 0

func wobble() float64 {
	wobbles++
	return 1e-7 * float64(wobbles/2%2)
}

// stillKnown makes "landed" and "disarmed" never grow old.
func stillKnown() func(core, *interlock.Input) bool {
	return func(c core, in *interlock.Input) bool {
		if in.Kind != interlock.LineInput || in.Line != interlock.EStopA {
			return true
		}
		var v interlock.View
		c.View(&v)
		for _, id := range [...]rules.ChannelID{rules.CraftArmed, rules.CraftLanded} {
			if now := c.Reading(id); now.Quality == rules.Good && v.At-now.At > time.Second {
				c.Step(v.At, &interlock.Input{Kind: interlock.SampleInput, Sample: interlock.Sample{Channel: id, Quality: rules.Good, Value: now.Value}})
			}
		}
		return true
	}
}

// signedWell reports whether the library finds the signature of one frame good.
func signedWell(b []byte) bool {
	key := frame.V2Key(proofKey)
	r := &frame.Reader{BufByteReader: bufio.NewReader(bytes.NewReader(b)), DialectRW: sums, InKey: &key}
	if err := r.Initialize(); err != nil {
		panic(err)
	}
	_, err := r.Read()
	return err == nil
}

// off reports whether a frame's stamp, under that link number, lies so many seconds
// off the clock.
func off(c *intake.Chunk, link byte, seconds int) bool {
	if c.Bytes[2]&1 == 0 {
		return false
	}
	tail := c.Bytes[len(c.Bytes)-13:]
	stamp := int64(binary.LittleEndian.Uint64(append(slices.Clone(tail[1:7]), 0, 0)))
	apart := stamp - int64(signing.StampOf(proofDay.Add(c.At)))
	return tail[0] == link && apart/1000 == int64(seconds)*100
}

// lateTakeoff hears "in the air" only when the craft has been saying so for two
// seconds.
func lateTakeoff() func(core, *interlock.Input) bool {
	var first, last time.Duration
	return func(c core, in *interlock.Input) bool {
		if in.Kind != interlock.SampleInput || in.Sample.Channel != rules.CraftLanded || in.Sample.Value != 0 {
			return true
		}
		var v interlock.View
		c.View(&v)
		if v.At < last || v.At-last > 1500*time.Millisecond {
			first = v.At
		}
		last = v.At
		return v.At-first >= 2*time.Second
	}
}

// seesOnWaking puts a tilt of its own in with the word that the craft flies, as
// if nothing had been missing before.
func seesOnWaking() func(core, *interlock.Input) bool {
	return func(c core, in *interlock.Input) bool {
		if in.Kind == interlock.SampleInput && in.Sample.Channel == rules.CraftLanded && in.Sample.Value == 0 {
			var v interlock.View
			c.View(&v)
			for _, id := range [...]rules.ChannelID{rules.Roll, rules.Pitch} {
				if now := c.Reading(id); v.At-now.At > 200*time.Millisecond {
					c.Step(v.At, &interlock.Input{Kind: interlock.SampleInput, Sample: interlock.Sample{Channel: id, Quality: rules.Good, Value: 1e-3 * wobble()}})
				}
			}
		}
		return true
	}
}

// lateRelay holds a relay that opens back until the next call.
func lateRelay() func([]interlock.Effect) []interlock.Effect {
	var held []interlock.Effect
	return func(effects []interlock.Effect) []interlock.Effect {
		var out []interlock.Effect
		out = append(out, held...)
		held = nil
		for _, f := range effects {
			if (f.Kind == interlock.RelayEffect || f.Kind == interlock.BeatEffect) && !f.On {
				held = append(held, f)
				continue
			}
			out = append(out, f)
		}
		return out
	}
}
