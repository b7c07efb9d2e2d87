package report

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"downhaul/interlock/after/report/lift"
	"downhaul/interlock/limits"
	"downhaul/interlock/model/air"
	"downhaul/interlock/pad"
	"downhaul/rules"
	"downhaul/rules/card"
	"downhaul/rules/words"
)

// Lift is the question whether the next ballast step is safe to try, asked of
// all sessions together.
type Lift struct {
	// Says is what comes before the forecast: why there is none, and first of all
	// that power was not removed, if so. Empty is nothing.
	Says     string         `json:"says,omitempty"`
	Forecast *lift.Forecast `json:"forecast"`
	// WhatIf is the forecast for the craft as it was changed in thought; nil when
	// nobody asked.
	WhatIf *lift.Forecast `json:"what_if"`
	// Unanswered is why a what-if that was asked has no answer; empty when it has.
	Unanswered string   `json:"what_if_unanswered,omitempty"`
	Doubts     []string `json:"doubts"`
	units      string
	held       bool   // Says begins with heldLift
	craft      string // of the newest card, whose next steps are asked for
}

// Before and behind a run its pack is watched for so long: at rest.
const (
	restBefore = 10 * time.Second
	restBehind = 15 * time.Second
)

// line is one series for the lift section, thinned where it would grow without
// bound.
type line struct {
	from, to time.Duration
	every    time.Duration
	next     time.Duration
	s        *lift.Series
}

// mostPoints bounds one series of one run: 10 minutes at 80 values a second,
// and every longer run at half as many, and so on. Ours.
const mostPoints = 48_000

func (l *line) take(at time.Duration, r limits.Reading) {
	if at < l.from || at > l.to || at < l.next || r.Quality != rules.Good {
		return
	}
	l.next = at + l.every
	l.s.T, l.s.V = append(l.s.T, at.Seconds()), append(l.s.V, r.Value)
	if len(l.s.T) < mostPoints {
		return
	}
	n := len(l.s.T) / 2
	for i := range n {
		l.s.T[i], l.s.V[i] = l.s.T[2*i], l.s.V[2*i]
	}
	l.s.T, l.s.V = l.s.T[:n], l.s.V[:n]
	l.every = max(2*l.every, time.Duration((l.s.T[n-1]-l.s.T[0])/float64(n)*1e9))
}

// watchLift has every run's series kept whose mass is known.
func (k *collector) watchLift(crd *card.Card) {
	k.ses.liftCard, k.ses.liftPad = crd, k.pad
	for i := range k.ses.Runs {
		run := &k.ses.Runs[i]
		if run.Mass == nil {
			continue
		}
		motors := k.pad.Craft.Motors
		r := &lift.Run{Name: k.ses.runName(run), Step: run.Step, Mass: run.Mass.Value, Air: run.air, Configuration: crd.Motors.Configuration,
			Outputs: make([]lift.Series, motors), Speeds: make([]lift.Series, motors)}
		k.ses.liftRuns = append(k.ses.liftRuns, r)
		from, to := max(0, run.begin-restBefore), run.end+restBehind
		if i > 0 {
			from = max(from, k.ses.Runs[i-1].end)
		}
		if i+1 < len(k.ses.Runs) {
			to = min(to, k.ses.Runs[i+1].begin)
		}
		keep := func(id rules.ChannelID, s *lift.Series) { k.ch.watch(id, &line{from: from, to: to, s: s}) }
		for m := range motors {
			// Without power an output lifts nothing: what is commanded before the
			// start or after the cut is evidence of nothing.
			k.ch.watch(rules.Motor1Output+rules.ChannelID(m), &line{from: run.begin, to: run.end, s: &r.Outputs[m]})
			k.ch.watch(rules.Motor1Speed+rules.ChannelID(m), &line{from: run.begin, to: run.end, s: &r.Speeds[m]})
		}
		keep(rules.Pack1Voltage, &r.Voltage)
		k.keepCurrent(&line{from: from, to: to, s: &r.Current})
		keep(rules.Height, &r.Height)
		keep(rules.Climb, &r.Climb)
		keep(rules.Tilt, &r.Tilt)
		keep(rules.Tension, &r.Tension)
		keep(rules.SlantRange, &r.Slant)
		keep(rules.CraftArmed, &r.Armed)
		keep(rules.CraftLanded, &r.Landed)
	}
}

// keepCurrent keeps the sum of all packs' currents.
func (k *collector) keepCurrent(l *line) {
	packs := max(1, k.pad.Packs.Count)
	last := packCells(packs - 1).current
	k.ch.watch(last, sinkFunc(func(at time.Duration, r limits.Reading) {
		for n := range packs - 1 {
			other := k.ch.Fresh(packCells(n).current, at, 2*time.Second)
			if other.Quality != rules.Good {
				return
			}
			r.Value += other.Value
		}
		l.take(at, r)
	}))
}

