package card

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"downhaul/rules"
	"downhaul/rules/document"
)

// WindLasts is how long a wind reading by hand counts; ours: wind that was read
// longer ago says little of the wind now.
const WindLasts = 10 * time.Minute

// Facts is what was declared and done, as far as a card asks for it. Times are
// on one clock, which may begin below 0.
type Facts struct {
	Now time.Duration
	// Step is the declared step, empty before one was; Packs the declared set.
	Step  string
	Packs []string
	// HasWind reports whether a wind was read by hand, at WindAt, in m/s.
	HasWind bool
	Wind    float64
	WindAt  time.Duration
	// OwnWind reports whether the pad has an anemometer: the envelope judges the wind
	// then, not a reading by hand.
	OwnWind bool
	// Confirmed are the initials given to the declared step, HasWeighed and Weighed its
	// ballast as it was weighed, kg.
	Confirmed  []string
	HasWeighed bool
	Weighed    float64
	// Fell is when power last went off in the air with nobody having made the craft safe
	// since; 0 is never.
	Fell time.Duration
	// Live is how long power was on, over all sessions on record, PackLive how long with
	// each pack, by its name on the card.
	Live     time.Duration
	PackLive map[string]time.Duration
	// Results are those of ground steps and inspections, oldest first.
	Results []Result
	// Runs are those that began, oldest first, each with its place among the Results; of a
	// session's runs at one step the last says all that is asked (see Flew).
	Runs []Flown
	// Hovers are the steady hovers that reports found; Forecast is the last
	// report's of this craft, nil without one.
	Hovers   []Hovered
	Forecast *Forecast
	// Limits is the envelope that is enforced.
	Limits *rules.Envelope
	// Stop is what the openings on record prove of the stop; nil asks nothing, as in a rehearsal.
	Stop *Stop
}

// Stop is what the openings on record prove: UpTo is the highest motor output from which the stop
// was measured, 0 for none, Next what the test still wants. Counted reports whether the pad file
// states how many openings under load its contactor bears.
type Stop struct {
	UpTo    float64
	Next    string
	Counted bool
}

// Result is one result of a ground step or an inspection.
type Result struct {
	Step   string
	Passed bool
	Text   string
	At     time.Duration
	// Live is what Facts.Hours gave for the step as the result was told.
	Live time.Duration `json:",omitempty"`
}

// Hovered is the longest steady hover of a step, at Mass of craft and ballast, kg.
type Hovered struct {
	Step string
	Mass float64
	For  time.Duration
}

// Forecast is what one report foresees. Sessions are those it rests on.
type Forecast struct {
	Sessions []string
	Reserves []Reserve
}

// Reserve is the lift to spare that is foreseen for a step, as a share of the weight: the two ends
// of its 95 % interval where Numbers is set. Mass is that of craft and ballast that was asked for,
// kg. Go is the report's own verdict, Says its reason. The keys are those of the reports' records.
type Reserve struct {
	Step    string  `json:"step"`
	Mass    float64 `json:"mass_kg"`
	Go      bool    `json:"go"`
	Numbers bool    `json:"numbers"`
	Low     float64 `json:"low_share"`
	High    float64 `json:"high_share"`
	Says    string  `json:"says"`
	// HoverLow and HoverHigh are what the hardest working motor takes in the hover, output
	// times pack voltage, V: the two ends of the 95 % interval; 0 is not foreseen.
	HoverLow  float64 `json:"hover_low_v,omitempty"`
	HoverHigh float64 `json:"hover_high_v,omitempty"`
}

// Flown is one run: its session, its step, how many trips it brought, and
// whether the record breaks off in it.
type Flown struct {
	Session  string
	Step     string
	Trips    int
	BrokeOff bool
	// After is how many of the Results stood on record before it; Flew fills it in.
	After int
	// Lighter reports whether craft and ballast weighed less by the card of then than by that of now.
	Lighter bool
}

