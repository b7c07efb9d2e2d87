package report

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"downhaul/interlock/before/bench"
	"downhaul/interlock/before/hazard"
	"downhaul/interlock/records/stopping"
	"downhaul/rules"
	"downhaul/rules/document"
	"downhaul/rules/words"
)

// windEvery is the spacing of wind samples.
const windEvery = 250 * time.Millisecond

// take puts what was seen in the recording into the session.
func (r *reading) take(k *collector, res *bench.Result) {
	o := r.out
	show := func(kind rules.Kind) string { return rules.DefaultUnit(kind, o.units) }
	for _, t := range k.tracks {
		t.until(rules.Never)
	}
	for _, n := range k.nears {
		for len(n.cautions) > 0 {
			n.settle()
		}
	}
	r.takeTimes(k)
	for i := range o.Runs {
		run, v := &o.Runs[i], &k.runs[i]
		run.Highest, run.Gust = v.height.quantity(rules.Length, show(rules.Length)), v.gust.quantity(rules.Speed, show(rules.Speed))
		run.Lowest, run.Pull = v.voltage.quantity(rules.Voltage, "V"), v.pull.quantity(rules.Force, show(rules.Force))
	}
	o.hovers()
	r.takeWind(k, show(rules.Speed))
	for _, b := range o.charts.packs {
		o.Packs = append(o.Packs, b.pack(o.Session, o.units))
	}
	if len(k.words) >= len(o.Words) { // else the log has more of them
		o.Words, o.WordsMore = append([]Words{}, k.words...), k.more
	}
	r.takeLink(res)
	r.ruleRows(res)
	if r.alone {
		return
	}
	r.proofs(k)
	r.takeEquality(res)
}

// takeTimes puts the recorded times to the trips.
func (r *reading) takeTimes(k *collector) {
	o := r.out
	for _, w := range k.openings {
		op := Opening{At: seconds(w.at), Run: w.run}
		if w.readback != rules.Never {
			op.DropOut = seconds(w.readback - w.at)
		}
		o.Openings = append(o.Openings, op)
	}
	for i := range o.Episodes {
		ep := &o.Episodes[i]
		for j := range ep.Trips {
			t := &ep.Trips[j]
			at := time.Duration(t.At.Value * 1e9)
			if acted, ok := k.acted[t.Number]; ok {
				t.Times.Acted = seconds(acted)
			}
			rule := ruleNamed(r.env, t.Rule)
			if rule != nil {
				b := hazard.Reaction(rule, r.pad, stopping.Stated(r.pad), nil)
				t.Times.BudgetDetect = &Quantity{Value: b.Relay - b.Link, Unit: "s", shown: "s"}
			}
			if rule != nil && t.Stop == rules.Controlled.String() {
				t.Times.BudgetGrace = seconds(rule.Grace)
			}
			if rule != nil && isRate(rule) {
				t.Times.Notes = append(t.Times.Notes, "the rate that this rule judges is not drawn, and since when it stood past the limit is not told")
			}
			if r.alone {
				continue
			}
			if o.Duty == "watch" {
				t.Times.Notes = append(t.Times.Notes, "duty watch: no relay to open")
				continue
			}
			r.takeOpening(k, ep, t, at)
		}
	}
}

// takeOpening finds the opening of the relay that came of a trip, in the same
// episode.
func (r *reading) takeOpening(k *collector, ep *Episode, t *Trip, at time.Duration) {
	const rounding = time.Microsecond
	first := time.Duration(ep.Trips[0].At.Value * 1e9)
	if t.Number == 0 { // a fault verifies an opening that came before it
		first = 0
		for _, w := range k.openings {
			if w.at <= at {
				first = w.at
			}
		}
		at = first
	}
	i := slices.IndexFunc(k.openings, func(w *waiting) bool { return w.at >= first-rounding && w.at <= ep.over })
	if i < 0 {
		t.Times.Notes = append(t.Times.Notes, "no closed relay was opened for it")
		return
	}
	if k.openings[i].at < at-rounding {
		t.Times.Notes = append(t.Times.Notes, "the relay was open already")
		return
	}
	w := k.openings[i]
	t.Times.Relay = seconds(w.at)
	t.Times.BudgetDrop = seconds(r.pad.Contactor.DropOut)
	switch {
	case w.readback != rules.Never:
		t.Times.Readback, t.Times.DropOut = seconds(w.readback), seconds(w.readback-w.at)
	case !r.pad.Contactor.Readback:
		t.Times.Notes = append(t.Times.Notes, "this pad has no readback, so nobody saw the contactor open")
	default:
		t.Times.Notes = append(t.Times.Notes, readbackSilent)
	}
	switch {
	case w.still != rules.Never && w.turning:
		t.Times.Still, t.Times.StopTime = seconds(w.still), seconds(w.still-w.at)
	case w.still != rules.Never:
		t.Times.Notes = append(t.Times.Notes, "no rotor was told to turn after the opening, so no stop time was seen")
	default:
		t.Times.Notes = append(t.Times.Notes, "no rotor speed came to say that the rotors stood: count on the time that was measured or stated")
	}
	counted := k.rotors
	if counted.Standing == 0 { // the session told none: what its pad file told counted
		counted = r.pad.Site().Rotors
	}
	if counted.Standing == 0 {
		counted = r.pad.Stated()
	}
	t.Times.BudgetStop, t.Times.StopSays = seconds(counted.Standing), counted.Says()
}

