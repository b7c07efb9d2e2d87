package hazard

import (
	"fmt"
	"slices"

	"downhaul/rules"
	"downhaul/rules/rounding"
)

// hurried are hazards that are over within a second or two: only a stop at once helps.
var hurried = []struct {
	what string
	any  []rules.ChannelID
}{
	{"goes too high", []rules.ChannelID{rules.Apex, rules.Height, rules.HeightLocal, rules.HeightGlobal, rules.HeightAltitude, rules.HeightRange, rules.HeightClearance, rules.Climb}},
	{"tips over", []rules.ChannelID{rules.Tilt, rules.Roll, rules.Pitch, rules.RollRate, rules.PitchRate}},
	{"pulls too hard at its tether", []rules.ChannelID{rules.Tension, rules.WinchTension}},
}

// atOnce looks at hazards that rules watch and none stops at once: one that only sounds
// or leaves power on for a grace is a slip, or meant beside another.
func (l *looker) atOnce() {
	for _, h := range hurried {
		var best *rules.Rule
		l.eachRule(func(r *rules.Rule) {
			up := r.Form == rules.Above || r.Form == rules.Outside
			if up && slices.Contains(h.any, r.Watch) && (best == nil || r.Stop > best.Stop) {
				best = r
			}
		})
		if best == nil || best.Stop == rules.Immediate {
			continue
		}
		wrong := fmt.Sprintf("%q only sounds, and no other rule takes the power off when the craft %s", best.Name, h.what)
		if best.Stop == rules.Controlled {
			wrong = fmt.Sprintf("%q leaves the power on for %s, and no other rule takes it off at once when the craft %s", best.Name, rules.FormatDuration(best.Grace), h.what)
		}
		l.tell(l.LimitFile.Fault(best.Line, wrong, `write stop = "immediate"`, "rule[].stop", "rule[].watch"))
	}
}

// bothWays are channels that go as far to one side as to the other.
var bothWays = []rules.ChannelID{rules.Roll, rules.Pitch, rules.RollRate, rules.PitchRate, rules.YawRate}

// oneSide looks at limits on one side of what has two.
func (l *looker) oneSide() {
	l.eachRule(func(r *rules.Rule) {
		if !slices.Contains(bothWays, r.Watch) || r.Form != rules.Above && r.Form != rules.Below {
			return
		}
		other := false
		l.eachRule(func(by *rules.Rule) {
			other = other || by.Watch == r.Watch && (by.Form == rules.Outside || by.Form != r.Form)
		})
		if !other {
			l.limit(r.Line, fmt.Sprintf("%q sees one side alone: %s is negative to the other", r.Name, r.Watch), fmt.Sprintf("write outside = [%q, %q]", "-"+rules.FormatExact(r.Limit, r.Unit), rules.FormatExact(r.Limit, r.Unit)))
		}
	})
}

// tug is the share of the craft's weight under which a pull is one that any gust gives;
// ours.
const tug = 0.1

// tugs looks at limits on tension that the craft passes at every tug.
func (l *looker) tugs() {
	least := tug * l.mass() * Gravity
	l.eachRule(func(r *rules.Rule) {
		if isTension(r.Watch) && r.Form == rules.Above && r.Stop != rules.NoStop && r.Limit < least && !l.onGround() {
			l.limit(r.Line, fmt.Sprintf("%q trips at any tug: %s is a tenth of the craft's weight", r.Name, rounding.Show(least, r.Unit, 2, rounding.Up)), "raise it, as far as the tether bears")
		}
	})
}

// coarse is the share of a limit on tension that one count of the converter may be; ours.
const coarse = 0.005

func (l *looker) cellCoarse() {
	if l.Pad == nil || !l.Pad.LoadCell.Fitted {
		return
	}
	one := l.Pad.LoadCell.NewtonsPerCount
	if one < 0 {
		one = -one
	}
	l.eachRule(func(r *rules.Rule) {
		if r.Watch == rules.Tension && r.Form == rules.Above && one > coarse*r.Limit {
			l.tell(l.PadFile.Fault(0, fmt.Sprintf("one count is %s, too coarse for the limit %q of %s", rounding.Show(one, r.Unit, 3, rounding.Near), r.Name, rules.FormatExact(r.Limit, r.Unit)),
				"look at loads and counts of the calibration", "load_cell.known[].counts", "load_cell.newtons_per_count"), l.LimitFile.Places(r.Line, limitKeys...))
		}
	})
}
