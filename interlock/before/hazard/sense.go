package hazard

import (
	"time"

	"downhaul/interlock/records/stopping"
	"downhaul/interlock/sense"
	"downhaul/rules"
	"downhaul/rules/document"
)

// Row is one check of what files can mean. What it tells is refused or warned of.
type Row struct {
	What    string
	Refused bool
	look    func(l *looker)
}

// Rows are the checks of check, prove and new beside those of sense, which a guard's
// start asks too. None of what they refuse is a hazard at a start: such a limit trips
// at once, or nothing starts.
var Rows = []Row{
	{"a rule that trips at rest on the pad, or in any hover (its limit is on the wrong side, or past what the channel reads there)", true, (*looker).tripsAlways},
	{"a permissive that no craft at rest on the pad meets", true, (*looker).startsNever},
	{"a pack's floor at or above that of full cells", true, (*looker).floor},
	{"a tension limit past what the load cell can read", true, (*looker).cellEnds},
	{"a tether that parts at full thrust alone, or a stretch that was measured past its breaking", true, (*looker).parts},
	{"parts that weigh more than the whole: a pack or the structure with the lightest pack more than the craft", true, (*looker).weighs},
	{"motors at places that no craft can have: outside its radius, two at one place that turn the same way, all to one side of the middle", true, (*looker).layout},
	{"a pull of the tie-down that is more than it holds", true, (*looker).tiedown},
	{"a date before 2000 or after 2100", true, func(l *looker) { l.dates(true) }},
	{"an address without a port, or one socket for guard and board", true, (*looker).addresses},

	{"a rule or its caution that may trip at rest on the pad or in a quiet hover", false, (*looker).tripsAtTimes},
	{"a limit that is passed too late to act, or never", false, (*looker).actsLate},
	{"an on-delay or a silence allowed that is long for what the channel watches", false, (*looker).waits},
	{"a rule that another one always beats", false, (*looker).beaten},
	{"a permissive that hardly any start meets, that always holds, or that allows what a rule trips for", false, (*looker).startsAlways},
	{"a predicted apex that leaves less than half a metre to hover, with the heights as far apart as they are heard or usual, and the stop as measured", false, (*looker).room},
	{"a grace that asks for coming down faster than 3 m/s", false, (*looker).descent},
	{"a motor output that the card's hover needs and the limit does not allow", false, (*looker).hoverOutput},
	{"a step that the motors do not lift or hardly, that loses ballast or gains half the craft at once, or asks what no step before shows", false, (*looker).steps},
	{"wind on the card that a rule trips for", false, (*looker).cardWind},
	{"a tether shorter than the craft, one that gives more to a snatch than to a slow pull, or an unlikely stretch", false, (*looker).tether},
	{"figures of the motors or packs that do not go together: volts, current, charge, losses, floor", false, (*looker).motors},
	{"pad file and card that differ in radius or full thrust", false, (*looker).agree},
	{"a date in the future or more than twenty years old, by this computer's clock", false, func(l *looker) { l.dates(false) }},
	{"an anchor out of the tether's reach or past a reach limit, or rotors lower than the cups that tell their wind", false, (*looker).mast},
	{"a link's address, speed or system number that no craft at a pad has", false, (*looker).link},
}

// Reckoned is what Judge warns of besides, since it takes times and loads that are
// reckoned with pad file and card.
var Reckoned = []string{
	"a ceiling at or past the tether's end, or a reach limit past three times the stretched tether",
	"a limit on the height now, past which a runaway goes on beyond the tether",
	"a tension limit past the least working load in the tether",
	"a staleness shorter than the time between two values, which trips all the time",
	"a caution within 2 % or the deadband of its limit",
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
	tell  func(document.Fault)
}

// Sense holds the files against what can be meant: what is refused, and what is
// warned of. today is the date by this computer's clock.
func Sense(f *sense.Files, stop stopping.Times, heard Heard, today time.Time) (refused, doubts document.Faults) {
	refused = f.Refused()
	doubts = append(sense.Ranges("pad", f.PadFile, true), sense.Ranges("envelope", f.LimitFile, true)...)
	doubts = append(doubts, sense.Ranges("card", f.CardFile, true)...)
	l := &looker{Files: f, stop: stop, heard: heard, today: today}
	for _, r := range Rows {
		l.tell = func(x document.Fault) {
			if r.Refused {
				refused = append(refused, x)
			} else {
				doubts = append(doubts, x)
			}
		}
		r.look(l)
	}
	return refused, doubts
}

// eachRule calls look for each rule, fed or not: what makes no sense makes none when
// the device is fitted.
func (l *looker) eachRule(look func(r *rules.Rule)) {
	for i := 0; l.Envelope != nil && i < len(l.Envelope.Rules); i++ {
		look(&l.Envelope.Rules[i])
	}
}

func (l *looker) limit(line int, wrong, mend string) { l.tell(l.LimitFile.Limit(line, wrong, mend)) }

func (l *looker) pad(wrong, mend string, keys ...string) {
	l.tell(l.PadFile.Fault(0, wrong, mend, keys...))
}

func (l *looker) card(line int, wrong, mend string, keys ...string) {
	l.tell(l.CardFile.Fault(line, wrong, mend, keys...))
}

// cells is the count of cells in series, 0 where the pad does not tell.
func (l *looker) cells() int {
	if l.Pad == nil {
		return 0
	}
	return l.Pad.Packs.Cells
}
