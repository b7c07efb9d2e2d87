package hazard

import (
	"fmt"
	"strings"

	"downhaul/interlock"
	"downhaul/rules"
	"downhaul/rules/rounding"
	"downhaul/rules/words"
)

// LimitRow is one rule as a crew reads it in a table, in the units of its limit and of the
// envelope. Without a pad nobody knows Off and Meanwhile, and they are empty.
type LimitRow struct {
	Rule string `json:"rule"`
	// Limit is what the channel may not do, such as "above 1800 N"; Caution and Lasting
	// are empty where the rule has none.
	Limit   string `json:"limit"`
	Caution string `json:"caution"`
	Lasting string `json:"delay"`
	// Off is the longest until the relay is open, grace counted; Meanwhile what the
	// craft does until then.
	Off       string `json:"power_off_within"`
	Meanwhile string `json:"meanwhile"`
	// CraftOnly reports whether the rule rests on the craft's own word alone.
	CraftOnly bool `json:"craft_only"`
}

// LimitRowOf is a rule of an envelope without a pad.
func LimitRowOf(r *rules.Rule) LimitRow {
	row := LimitRow{Rule: r.Name, Limit: strings.TrimPrefix(words.Condition(r), "is ")}
	switch r.While {
	case rules.Armed:
		row.Limit += ", armed"
	case rules.Airborne:
		row.Limit += ", in the air"
	}
	if r.HasCaution {
		row.Caution = rules.ShowLimit(r.Watch, r.Caution, r.Unit)
		if r.Form == rules.Outside {
			row.Caution += " to " + rules.ShowLimit(r.Watch, r.CautionHigh, r.Unit)
		}
	}
	if r.Lasting > 0 {
		row.Lasting = rules.FormatDuration(r.Lasting)
	}
	return row
}

// limitRow is rule i on this pad.
func (j *job) limitRow(i int) LimitRow {
	r, b, m := &j.Envelope.Rules[i], &j.budgets[i], &j.out.Meanwhile[i]
	row := LimitRowOf(r)
	row.CraftOnly = j.Pad.Fed(r.Watch) == rules.CraftSays
	within := func(s float64) string { return rounding.Show(s, "s", 2, rounding.Up) }
	switch {
	case !j.fed(r.Watch):
		row.Off, row.Meanwhile = "never", "NOTHING FEEDS IT"
	case r.Stop == rules.NoStop:
		row.Off, row.Meanwhile = "never", "caution only, within "+within(b.Relay)
	case j.Pad.Duty == interlock.Watch:
		row.Off, row.Meanwhile = "never", "told within "+within(b.Relay)
	case r.Stop == rules.Controlled:
		row.Off, row.Meanwhile = within(b.Relay+b.Grace), "is brought down"
		if m.Drop != nil {
			row.Meanwhile += "; if too slow, lands at " + j.brief(*m.Drop, rules.Speed)
		}
	default:
		row.Off, row.Meanwhile = within(b.Relay), j.does(m)
	}
	return row
}

// brief is a figure for a table, two digits, to the side that is feared.
func (j *job) brief(v float64, k rules.Kind) string {
	return rounding.Show(v, rules.DefaultUnit(k, j.Envelope.Units), 2, rounding.Up)
}

// pull is a force that was worked out: three digits count, however large it is.
func (j *job) pull(v float64) string {
	return rounding.Coarse(v, rules.DefaultUnit(rules.Force, j.Envelope.Units), 3, rounding.Up)
}

// does is what a runaway does until its thrust is gone, in a few words.
func (j *job) does(m *Meanwhile) string {
	switch {
	case m.Apex != nil:
		return fmt.Sprintf("tops out at %s, lands at %s", j.brief(*m.Apex, rules.Length), j.brief(*m.Drop, rules.Speed))
	case m.Speed != nil && m.Gain != nil:
		return fmt.Sprintf("gains %s, up to %s", j.brief(*m.Gain, rules.Length), j.brief(*m.Speed, rules.Speed))
	case m.Speed != nil:
		return "up to " + j.brief(*m.Speed, rules.Speed)
	case j.full > 0:
		return "a runaway from hover gains " + j.brief(Runaway(j.full, m.Gone), rules.Length)
	}
	return "not known: no full thrust and mass under [height]"
}

// Why returns which of the distances the keep-out is and which are not known, in a few
// words without a number.
func (k *Keep) Why() string {
	if k.Out == nil {
		return "not known: state the tether's length, and the craft's radius"
	}
	text, missing := "the stretched tether and the craft's radius", []string{}
	if k.Parted == nil {
		missing = append(missing, "a parted tether")
	} else if *k.Out == *k.Parted {
		text = "a tether that parts at full thrust"
	}
	if k.Blade == nil {
		missing = append(missing, "a thrown blade")
	} else if *k.Out == *k.Blade {
		text = "a thrown blade"
	}
	if len(missing) > 0 {
		text += ". Farther: " + strings.Join(missing, " and ") + ", how far is not known"
	}
	return text
}

// first are the few sentences that matter before any other.
func (j *job) first() (out []string) {
	say := func(format string, args ...any) { out = append(out, fmt.Sprintf(format, args...)) }
	k := &j.out.Keep
	if k.Out == nil {
		say("Keep-out %s.", k.Why())
	} else {
		say("Keep out of %s: %s.", j.brief(*k.Out, rules.Length), k.Why())
	}
	if k.Separation != nil {
		say("After power off the rotors turn for up to %s (%s): nobody walks in from nearer than %s.", rules.FormatDuration(j.Stop.Rotors.Standing), j.Stop.Rotors.Says(), j.brief(*k.Separation, rules.Length))
	}
	if r := &j.out.Rope; r.WorkingLoad != nil {
		text := fmt.Sprintf("The tether works at %s at most", j.down(*r.WorkingLoad, rules.Force))
		if r.Snatch != nil {
			text += fmt.Sprintf("; a runaway into its end pulls up to %s", j.pull(*r.Snatch))
		}
		say("%s.", text)
	}
	return out
}
