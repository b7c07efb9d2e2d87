package hazard

import (
	"fmt"
	"math"
	"strings"

	"downhaul/interlock/pad"
	"downhaul/interlock/pad/unseen"
	"downhaul/interlock/records/stopping"
	"downhaul/interlock/sense"
	"downhaul/rules"
	"downhaul/rules/card"
	"downhaul/rules/rounding"
	"downhaul/rules/words"
)

// Case is what is judged: one envelope on one pad, with a card where there is
// one.
type Case struct {
	Envelope *rules.Envelope
	Pad      *pad.Pad
	Card     *card.Card // nil without one
	// Files are those of the three, for the places of doubts: the limits', the pad's and
	// the card's.
	Limits, PadFile, CardFile sense.Source
	// Stop is what is known of the stop; Heard what was heard of the craft.
	Stop  stopping.Times
	Heard Heard
}

// Verdict is what an envelope is worth on a pad.
type Verdict struct {
	// Says and Warnings are for people, in the envelope's units.
	Says     []string
	Warnings []string
	// Doubts are of limits that cannot do their job, each with its place and those of
	// the numbers that it rests on.
	Doubts Findings
	Keep   Keep
	Rope   Rope
	// Craft lists the rules that rest only on what the craft says of itself.
	Craft []string
	// Budgets and Meanwhile stand in the order of the envelope's rules.
	Budgets   []Budget
	Meanwhile []Meanwhile
	// Table is the rules as rows, First what matters before any other sentence.
	Table []LimitRow
	First []string
}

// job is a verdict in the making.
type job struct {
	*Case
	out Verdict
	// mass is the heaviest that flies, kg; 0 when no file says so.
	mass    float64
	budgets []Budget // by rule
	// top is the lowest limit of height that takes the power off, m.
	top float64
	// full is full thrust over mass in the densest air that is told or may be, m/s²; 0 is
	// not known. air says which.
	full float64
	air  string
}

func some(v float64) *float64 { return &v }

func (j *job) figure(v float64, k rules.Kind, way rounding.Way) string {
	return rounding.Show(v, rules.DefaultUnit(k, j.Envelope.Units), 3, way)
}

// show is what a file states, up what is to be feared or kept, down what is allowed.
func (j *job) show(v float64, k rules.Kind) string { return j.figure(v, k, rounding.Near) }
func (j *job) up(v float64, k rules.Kind) string   { return j.figure(v, k, rounding.Up) }
func (j *job) down(v float64, k rules.Kind) string { return j.figure(v, k, rounding.Down) }

func (j *job) say(format string, args ...any) {
	j.out.Says = append(j.out.Says, fmt.Sprintf(format, args...))
}

func (j *job) warn(format string, args ...any) {
	j.out.Warnings = append(j.out.Warnings, fmt.Sprintf(format, args...))
}

// doubt warns of a rule at one of its keys, or at its limit where key is empty; it rests
// on the numbers that are named, and on its own limit.
func (j *job) doubt(r *rules.Rule, key string, rests []string, format string, args ...any) {
	x := j.Limits.Limit(r.Line, fmt.Sprintf(format, args...), "")
	l := looker{Files: &sense.Files{PadFile: j.PadFile, LimitFile: j.Limits, CardFile: j.CardFile}}
	on := l.On(rests...)
	if key != "" {
		x = j.Limits.Fault(r.Line, x.Wrong, "", "rule[]."+key, "rule[].watch")
		on = append(on, j.Limits.Places(r.Line, limitKeys...)...)
	}
	j.out.Doubts = append(j.out.Doubts, Finding{x, on})
}

func (j *job) fed(id rules.ChannelID) bool { return j.Pad.Fed(id) != rules.NotFed }

// Judge returns what the limits of an envelope are worth on a pad, and warns of
// those that cannot do their job.
func Judge(c Case) Verdict {
	j := &job{Case: &c, top: math.Inf(1)}
	j.out.Says, j.out.Warnings, j.out.Craft = []string{}, []string{}, []string{}
	if c.Card != nil {
		j.mass = Heaviest(c.Card)
	}
	by, says := denser(c.Card)
	j.full, j.air = c.Pad.Height.MaxAcceleration*by, says
	for i := range c.Envelope.Rules {
		r := &c.Envelope.Rules[i]
		j.budgets = append(j.budgets, Reaction(r, c.Pad, c.Stop, c.Heard))
		if c.Pad.Fed(r.Watch) == rules.CraftSays {
			j.out.Craft = append(j.out.Craft, r.Name)
		}
		if isHeight(r.Watch) && r.Form == rules.Above && r.Stop != rules.NoStop && j.fed(r.Watch) && r.Limit < j.top {
			j.top = r.Limit
		}
	}
	if n := len(j.out.Craft); n > 0 {
		j.say("%d of %s rest only on what the craft says of itself. %s", n, words.Count(len(c.Envelope.Rules), "rule"), j.late())
	}
	j.say("Every time counts %d value lost in a row, and silence; a link that loses more, and never falls silent, is later: on the low side.", lost)
	if c.Pad.LoadCell.Fitted {
		j.say("The load cell's converter is taken to show a step whole after %d readings, %s, and that is in the times on tension (HX711, from memory; a slower one shows it later).",
			settles, rounding.Show(settles/c.Pad.LoadCell.Rate, "ms", 3, rounding.Up))
	}
	for i := range c.Envelope.Rules {
		if r := &c.Envelope.Rules[i]; j.fed(r.Watch) {
			j.warnOfRule(r, &j.budgets[i])
		}
	}
	j.warnOfGraces()
	j.warnOfFrozen()
	for _, name := range unseen.Strangers(c.Pad) {
		j.warn("link %s: anybody on that network can stop the flight with one datagram under the craft's name, because nothing tells the craft from others. Write from = the craft's address; an address can be forged, a signing key ([signing]) cannot", name)
	}
	j.height()
	j.rope()
	j.keepOut()
	j.out.Budgets = j.budgets
	for i := range c.Envelope.Rules {
		m := j.meanwhile(i)
		m.Says = strings.TrimSpace(m.Says + " " + j.windSays(&c.Envelope.Rules[i]))
		j.out.Meanwhile = append(j.out.Meanwhile, m)
		j.out.Table = append(j.out.Table, j.limitRow(i))
	}
	j.out.First = j.first()
	return j.out
}