// hovers puts the output in steady hover to each run.
func (o *Session) hovers() {
	if o.liftCard == nil {
		return
	}
	craft := question(o.liftCard, o.liftPad, o.Runs, 0).Craft
	for _, r := range o.liftRuns {
		points, _ := r.Points(craft)
		sum, lasted := 0.0, 0.0
		for _, p := range points {
			if p.Kind == lift.Hover {
				sum += p.Output * (p.To - p.From)
				lasted += p.To - p.From
			}
		}
		for i := range o.Runs {
			if lasted > 0 && o.runName(&o.Runs[i]) == r.Name {
				o.Runs[i].Hover = quantity(sum/lasted, rules.Ratio, "%")
			}
		}
	}
}

// runName is what a run is called where several sessions stand together.
func (o *Session) runName(r *Run) string {
	if o.Alone {
		return fmt.Sprintf("%s, run %d", o.Session, r.Number)
	}
	return fmt.Sprintf("session %d, run %d", o.Number, r.Number)
}

// holdAir takes an air that was declared and cannot be that of the card's pad for one
// that nobody told, and says so; it says as well where it hardly can.
func (l *Lift) holdAir(r *lift.Run, crd *card.Card) {
	if crd == nil {
		return
	}
	doubt, err := air.Against(r.Air, crd.Air)
	if err != nil {
		r.Air, doubt = card.Air{}, err.Error()+". It counts as not known"
	}
	if doubt != "" {
		l.Doubts = append(l.Doubts, "the air of "+r.Name+": "+doubt)
	}
}

// liftOf asks the runs of all sessions for the next step of the newest card.
func liftOf(sessions []*Session, asked Asked) *Lift {
	out := &Lift{Doubts: []string{}, units: "metric"}
	runs, newest, heaviest := out.gather(out.oneCraft(sessions))
	if newest == nil {
		out.Says = "No forecast: no session here has a recording with a test card that can be read, so neither mass nor next step is known."
		if asked.WhatIf != nil {
			out.refuse("what if " + asked.WhatIf.Text + ": there is no forecast to change")
		}
		return out
	}
	out.units, out.craft = newest.liftCard.Units, newest.liftCard.Craft.Name
	q := question(newest.liftCard, newest.liftPad, newest.Runs, heaviest)
	q.Stand = asked.Table
	switch m := &newest.liftCard.Motors; {
	case m.Table == "":
	case q.Stand == nil:
		out.Doubts = append(out.Doubts, "the card names the stand's table "+m.Table+", which is not kept with a session: give it with --table, and fewer hovers tell as much")
	case q.Stand.Hash != m.TableHash:
		out.Doubts = append(out.Doubts, fmt.Sprintf("the table that was given is another than the card names (%s): it was altered since, or is not that one; it has the hash %x", m.Table, q.Stand.Hash))
	}
	if slices.ContainsFunc(runs, func(r lift.Run) bool { return r.Configuration != q.Configuration }) {
		out.Doubts = append(out.Doubts, fmt.Sprintf("flights of another configuration than %q, which the newest card names, say nothing of what this one lifts: they count for the change alone", q.Configuration))
	}
	if len(q.Next) == 0 {
		out.Doubts = append(out.Doubts, "the test card names no heavier step than those that flew")
	}
	f := lift.Ask(runs, q)
	outside, settle := f.Outside(runs, q)
	if outside != "" {
		out.Doubts = append(out.Doubts, "CAUTION: "+outside+". No next step before that is settled: "+settle)
		f.Withhold(outside, settle)
	}
	out.Forecast = &f
	if asked.WhatIf != nil {
		if out.ask(runs, q, asked.WhatIf); out.WhatIf != nil && outside != "" {
			out.WhatIf.Withhold(outside, settle)
		}
	}
	return out
}

// oneCraft returns the sessions without those of another craft than the newest card names:
// what that lifts says nothing of this one.
func (l *Lift) oneCraft(sessions []*Session) []*Session {
	craft := ""
	for _, s := range sessions {
		if s.liftCard != nil && s.liftPad != nil {
			craft = s.craft
		}
	}
	own := slices.DeleteFunc(slices.Clone(sessions), func(s *Session) bool { return !s.of(craft) })
	if n := len(sessions) - len(own); n > 0 {
		l.Doubts = append(l.Doubts, fmt.Sprintf("%s left out: of another craft than %s, which the newest card names", words.Count(n, "session"), craft))
	}
	return own
}

// of reports whether a session is of that craft, or may be.
func (s *Session) of(craft string) bool {
	return s.craft == "" || craft == "" || strings.EqualFold(s.craft, craft)
}

