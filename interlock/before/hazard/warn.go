package hazard

import (
	"fmt"
	"math"
	"slices"

	"downhaul/interlock"
	"downhaul/interlock/sense"
	"downhaul/rules"
	"downhaul/rules/rounding"
)

// fullCell is the resting voltage of a full lithium cell, V (makers' sheets:
// charge to 4.20 ± 0.05 V).
const fullCell = 4.2

// warnOfRule warns of a rule that cannot do its job.
func (j *job) warnOfRule(r *rules.Rule, b *Budget) {
	every := b.Period
	whence := "usually"
	if b.Measured {
		whence = "as heard from the craft"
	}
	ms := func(v float64) string { return rounding.Show(v, "ms", 3, rounding.Up) }
	if b.Lasting > 0 && b.Lasting < every {
		j.warn("%q must last %s, and its values come %s apart (%s): one value alone decides. Write %s or more, or see that values come faster",
			r.Name, ms(b.Lasting), ms(every), whence, ms(2*every))
	}
	switch {
	case b.Silence < every:
		j.doubt(r, "stale_after", nil, "%q takes its channel for missing after %s, and its values come %s apart (%s): it would trip all the time. Ask the craft for more, or write stale_after = \"%s\"",
			r.Name, ms(b.Silence), ms(every), whence, ms(2*every))
	case b.Measured && b.Silence < (1+lost)*every:
		j.warn("%q takes its channel for missing after %s, and its values come %s apart (%s): a single lost message trips it",
			r.Name, ms(b.Silence), ms(every), whence)
	}
	if r.Watch == rules.LiftReserve {
		switch full := j.Pad.Full.Pull; {
		case full == 0:
			j.doubt(r, "watch", nil, "%q watches craft.lift_reserve, which is always missing here: %v", r.Name, rules.NoFullOutput)
		case full <= j.mass*Gravity:
			j.warn("%q watches craft.lift_reserve by a pull of %s at full output, which does not lift the craft", r.Name, j.show(full, rules.Force))
		}
	}
	j.warnOfLimit(r, b)
	if r.Stop == rules.Controlled {
		j.warnOfGrace(r)
	}
}

// warnOfLimit warns of limits that can hardly act, or too late.
func (j *job) warnOfLimit(r *rules.Rule, b *Budget) {
	if r.Stop == rules.NoStop && !isHeight(r.Watch) {
		return
	}
	if r.Form == rules.Below && (r.Watch == rules.Pack1LowestCell || r.Watch == rules.PackMeanCell || r.Watch == rules.Pack1Voltage || r.Watch == rules.SupplyVoltage) {
		j.warnOfSag(r)
	}
	if r.Form != rules.Above {
		return
	}
	l := j.Envelope.Tether.Length
	switch {
	case isTension(r.Watch):
		j.warnOfTension(r, b)
	case r.Stop != rules.NoStop && isHeight(r.Watch) && r.Watch != rules.Apex && r.Limit < l && j.full > Gravity:
		// A predicted apex has the coast in it; a height has not.
		if top := j.topBehind(r, b); top > l {
			in := func(v float64) string { return rounding.Show(v, r.Unit, 3, rounding.Up) }
			j.doubt(r, "", onRunaway, "%q watches the height now: past %s a runaway from the pad goes on to %s before it is stopped, and the tether ends at %s. Watch craft.apex, or lower the limit",
				r.Name, rules.Format(r.Limit, r.Unit), in(top), in(l))
		}
	}
}

// onRunaway are the numbers on which the course of a runaway rests.
var onRunaway = append([]string{"envelope tether.length"}, onCeiling...)

func (j *job) warnOfTension(r *rules.Rule, b *Budget) {
	_, k, _ := j.stiffness()
	if k == 0 || j.mass == 0 {
		return
	}
	// A quarter of the period is the least, on the stiffest rope with the lightest
	// craft: with thrust that pulls on it takes longer.
	if least := peakTime(0, k, j.Card.Craft.Mass, 1); least < b.Gone {
		j.warn("%q comes too late for the first snatch: the pull is at its greatest at least %s after the tether comes tight, a quarter of the period of %s on it (longer while thrust pulls on), and thrust is gone after %s. Size the tether for the snatch; the rule takes care of what follows",
			r.Name, rounding.Show(least, "ms", 3, rounding.Down), j.show(j.Card.Craft.Mass, rules.Mass), rounding.Show(b.Gone, "ms", 3, rounding.Up))
	}
}

// warnOfFrozen warns of rules that rest on the pad's own load cell where nothing watches it
// for freezing: a converter that hangs tells the same count for ever, and no pull is seen.
// At rest the last digits of a healthy one move.
func (j *job) warnOfFrozen() {
	rests := func(r rules.Rule) bool { return r.Watch == rules.Tension || r.Watch == rules.TensionRate }
	i := slices.IndexFunc(j.Envelope.Rules, func(r rules.Rule) bool { return rests(r) && r.Stop != rules.NoStop })
	watched := slices.ContainsFunc(j.Envelope.Rules, func(r rules.Rule) bool { return r.Watch == rules.Tension && r.FrozenAfter > 0 })
	if !j.Pad.LoadCell.Fitted || i < 0 || watched {
		return
	}
	r, write := &j.Envelope.Rules[i], "write"
	if r.Watch != rules.Tension {
		write = "add a rule on tether.tension with"
	}
	j.warn("%q would not see a load cell that freezes: the same reading again and again is believed, and no pull shows. Where its last digits move at rest, %s frozen_after = %d, a second of its readings",
		r.Name, write, int(math.Ceil(max(2, j.Pad.LoadCell.Rate))))
}

