package hazard

import (
	"slices"
	"time"

	"downhaul/interlock/records/stopping"
	"downhaul/interlock/sense"
	"downhaul/rules"
	"downhaul/rules/document"
)

// Row is one check of what files can mean. What it tells is refused or warned of, and
// rests on the numbers that are named.
type Row struct {
	What    string
	Refused bool
	look    func(l *looker)
	rests   []string
}

// Rows are the checks of check, prove and new beside those of sense, which a guard's
// start asks too. None of what they refuse is a hazard at a start: such a limit trips
// at once, or nothing starts. Causes stand before what follows from them.
var Rows = []Row{
	{"parts that weigh more than the whole: a pack or the structure with the lightest pack more than the craft", true, (*looker).weighs, onWeight},
	{"full thrust that pad file and card give more than three times apart", true, (*looker).thrusts, onThrust},
	{"a full-output pull that does not lift the craft or is more than one and a half times its thrust, or voltages of it that its cells do not have", true, func(l *looker) { l.fullOutput(true) }, append(onCells, onThrust...)},
	{"a thrust measured at less than 2 V a cell", true, func(l *looker) { l.rigVolts(true) }, onCells},
	{"a full current that no rotors of the craft's size turn into its thrust, by momentum theory, not even in ducts and the densest air", true, func(l *looker) { l.momentum(true) }, append([]string{"card craft.radius", "card craft.width"}, append(onCells, onMotors...)...)},
	{"one pack, or one step that is needed, named twice", true, (*looker).twice, nil},
	{"a sender that is none: multicast or broadcast, of another family than the address that listens, or heard by this computer alone", true, func(l *looker) { l.senders(true) }, nil},
	{"one path for two things, or one inside what is a file", true, func(l *looker) { l.paths(true) }, nil},
	{"an anchor out of the tether's reach", true, (*looker).away, []string{"envelope tether.length"}},
	{"a tether that parts at full thrust alone, or a stretch that was measured past its breaking", true, (*looker).parts, onThrust},
	{"a rule that trips at rest on the pad, or in any hover (its limit is on the wrong side, or past what the channel reads there)", true, (*looker).tripsAlways, nil},
	{"a limit on current that every hover of the card passes", true, func(l *looker) { l.hoverCurrent(true) }, append([]string{"card motors.current"}, onThrust...)},
	{"a permissive that no craft at rest on the pad meets", true, (*looker).startsNever, nil},
	{"a pack's floor at or above that of full cells", true, (*looker).floor, onCells},
	{"a tension limit past what the load cell can read", true, (*looker).cellEnds, nil},
	{"motors at places that no craft can have: outside its radius, two at one place that turn the same way, all to one side of the middle", true, (*looker).layout, []string{"card craft.radius", "card craft.width"}},
	{"a tilt response that no check can measure: fewer than three places of motors, all in one line, or outputs that telemetry does not tell", true, (*looker).measurable, nil},
	{"a pull of the tie-down that is more than it holds", true, (*looker).tiedown, nil},
	{"a date before 2000 or after 2100", true, func(l *looker) { l.dates(true) }, nil},
	{"an address without a port, one that is nobody's, or one port for two links", true, (*looker).addresses, nil},

	{"pad file and card that differ in radius, or in full thrust (the pad's less, or more than 1.6 times the card's)", false, (*looker).agree, onThrust},
	{"air that no pad has, or that of the pad and the rig far apart", false, (*looker).air, nil},
	{"a tether shorter than the craft, one that bears less at work than full thrust pulls, one that gives more to a snatch than to a slow pull, or an unlikely stretch", false, (*looker).tether, []string{"card craft.radius", "card craft.width", "pad craft.radius"}},
	{"figures of the motors or packs that do not go together: volts, current, charge, losses, floor, current against momentum theory", false, (*looker).motors, append([]string{"card pack[].capacity"}, append(onCells, onMotors...)...)},
	{"a tenth of the craft's mass that is neither structure nor packs", false, (*looker).missing, append([]string{"card pack[].mass", "card pack[].capacity"}, onWeight...)},
	{"a full-output pull far from the craft's thrust, or current and voltages of it that are unlikely", false, func(l *looker) { l.fullOutput(false) }, append([]string{"card motors.current"}, append(onCells, onThrust...)...)},
	{"a step that the motors do not lift or hardly, that loses ballast or gains half the craft at once, or asks what no step before shows", false, (*looker).steps, append([]string{"card motors.losses", "card motors.rig.clean_to"}, onThrust...)},
	{"a date in the future or more than twenty years old, by this computer's clock", false, func(l *looker) { l.dates(false) }, nil},
	{"rotors lower than the cups that tell their wind, or higher than the tether lets them", false, (*looker).mast, []string{"envelope tether.length"}},
	{"a link's address, sender, device, speed, system or component number that no craft at a pad has", false, func(l *looker) { l.link(); l.senders(false) }, nil},
	{"a socket among the records", false, func(l *looker) { l.paths(false) }, nil},
	{"motors that all stand near the middle of their craft", false, (*looker).tight, []string{"card craft.radius", "card craft.width"}},
	{"a vote of heights that takes the lower one, or the mean of two, under a limit above", false, (*looker).voteLow, nil},
	{"a known load of more than the load cell's working load", false, (*looker).knownLoads, nil},
	{"a flight that needs nothing to be looked at first", false, (*looker).needsNothing, nil},
	{"a ceiling at or past the tether's end, or a reach limit past three times the stretched tether or under a fifth of it", false, (*looker).pastTether, []string{"envelope tether.length"}},
	{"a tension limit past the least working load in the tether", false, (*looker).pastLoad, onRope},
	{"a rule or its caution that may trip at rest on the pad or in a quiet hover", false, (*looker).tripsAtTimes, nil},
	{"a limit that is passed too late to act, or never", false, (*looker).actsLate, []string{"card motors.current", "card pack[].capacity"}},
	{"a caution within 2 % or the deadband of its limit", false, (*looker).cautionNear, nil},
	{"an on-delay or a silence allowed that is long for what the channel watches", false, (*looker).waits, nil},
	{"a rule that only sounds or leaves the power on, where no other stops at once what is over in a second: too high, tipping over, too hard a pull", false, (*looker).atOnce, nil},
	{"a limit on one side of roll, pitch or a rate, which go to both", false, (*looker).oneSide, nil},
	{"a tension limit under a tenth of the craft's weight, or finer than the converter's counts", false, func(l *looker) { l.tugs(); l.cellCoarse() }, onWeight},
	{"a rule that another one always beats, or repeats", false, (*looker).beaten, nil},
	{"a permissive that hardly any start meets, that always holds, or that allows what a rule trips for; of the wind also by another channel of it", false, (*looker).startsAlways, nil},
	{"a predicted apex that leaves less than half a metre to hover, with the heights as far apart as they are heard or usual, and the stop as measured", false, (*looker).room, onCeiling},
	{"a grace that asks for coming down faster than 3 m/s", false, (*looker).descent, nil},
	{"a motor output, current, charge or reserve that the card's hover needs and the limit does not allow", false, func(l *looker) { l.hoverOutput(); l.hoverCurrent(false) }, append([]string{"card motors.current"}, append(onBallast, onThrust...)...)},
	{"wind on the card that a rule trips for", false, (*looker).cardWind, nil},
}