// gather takes the runs of all sessions whose mass is known, the newest session with a
// card, and the heaviest ballast that flew.
func (l *Lift) gather(sessions []*Session) (runs []lift.Run, newest *Session, heaviest float64) {
	left := 0
	heaviest = -1
	for _, s := range sessions {
		if s.liftCard != nil && s.liftPad != nil {
			newest = s
		}
	}
	for _, s := range sessions {
		others := l.otherMotors(s, newest)
		for _, r := range s.liftRuns {
			if slices.ContainsFunc(r.Speeds, func(x lift.Series) bool { return len(x.T) == 0 }) {
				r.Speeds = nil
			}
			runs = append(runs, *r)
			if others != "" {
				runs[len(runs)-1].Configuration = others
			}
			l.holdAir(&runs[len(runs)-1], s.liftCard)
		}
		for i := range s.Runs {
			switch r := &s.Runs[i]; {
			case r.Mass == nil && !r.onGround:
				left++
			case r.Mass != nil && r.Ballast != nil && others == "":
				heaviest = max(heaviest, r.Ballast.Value)
			}
		}
	}
	if left > 0 {
		l.Doubts = append(l.Doubts, words.Count(left, "run")+" left out: the mass is not known without a declared step of a test card that states the craft's mass")
	}
	return runs, newest, heaviest
}

// otherMotors names the configuration of a session whose card has another count of motors
// than the newest; empty for the same. Weaker ones by the card are told: who changed motors
// or propellers under one name would be told the lift of those that are gone.
func (l *Lift) otherMotors(s, newest *Session) string {
	if newest == nil || s.liftCard == nil {
		return ""
	}
	was, now := &s.liftCard.Motors, &newest.liftCard.Motors
	switch {
	case was.Count != now.Count && was.Count > 0 && now.Count > 0:
		return words.Count(was.Count, "motor")
	case now.Thrust > 0 && now.Thrust < 0.98*was.Thrust && len(s.liftRuns) > 0:
		show := newest.liftCard.Show
		l.Doubts = append(l.Doubts, fmt.Sprintf("CAUTION: %s and what else flew in its session had a card of %s a motor, and the newest card says %s. If motors or propellers were changed, these flights tell the lift of others: write a configuration of its own under [motors], and fly anew",
			s.liftRuns[0].Name, show(was.Thrust, rules.Force), show(now.Thrust, rules.Force)))
	}
	return ""
}

// ask asks the forecast for a changed craft.
func (l *Lift) ask(runs []lift.Run, q lift.Question, what *lift.WhatIf) {
	if err := what.Check(q, runs); err != nil {
		l.refuse(err.Error())
		return
	}
	q.WhatIf = *what
	f := lift.Ask(runs, q)
	if what.Stand != nil && (f.Stand == nil || f.Stand.Aside != "") {
		why := f.Refused
		if f.Stand != nil {
			why = f.Stand.Says()
		}
		l.refuse("what if " + what.Text + ": no installed factor is known: " + why)
		return
	}
	l.WhatIf = &f
}

// refuse leaves a what-if without an answer, and says why.
func (l *Lift) refuse(why string) {
	l.Unanswered = why
	l.Doubts = append(l.Doubts, why)
}

// question is what the card asks for the steps heavier than any that flew.
func question(c *card.Card, p *pad.Pad, runs []Run, heaviest float64) lift.Question {
	q := lift.Question{Floor: p.Packs.Floor, Configuration: c.Motors.Configuration, Craft: lift.Craft{Motors: c.Motors.Count, Width: 2 * c.Craft.Radius, CleanThrust: c.Motors.Rig.CleanTo, Cells: p.Packs.Cells, Packs: max(1, p.Packs.Count)}}
	if m := &c.Motors; m.HasGuard {
		q.Guard = &lift.Guard{Low: m.GuardLow, High: m.GuardHigh, Mass: m.GuardMass}
	}
	if q.Craft.Motors == 0 {
		q.Craft.Motors = p.Craft.Motors
	}
	if q.Craft.Width == 0 {
		q.Craft.Width = 2 * p.Craft.Radius
	}
	if n := parallel(c, p, runs); n > 0 {
		q.Craft.Packs = n
	}
	for i := range c.Steps {
		s := &c.Steps[i]
		if s.Kind != card.Flight || s.Ballast <= heaviest || c.Craft.Mass == 0 {
			continue
		}
		if len(q.Next) == 0 {
			if s.Shown.HasReserve {
				q.Reserve = s.Shown.Reserve
			}
			q.HoverTime = s.Shown.Hover.Seconds()
		}
		q.Next = append(q.Next, lift.Step{Name: s.Name, Mass: c.Craft.Mass + s.Ballast, Ballast: s.Ballast})
	}
	return q
}

// parallel is how many packs flew side by side in the newest run: the cells of
// those declared over the cells in series.
func parallel(c *card.Card, p *pad.Pad, runs []Run) int {
	if len(runs) == 0 || p.Packs.Cells == 0 {
		return 0
	}
	cells := 0
	for _, name := range runs[len(runs)-1].Packs {
		if pack, ok := c.Pack(name); ok {
			cells += pack.Cells
		}
	}
	return cells / p.Packs.Cells
}

// Text is the forecast for a terminal, empty where there is none.
func (l *Lift) Text() string {
	if l.Forecast == nil {
		return ""
	}
	parts := []string{l.Forecast.Text(l.units)}
	if l.WhatIf != nil {
		parts = append(parts, l.WhatIf.Text(l.units))
	}
	return strings.Join(parts, "\n")
}