// warnOfSag warns of a floor that full thrust reaches with a pack that may
// still start.
func (j *job) warnOfSag(r *rules.Rule) {
	if j.Card == nil || j.Card.Motors.Current == 0 || len(j.Card.Packs) == 0 {
		return
	}
	p := &j.Card.Packs[0]
	if p.Resistance == 0 || p.Cells == 0 {
		return
	}
	// Packs share the current; which way they are wired only the pad knows, and
	// side by side is taken.
	share := j.Card.Motors.Current / float64(len(j.Card.Packs))
	cells := float64(p.Cells)
	sag := share * p.Resistance / cells
	rest, from := fullCell, "full"
	for i := range j.Envelope.Permissives {
		q := &j.Envelope.Permissives[i]
		if q.Watch == rules.Pack1LowestCell && q.Form == rules.Above {
			rest, from = q.Limit, "as low as may start"
		}
	}
	limit := r.Limit
	if r.Watch == rules.Pack1Voltage || r.Watch == rules.SupplyVoltage {
		limit /= cells
	}
	near := func(unit string, v float64) string { return rounding.Show(v, unit, 3, rounding.Near) }
	if rest-sag <= limit {
		j.doubt(r, "", []string{"card motors.current", "card pack[].resistance", "card pack[].cells", "envelope permissive[].above"}, "%q is reached by sag alone: a pack %s rests at %s a cell, full thrust takes %s of it (%s through %s), and the floor is %s a cell",
			r.Name, from, near("V", rest), rounding.Show(sag, "V", 3, rounding.Up), near("A", share), near("mohm", p.Resistance), near("V", limit))
	}
}

// warnOfGraces warns of graces that are too short to come down in, all at the first of
// them: it is one height and one speed.
func (j *job) warnOfGraces() {
	if j.Card == nil || j.Card.Craft.Lowering == 0 || math.IsInf(j.top, 1) {
		return
	}
	need := j.top / j.Card.Craft.Lowering
	if first, leave := shortGraces(j.Envelope, need, func(r *rules.Rule) bool { return j.fed(r.Watch) }); first != nil {
		j.doubt(first, "grace", append([]string{"card craft.lowering"}, onHeights...), "%s to come down, and from %s at %s it takes %s: it would be cut in the air",
			leave, j.show(j.top, rules.Length), j.show(j.Card.Craft.Lowering, rules.Speed), j.up(need, rules.Duration))
	}
	if end := j.Pad.EndGrace.Seconds(); j.Pad.Duty == interlock.Guard && end < need {
		l := looker{Files: &sense.Files{PadFile: j.PadFile, LimitFile: j.Limits, CardFile: j.CardFile}}
		j.out.Doubts = append(j.out.Doubts, Finding{j.PadFile.Fault(0, fmt.Sprintf("the end of a run leaves %s to come down, and from %s at %s it takes %s: power would be cut in the air", rules.FormatDuration(j.Pad.EndGrace),
			j.show(j.top, rules.Length), j.show(j.Card.Craft.Lowering, rules.Speed), j.up(need, rules.Duration)), "write a longer one", "end.grace", "duty"), l.On(append([]string{"card craft.lowering", "envelope rule[].grace"}, onHeights...)...)})
	}
}

// onHeights are the limits of rules, of which the lowest on height counts for a grace.
var onHeights = []string{"envelope rule[].above"}

// shortGraces gives the first rule with a controlled stop that leaves less than need, s,
// to come down, and names all that do with their times; nil where none does.
func shortGraces(e *rules.Envelope, need float64, counts func(*rules.Rule) bool) (first *rules.Rule, leave string) {
	for i := range e.Rules {
		switch r := &e.Rules[i]; {
		case r.Stop != rules.Controlled || r.Grace.Seconds() >= need || !counts(r):
		case first == nil:
			first, leave = r, fmt.Sprintf("%q leaves %s", r.Name, rules.FormatDuration(r.Grace))
		default:
			leave += fmt.Sprintf(", %q %s", r.Name, rules.FormatDuration(r.Grace))
		}
	}
	return first, leave
}

// warnOfGrace warns of a grace that is longer than the pack lasts.
func (j *job) warnOfGrace(r *rules.Rule) {
	grace := r.Grace.Seconds()
	if r.Form != rules.Below {
		return
	}
	switch floor := j.Pad.Packs.Floor; {
	case r.Watch == rules.PackToFloor && grace > r.Limit:
		j.doubt(r, "grace", nil, "%q leaves %s to come down, and at its limit the pack lasts only %s more to its floor", r.Name, rules.FormatDuration(r.Grace), j.down(r.Limit, rules.Duration))
	case floor > 0 && (r.Watch == rules.Pack1Voltage || r.Watch == rules.SupplyVoltage) && r.Limit <= floor,
		floor > 0 && j.Pad.Packs.Cells > 0 && (r.Watch == rules.Pack1LowestCell || r.Watch == rules.PackMeanCell) && r.Limit*float64(j.Pad.Packs.Cells) <= floor:
		j.doubt(r, "grace", []string{"pad packs.floor"}, "%q leaves %s to come down, and at its limit of %s the pack is at its hard floor already (%s for the whole pack)",
			r.Name, rules.FormatDuration(r.Grace), rules.FormatExact(r.Limit, r.Unit), j.show(floor, rules.Voltage))
	}
}