// Reckoned is what Judge warns of besides, since it takes times and loads that are
// reckoned with pad file and card.
var Reckoned = []string{
	"a limit on the height now, past which a runaway goes on beyond the tether",
	"a staleness shorter than the time between two values, which trips all the time",
	"a pack floor that sag alone reaches, or one at the pack's hard floor",
	"a grace too short to come down in at the card's speed of lowering, or longer than the pack lasts",
}

// States is the table of where channels stand: channel, at rest from and to, in a hover
// from and to, limits in time from and to.
func States() [][]string { return sense.Table(channels) }

// looker looks through the files for one row.
type looker struct {
	*sense.Files
	stop  stopping.Times
	heard Heard
	today time.Time
	tell  func(x document.Fault, rests ...[]Place)
}

// Sense holds the files against what can be meant: what is refused, and what is
// warned of, each cause once. today is the date by this computer's clock.
func Sense(f *sense.Files, stop stopping.Times, heard Heard, today time.Time) (refused, doubts document.Faults) {
	no, few := Promote(Look(f, stop, heard, today))
	return no.Causes(), few.Causes(no.Places()...)
}

// Look gives what Sense does, with what follows from it.
func Look(f *sense.Files, stop stopping.Times, heard Heard, today time.Time) (refused, doubts Findings) {
	l := &looker{Files: f, stop: stop, heard: heard, today: today}
	row := func(to *Findings, rests []string, look func()) {
		var at []Place
		l.tell = func(x document.Fault, more ...[]Place) {
			if at == nil && len(rests) > 0 {
				at = l.On(rests...)
			}
			*to = append(*to, Finding{x, slices.Concat(append(more, at)...)})
		}
		look()
	}
	all := func(to *Findings, faults func(kind string, from sense.Source) document.Faults) {
		for _, s := range []struct {
			kind string
			from sense.Source
		}{{"pad", f.PadFile}, {"envelope", f.LimitFile}, {"card", f.CardFile}} {
			for _, x := range faults(s.kind, s.from) {
				*to = append(*to, Finding{Fault: x})
			}
		}
	}
	all(&refused, sense.Ranges)
	ours := func(rows []sense.Row) {
		for _, r := range rows {
			row(&refused, r.Rests, func() { r.Look(f, func(x document.Fault) { l.tell(x) }) })
		}
	}
	ours(sense.Rows[:2]) // masses and thrust are the causes of much
	all(&doubts, func(kind string, from sense.Source) document.Faults {
		return sense.Past(kind, from, 3, 4, "is unusually ", "usual here is")
	})
	for _, r := range Rows {
		to := &doubts
		if r.Refused {
			to = &refused
		}
		row(to, r.rests, func() { r.look(l) })
	}
	ours(sense.Rows[2:])
	return refused, doubts
}