func (r *reading) takeWind(k *collector, show string) {
	w := &r.out.Wind
	origin := r.pad.Fed(rules.WindSpeed)
	w.Source = origin.String()
	if origin == rules.NotFed {
		w.Says = "This pad has no anemometer: the wind is not known."
		if r.pad.Fed(rules.CraftWind) != rules.NotFed {
			w.Says += " What the craft estimates of the wind in flight is no measurement at the pad, and is not shown here."
		}
		return
	}
	w.Known = true
	for i, b := range k.winds {
		name := "whole session"
		if i > 0 {
			name = fmt.Sprintf("run %d", i)
		}
		if b.to > r.end || i == 0 {
			b.to = r.end
		}
		w.Periods = append(w.Periods, b.period(name, windEvery, show))
	}
	w.Mean2, w.Mean10 = k.mean2.quantity(rules.Speed, show), k.mean10.quantity(rules.Speed, show)
	if w.Mean10 == nil {
		w.Says = "No mean over " + map[bool]string{true: "2 or "}[w.Mean2 == nil] + "10 minutes: the session was too short, or the wind was not told for so long."
	}
	if !r.pad.Wind.Fitted {
		w.Says = strings.TrimSpace(w.Says + " The wind is not the pad's own measurement.")
	}
}

func (r *reading) takeLink(res *bench.Result) {
	l := &r.out.Link
	if err := res.Sort(r.parts); err != nil {
		r.doubt("what is in no good frame cannot be told apart: %v", err)
	}
	l.Known, l.Frames, l.Link, l.BadBytes = true, res.Frames, res.Link, res.BadBytes
	l.Ignored = append(l.Ignored, res.IgnoredWhy...)
	l.Never = append(l.Never, res.NeverHeard...)
	lag := "lag cannot be told"
	if res.Link.LagS != nil && rules.Reading(*res.Link.LagS, "s") == "0 s" {
		lag = "no lag"
	} else if res.Link.LagS != nil {
		lag = fmt.Sprintf("lag up to %s at %s", rules.Reading(*res.Link.LagS, "s"), r.out.When(&Quantity{Value: res.Link.LagAtS}))
	}
	damaged := ""
	if res.Damaged != nil {
		damaged = words.Count(int(res.Damaged.Count), "damaged frame") + "; "
	}
	l.Says = fmt.Sprintf("%s of craft %d.%d; %d lost by their numbers; longest silence %s at %s; %s; %s%d bytes in no frame.",
		words.Count(int(res.Frames), "frame"), res.System, res.Component, res.Link.Lost, rules.Reading(res.Link.SilenceS, "s"), r.out.When(&Quantity{Value: res.Link.SilenceAtS}), lag, damaged, res.BadBytes)
	r.out.Integrity.Recording = append(r.out.Integrity.Recording, res.Notes...)
}

// ruleRows lists the rules, those that tripped first, then by how near they
// came.
func (r *reading) ruleRows(res *bench.Result) {
	o := r.out
	if r.env == nil {
		return
	}
	count := map[string]*RuleRow{}
	for i := range r.env.Rules {
		rule := &r.env.Rules[i]
		row := RuleRow{Rule: rule.Name, Channel: rule.Watch.String(), Sentence: words.Rule(rule), RestsOn: "not known", Limit: limitOf(rule), Doubts: []string{}, index: i}
		if rule.HasCaution {
			row.Caution = ofRule(&rule.Caution, rule, rules.SIUnit(kindOf(rule))).written()
		}
		if r.pad != nil {
			row.RestsOn = r.pad.Fed(rule.Watch).String()
			if a, ok := r.env.Absent(rule.Watch); ok {
				row.Doubts = append(row.Doubts, "CANNOT WORK on this pad: "+a.Reason)
			}
		}
		if res != nil {
			row.headroom(rule, &res.Headroom[i])
		} else {
			row.Doubts = append(row.Doubts, "how near it came is not known")
		}
		o.Rules = append(o.Rules, row)
	}
	for i := range o.Rules {
		count[o.Rules[i].Rule] = &o.Rules[i]
	}
	for name, row := range count {
		row.Trips = o.trips(func(rule string) bool { return rule == name })
	}
	o.Spans = spansOf(o.Cautions)
	for _, c := range o.Spans {
		if row := count[c.Rule]; row != nil {
			row.Cautions += c.Count
			if c.Near {
				row.Near++
			}
		}
	}
	slices.SortStableFunc(o.Rules, func(a, b RuleRow) int {
		return cmp.Or(cmp.Compare(b.Trips, a.Trips), cmp.Compare(share(a), share(b)))
	})
}

func share(r RuleRow) float64 {
	if r.Share == nil {
		return 1e9
	}
	return *r.Share
}

func (row *RuleRow) headroom(rule *rules.Rule, h *bench.Headroom) {
	if h.Least == nil {
		row.Doubts = append(row.Doubts, "never had a value while it was in force")
		return
	}
	row.Least = ofRule(h.Least, rule, h.Unit)
	row.Least.room = true
	row.LeastAt = &Quantity{Value: h.AtS, Unit: "s", shown: "s"}
	if of := math.Abs(rule.Limit); of > 0 {
		s := *h.Least / of
		row.Share = &s
	}
}

func (r *reading) takeEquality(res *bench.Result) {
	in := &r.out.Integrity
	in.Equal = res.Equal
	if res.Equal == nil {
		in.Says = append(in.Says, "The recording was not held against the trip log.")
		return
	}
	says := res.Equal.Says()
	in.Says = append(in.Says, strings.ToUpper(says[:1])+says[1:]+".")
	if res.Equal.Claimed && !res.Equal.Holds {
		r.doubt("the recording does not give the decisions of the trip log (the first that differs is number %d): one of the two is not as it was written", res.Equal.First)
	}
}

func list(words []string) string { return cmp.Or(document.List(words, "and"), "none") }
