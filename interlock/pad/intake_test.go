package pad

import (
	"errors"
	"fmt"
	"math"
	"strings"

	"downhaul/interlock/day/derived"
	"downhaul/interlock/day/intake"
	"downhaul/rules"
)

// meant returns an error where an intake could not be meant so. The intake takes what it
// is given: this reader is the one place that refuses.
func meant(c intake.Config) error {
	var errs []error
	want := func(ok bool, what string, got any) {
		if !ok {
			errs = append(errs, fmt.Errorf("%s: %+v", what, got))
		}
	}
	within := func(v, low, high float64) bool { return v >= low && v <= high }
	want(c.Craft.System > 0 && c.Craft.Component > 0, "craft", c.Craft)
	want(within(float64(len(c.Links)), 1, intake.MaxLinks), "links", len(c.Links))
	for _, l := range c.Links {
		want(!l.Stream || !l.From.IsValid(), "a stream has no sender's address", l)
		want(l.From.IsValid() || l.From.Port() == 0, "a port without an address", l)
	}
	if a := c.Anemometer; a.Fitted {
		want(a.Slope > 0 && a.Slope <= 100, "slope", a.Slope)
		want(within(a.Offset, 0, 10), "offset", a.Offset)
		want(a.MaxHz > 0 && a.MaxHz <= 1e5, "highest frequency", a.MaxHz)
		want(a.MinPeriod >= 0 && a.MinPeriod.Seconds() < 1/a.MaxHz, "bounce time", a.MinPeriod)
		want(within(a.StartsAt, 0, 10), "starting wind", a.StartsAt)
		want(within(a.StillAfter.Hours(), 0, 1), "still after", a.StillAfter)
	}
	if l := c.LoadCell; l.Fitted {
		low, high := int32(-1<<23), int32(1<<23-1) // where a converter of 24 bits clips
		if l.Low != 0 || l.High != 0 {
			low, high = max(low, l.Low), min(high, l.High)
		}
		want(l.NewtonsPerCount != 0 && within(l.NewtonsPerCount, -1e6, 1e6), "scale", l.NewtonsPerCount)
		want(low < l.Zero && l.Zero < high, "zero", l)
	}
	f := &c.Fields
	want(within(float64(f.Motors), 0, derived.MaxMotors) && within(float64(f.Cells), 0, 200), "motors, cells", f)
	for i := range f.OutputIdle {
		want(within(f.OutputIdle[i], 0, 65534) && within(f.OutputFull[i], 0, 65534) && f.OutputIdle[i] != f.OutputFull[i], "outputs", i)
	}
	for i, n := range f.Named {
		ch := n.Channel.Channel()
		want(len(n.Name) >= 1 && len(n.Name) <= 10 && !strings.Contains(n.Name, "\x00"), "name", n)
		want(n.Channel != rules.NoChannel && ch.ID == n.Channel && canBeNamed(ch), "channel", n)
		want(n.Scale != 0 && math.Abs(n.Scale) < 1e30 && math.Abs(n.Offset) < 1e30, "scale", n)
		want(n.Channel != rules.WindSpeed || !c.Anemometer.Fitted, "two sources of the wind", n)
		want(n.Channel != rules.Tension || !c.LoadCell.Fitted && !f.TensionFromWinch, "two sources of the tension", n)
		for _, o := range f.Named[:i] {
			want(o.Name != n.Name && o.Channel != n.Channel, "named twice", n)
		}
	}
	want(!c.LoadCell.Fitted || !f.TensionFromWinch, "load cell and winch", f.TensionFromWinch)
	return errors.Join(errs...)
}