// late returns what is known of the link's constant delay.
func (j *job) late() string {
	if d := j.Pad.LinkDelay(); d > 0 {
		return fmt.Sprintf("The link's constant delay, %s, is in their times and in the predicted apex, as the pad file states; what comes later than that is link.lag.", rules.FormatDuration(d))
	}
	text := "The link's constant delay is not stated (delay under [[link]]) and comes on top of their times: on the low side"
	for i := range j.Envelope.Rules {
		r, b := &j.Envelope.Rules[i], &j.budgets[i]
		if a := j.full; isHeight(r.Watch) && r.Watch != rules.Apex && r.Stop == rules.Immediate && r.Form == rules.Above && a > Gravity {
			h := r.Limit + j.Pad.Height.ErrorHeight
			return text + fmt.Sprintf("; each 100 ms of it adds %s to the top that a runaway past %q reaches.", j.up(topOf(a, h, b.Gone+0.1)-topOf(a, h, b.Gone), rules.Length), r.Name)
		}
	}
	return text + "."
}

// height reports what a cut means.
func (j *job) height() {
	if !math.IsInf(j.top, 1) {
		j.say("Power off at %s: it falls for up to %s and arrives with up to %s (no drag: on the high side; a runaway falls from where it tops out, higher).",
			j.show(j.top, rules.Length), j.up(fallTime(j.top), rules.Duration), j.up(FallSpeed(j.top), rules.Speed))
		j.graceEnds()
	}
	a := j.full
	if a <= 0 {
		j.say("What the craft does while a rule acts is not known: the pad file states no full thrust and mass under [height].")
		return
	}
	counts := j.Pad.Reaction(j.Stop.Thrust)
	j.say("A runaway from hover to full thrust gains %s until its coast ends, if thrust is gone after %s; one from the pad is faster, and each rule on height tells of it. What is left of the thrust after the relay's opening counts as so much time of full thrust (%s), and drag is left out: both on the high side. That rotors lift more close to the ground is left out: on the low side. %s",
		j.up(Runaway(a, counts.Seconds()), rules.Length), rules.FormatDuration(counts), j.Stop.Thrust.Says(), j.air)
	if stated := j.Pad.Height.Reaction; stated < j.Stop.Thrust.Gone+j.Pad.LongestGap {
		what := "the guard takes that instead"
		if counts-j.Pad.LinkDelay() == stated {
			what = "a rehearsal counts on what the file states"
		}
		j.warn("the pad file states no thrust %s after a sample (reaction under [height]), but thrust is gone %s after the relay's opening (%s) and the loop may be held up for %s: %s",
			rules.FormatDuration(stated), rules.FormatDuration(j.Stop.Thrust.Gone), j.Stop.Thrust.Says(), rules.FormatDuration(j.Pad.LongestGap), what)
	}
}

// graceEnds reports what a controlled stop asks for, and what its end means.
func (j *job) graceEnds() {
	least := math.Inf(1)
	for i := range j.Envelope.Rules {
		if r := &j.Envelope.Rules[i]; r.Stop == rules.Controlled && j.fed(r.Watch) {
			least = min(least, r.Grace.Seconds())
		}
	}
	if math.IsInf(least, 1) || least <= 0 {
		return
	}
	j.say("The shortest grace is %s: from %s that asks for %s down. If the craft is not down by then, power is cut at that height and it falls as told above.",
		j.down(least, rules.Duration), j.show(j.top, rules.Length), j.up(j.top/least, rules.Speed))
}

func isHeight(id rules.ChannelID) bool {
	switch id {
	case rules.Apex, rules.Height, rules.HeightLocal, rules.HeightGlobal, rules.HeightAltitude, rules.HeightRange, rules.HeightClearance:
		return true
	}
	return false
}

func isReach(id rules.ChannelID) bool { return id == rules.SlantRange || id == rules.Distance }

func isTension(id rules.ChannelID) bool { return id == rules.Tension || id == rules.WinchTension }