// Unmet returns in plain sentences what must still be told or done before a start
// of the declared step. next is the first instant after Facts.Now at which more
// may be asked because something lapses, rules.Never without one.
//
// Steady hovers and the lift to spare come from reports: they need the analysis after the flight.
func (c *Card) Unmet(f *Facts) (unmet []string, next time.Duration) {
	next = rules.Never
	say := func(format string, args ...any) { unmet = append(unmet, fmt.Sprintf(format, args...)) }
	if f.Fell != 0 {
		say("%s", c.AfterFall(f.Now, f.Fell))
	}
	s, ok := c.Step(f.Step)
	if !ok || f.Step == "" {
		say("no step of the test card is declared (downhaul declare step)")
		return unmet, next
	}
	needs, next := c.unmetNeeds(f, c.index(s.Name))
	unmet = append(unmet, needs...)
	c.askCrew(s, f, say)
	if s.Shown.NoTrips {
		c.askNoTrips(s, f, say)
	}
	if s.Shown.Hover > 0 {
		c.askHover(s, f, say)
	}
	if s.Shown.HasReserve {
		c.askReserve(s, f, say)
	}
	if len(c.Packs) > 0 && len(f.Packs) == 0 {
		say("no pack set is declared (downhaul declare packs)")
	}
	if only := s.Shown.Packs; len(only) > 0 {
		for _, name := range f.Packs {
			if !slices.ContainsFunc(only, func(p string) bool { return strings.EqualFold(p, name) }) {
				say("pack %s may not fly in %q: the card names %s", name, s.Name, document.List(only, "and"))
			}
		}
	}
	if s.Shown.HasWind && !f.OwnWind {
		next = min(next, askWind(s, f, say))
	}
	if s.Envelope != "" && s.EnvelopeHash != f.Limits.Hash {
		say("%q has limits of its own, and others are enforced: end this guard and start it with --envelope %s", s.Name, s.Envelope)
	}
	c.askLimits(s, f, say)
	if f.Stop != nil {
		s.askStop(f.Stop, say)
	}
	return unmet, next
}

// askLimits wants limits that are made for the step: none on the predicted apex
// for one on the ground, where leaving the ground is watched instead, and those of
// the day for one that flies and has none of its own.
func (c *Card) askLimits(s *Step, f *Facts, say func(string, ...any)) {
	if s.Kind == Ground && f.Limits.Watches(rules.Apex) {
		say("%q is done on the ground, and the limits enforced watch craft.apex, which counts on a stop that was measured: end this guard and start it with an envelope of its own without that", s.Name)
	}
	if s.Stand != nil {
		s.Stand.AskLimits(f.Limits, say)
	}
	if s.Kind != Flight || s.Envelope != "" {
		return
	}
	for i := range c.Steps {
		if o := &c.Steps[i]; o.Kind == Ground && o.Envelope != "" && o.EnvelopeHash == f.Limits.Hash {
			say("%q flies, and the limits of %s are enforced, which are made for the ground: end this guard and start it with the day's envelope", s.Name, o.Name)
			return
		}
	}
}

// askStop wants the stop measured from what a flight needs, and a contactor whose
// openings can be counted for the test.
func (s *Step) askStop(p *Stop, say func(string, ...any)) {
	share := func(v float64) string { return rules.Format(v, "%") }
	switch {
	case s.Kind == Flight && p.UpTo == 0:
		say("the stop was not measured, and %q flies: only steps on the ground may start (measured_by = \"stop\" on the card)", s.Name)
	case s.Kind == Flight && p.UpTo < s.Output:
		say("the stop was measured from %s of output, and %q needs %s: make the stop test from there", share(p.UpTo), s.Name, share(s.Output))
	case s.Stopping && !p.Counted:
		say("the pad file does not state how many openings under load its contactor bears (load_openings under [contactor]), and %q makes some", s.Name)
	}
}

// unproven is why a stop test is not in force; empty is in force.
func (s *Step) unproven(f *Facts) string {
	if f.Stop == nil || f.Stop.UpTo > 0 {
		return ""
	}
	return s.Name + ": " + f.Stop.Next
}

// Flew takes a run that ended, behind every result on record so far. It stands in
// place of the run before it where that was of the same step and session and nothing
// came between, so a day of many runs takes no more room than a day of few. One with
// other words behind it stays: they were told while it counted as it did.
func (f *Facts) Flew(r Flown) {
	r.After = len(f.Results)
	if n := len(f.Runs) - 1; n >= 0 && f.Runs[n].Session == r.Session && f.Runs[n].After == r.After && strings.EqualFold(f.Runs[n].Step, r.Step) {
		f.Runs[n] = r
		return
	}
	f.Runs = append(f.Runs, r)
}

// lastOf is the last run of that step.
func (f *Facts) lastOf(step string) (Flown, bool) {
	for _, r := range slices.Backward(f.Runs) {
		if strings.EqualFold(r.Step, step) {
			return r, true
		}
	}
	return Flown{}, false
}

