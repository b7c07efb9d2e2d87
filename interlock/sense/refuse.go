package sense

import (
	"fmt"
	"slices"

	"downhaul/interlock"
	"downhaul/interlock/day/derived"
	"downhaul/rules"
	"downhaul/rules/document"
)

// Row is a check that needs more than one number; What is what it refuses, Rests the
// numbers that it goes by, each with its file.
type Row struct {
	What  string
	Rests []string
	Look  func(f *Files, tell func(document.Fault))
}

// Numbers on which others rest.
var (
	OnWeight  = []string{"pad height.mass", "card craft.mass"}
	OnCeiling = []string{"pad height.reaction", "pad height.error_height", "pad height.error_climb", "pad contactor.drop_out", "pad reach.delay", "pad link[].delay", "pad stop.stated", "pad stop.measured",
		"pad height.max_thrust", "pad height.thrust_to_weight", "pad height.mass"}
)

// Rows are asked in this order.
var Rows = []Row{
	{"masses of the one craft that differ in pad file and card", nil, (*Files).masses},
	{"thrust that cannot lift the craft, in pad file or card", append(OnWeight, "card motors.count", "pad craft.motors"), (*Files).thrust},
	{"a ceiling that the predicted apex passes while the craft stands on the pad", OnCeiling, (*Files).ceiling},
	{"duty guard where no rule that is fed has a stop", nil, (*Files).stops},
}

func (f *Files) thrust(tell func(document.Fault)) {
	if p := f.Pad; p != nil && p.Height.MaxAcceleration > 0 && p.Height.MaxAcceleration <= derived.Gravity {
		tell(f.PadFile.Fault(0, fmt.Sprintf("full thrust is %.2g times the weight and lifts nothing, so a runaway would be taken to gain no height", p.Height.MaxAcceleration/derived.Gravity),
			"write that of all motors together, and the mass of the lightest craft", "height.thrust_to_weight", "height.max_thrust"))
	} else if c := f.Card; c != nil && c.Motors.Thrust > 0 {
		if n, w := float64(c.Motors.Count)*c.Motors.Thrust, c.Craft.Mass*derived.Gravity; n <= w {
			tell(f.CardFile.Fault(0, fmt.Sprintf("all %d motors lift %s, and the craft weighs %s without ballast", c.Motors.Count, c.Show(n, rules.Force), c.Show(w, rules.Force)),
				"write what one motor lifts, standing still, or mend mass under [craft]", "motors.thrust", "motors.rig.reading"))
		}
	}
}

// agree is how far two figures of one thing may be apart: what two scales leave open.
const agree = 0.02

func (f *Files) masses(tell func(document.Fault)) {
	if f.Card == nil || f.Pad == nil {
		return
	}
	mass := f.Card.Craft.Mass
	walk(document.Parse("", f.PadFile.Text).Root(), []string{"height", "mass"}, func(t *document.Table, key string) {
		if m, _, _, ok := Number(t.Value(key)); ok && (m > mass*(1+agree) || m < mass*(1-agree)) {
			tell(f.PadFile.Fault(0, "the test card has another mass: "+f.Card.Show(mass, rules.Mass), "weigh it, and write the same as the mass of the lightest craft here and under [craft] of the card", "height.mass"))
		}
	})
}

// Standing is the apex (m) that is predicted with such a reaction while the craft
// stands on the pad and the newest height is so old; both in s.
func (f *Files) Standing(reaction, age float64) float64 {
	h := &f.Pad.Height
	return derived.Coast(h.ErrorHeight, h.ErrorClimb, reaction+age, max(0, h.MaxAcceleration-derived.Gravity))
}

// Freshest is the age (s) that every height reaches before the next: links that tell
// it more than ten times a second are rare.
const Freshest = 0.1

func (f *Files) ceiling(tell func(document.Fault)) {
	for i := 0; f.Pad != nil && f.Envelope != nil && f.Pad.Height.MaxAcceleration > 0 && i < len(f.Envelope.Rules); i++ {
		r := &f.Envelope.Rules[i]
		// As the file states the reaction: a stop test may have measured a longer one,
		// and of that package hazard warns.
		top := f.Standing(f.Pad.Reaction(rules.ThrustGone{}).Seconds(), Freshest)
		if r.Watch == rules.Apex && r.Form == rules.Above && r.Stop != rules.NoStop && top >= r.Limit {
			tell(f.LimitFile.Limit(r.Line, fmt.Sprintf("this ceiling leaves %s to hover: standing on the pad the predicted apex is %s already, by thrust, reaction and errors of the pad file and a height that is %g s old",
				rules.Reading(r.Limit-top, r.Unit), rules.Reading(top, r.Unit), Freshest), "raise it as far as the tether allows, or shorten reaction and errors under [height]"))
		}
	}
}

func (f *Files) stops(tell func(document.Fault)) {
	acts := func(r rules.Rule) bool { return r.Stop != rules.NoStop && f.Pad.Fed(r.Watch) != rules.NotFed }
	if f.Pad != nil && f.Envelope != nil && f.Pad.Duty == interlock.Guard && !slices.ContainsFunc(f.Envelope.Rules, acts) {
		tell(f.LimitFile.Fault(f.Envelope.Rules[0].Line, "nothing takes the power off: no rule that this pad feeds has a stop",
			`write stop = "immediate" or "controlled", or duty = "watch" in the pad file`, "rule[].stop"))
	}
}