// eachRule calls look for each rule, fed or not: what makes no sense makes none when
// the device is fitted.
func (l *looker) eachRule(look func(r *rules.Rule)) {
	for i := 0; l.Envelope != nil && i < len(l.Envelope.Rules); i++ {
		look(&l.Envelope.Rules[i])
	}
}

func (l *looker) limit(line int, wrong, mend string, rests ...[]Place) {
	l.tell(l.LimitFile.Limit(line, wrong, mend), rests...)
}

// caution reports a rule's caution, which rests on its limit.
func (l *looker) caution(r *rules.Rule, wrong string) {
	l.tell(l.LimitFile.Fault(r.Line, wrong, "a caution that always sounds is heard by nobody", "rule[].caution"), l.LimitFile.Places(r.Line, limitKeys...), l.onAnchor(r))
}

func (l *looker) pad(wrong, mend string, keys ...string) {
	l.tell(l.PadFile.Fault(0, wrong, mend, keys...))
}

func (l *looker) card(line int, wrong, mend string, keys ...string) {
	l.tell(l.CardFile.Fault(line, wrong, mend, keys...))
}

// pull is the force of all motors at full output, N, by the pad file or else by the
// card; 0 where neither tells.
func (l *looker) pull() float64 {
	if l.Pad != nil && l.Pad.Height.MaxAcceleration > 0 && l.mass() > 0 {
		return l.Pad.Height.MaxAcceleration * l.mass()
	}
	if l.Card == nil {
		return 0
	}
	return float64(l.Card.Motors.Count) * l.Card.Motors.Thrust
}

// cells is the count of cells in series, 0 where no file tells.
func (l *looker) cells() int {
	if l.Pad != nil && l.Pad.Packs.Cells > 0 {
		return l.Pad.Packs.Cells
	}
	if l.Card != nil && len(l.Card.Packs) > 0 {
		return l.Card.Packs[0].Cells
	}
	return 0
}