func (c *Card) askNoTrips(s *Step, f *Facts, say func(string, ...any)) {
	for _, name := range s.Needs {
		if need, _ := c.Step(name); need.Kind != Flight {
			continue
		}
		switch r, ok := f.lastOf(name); {
		case ok && r.BrokeOff:
			say("the last run of %s broke off without its end on record: fly it again", name)
		case ok && r.Trips == 1:
			say("the last run of %s brought a trip: fly it again without one", name)
		case ok && r.Trips > 1:
			say("the last run of %s brought %d trips: fly it again without one", name, r.Trips)
		}
	}
}

// askHover wants a steady hover of every step before that flies. One that has
// not flown is told of already.
func (c *Card) askHover(s *Step, f *Facts, say func(string, ...any)) {
	for _, name := range s.Needs {
		need, _ := c.Step(name)
		if need.Kind != Flight {
			continue
		}
		if _, flew := f.lastOf(name); !flew {
			continue
		}
		longest := time.Duration(0)
		for _, h := range f.Hovers {
			if strings.EqualFold(h.Step, name) && c.weighs(need, h.Mass) {
				longest = max(longest, h.For)
			}
		}
		switch {
		case longest >= s.Shown.Hover:
		case longest == 0:
			say("no report tells of a steady hover at %s, and %q needs %s (downhaul report)", name, s.Name, rules.FormatDuration(s.Shown.Hover))
		default:
			say("the longest steady hover at %s that a report tells of is %s, and %q needs %s", name,
				rules.FormatDuration(longest.Truncate(time.Second)), s.Name, rules.FormatDuration(s.Shown.Hover))
		}
	}
}

// askReserve wants the last report to foresee the lift to spare. A step that has
// flown, and still counts, has shown what it lifts, and is asked no more.
func (c *Card) askReserve(s *Step, f *Facts, say func(string, ...any)) {
	if i := c.index(s.Name); c.stand(f, c.below())[i].standing == passed {
		return
	}
	if f.Forecast == nil {
		say("no report foresees the lift to spare of %s (downhaul report, on all sessions of this craft)", s.Name)
		return
	}
	for _, r := range slices.Backward(f.Runs) {
		if r.Session != "" && !slices.Contains(f.Forecast.Sessions, r.Session) {
			say("the last report leaves out session %s, which flew %s: report on all sessions of this craft again", r.Session, r.Step)
			return
		}
	}
	share := func(v float64) string { return rules.Format(v, "%") }
	for _, r := range f.Forecast.Reserves {
		if !strings.EqualFold(r.Step, s.Name) {
			continue
		}
		switch {
		case !c.weighs(s, r.Mass):
			say("the last report asked for %s at %s, and the card now says %s: end this guard, and report on all sessions of this craft, this one too", s.Name, rules.Format(r.Mass, "kg"), rules.Format(c.Craft.Mass+s.Ballast, "kg"))
		case !r.Numbers:
			say("the last report cannot tell the lift to spare of %s: %s", s.Name, r.Says)
		case r.Low < s.Shown.Reserve:
			say("the last report gives %s a lift to spare of %s to %s, and the card wants %s at the low end", s.Name, rules.Reading(r.Low, "%", s.Shown.Reserve), rules.Reading(r.High, "%", s.Shown.Reserve), share(s.Shown.Reserve))
		case !r.Go:
			say("the last report gives no go for %s: %s", s.Name, r.Says)
		}
		return
	}
	say("the last report tells nothing of %s: report on all sessions of this craft again", s.Name)
}

// weighs reports whether craft and ballast of the step still weigh that many kilograms,
// to a gram: a name says nothing of what is carried under it today.
func (c *Card) weighs(s *Step, kg float64) bool {
	return math.Abs(c.Craft.Mass+s.Ballast-kg) < 0.001
}

func askWind(s *Step, f *Facts, say func(string, ...any)) (lapses time.Duration) {
	most := rules.FormatExact(s.Shown.Wind, s.Shown.WindUnit)
	switch {
	case !f.HasWind:
		say("no wind is declared, and %q allows %s (downhaul declare wind)", s.Name, most)
	case f.Now-f.WindAt > WindLasts:
		say("the wind read by hand is older than %s (downhaul declare wind)", rules.FormatDuration(WindLasts))
	case f.Wind > s.Shown.Wind:
		say("the wind read by hand is %s, and %q allows %s", rules.Format(f.Wind, s.Shown.WindUnit), s.Name, most)
	default:
		return f.WindAt + WindLasts + 1
	}
	return rules.Never
}
