package main

import (
	"context"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"downhaul/interlock/before/bench"
	"downhaul/interlock/before/hazard"
	"downhaul/interlock/records/plain"
	"downhaul/rules"
	"downhaul/rules/rounding"
	"downhaul/rules/words"
)

// heldRow is a rule, a condition for a start or a sign of a phase, held against the link.
type heldRow struct {
	File    string `json:"file"`
	Line    int    `json:"line,omitempty"`
	What    string `json:"what"` // "rule", "start" or "sign"
	Name    string `json:"name"`
	Channel string `json:"channel"`
	// From is the channel by which it comes, of several the slowest; EveryS the time within
	// which nine of ten came, null where it was not heard twice.
	From   string   `json:"from"`
	EveryS *float64 `json:"every_s"`
	// CountsS is how old a value may be now, TooOld how often one was older while the craft
	// was heard.
	CountsS float64 `json:"counts_for_s"`
	TooOld  int     `json:"too_old"`
	// NoneS is how old it would have to be allowed to be for none, MostS the most that is
	// taken, and ProposedS what would be written: so that one value may be lost as well,
	// where that is taken. Null where none is too old now.
	NoneS     *float64 `json:"none_with_s"`
	ProposedS *float64 `json:"proposed_s"`
	MostS     float64  `json:"most_s"`
	// CostS is how much later a silence would be told with that, CostM what a runaway
	// from hover gains in that time before an immediate stop ends it; null where that is
	// not known, or nothing would be cut at once.
	CostS *float64 `json:"cost_s"`
	CostM *float64 `json:"cost_m"`
	// Says is what it means, empty of one that comes in time.
	Says string `json:"says,omitempty"`
}

// pasted is a line to paste, and where.
type pasted struct {
	File string `json:"file"`
	Line int    `json:"line,omitempty"` // of the rule or condition that it belongs to
	For  string `json:"for"`
	Text string `json:"text"`
}

// wasHeard reads what listen --json printed, or hears a recording.
func wasHeard(ctx context.Context, s *streams, command, name string) (*findings, error) {
	head, err := plain.Read(name, plain.Heard)
	if err == nil && strings.HasPrefix(strings.TrimSpace(string(head)), "{") {
		f, err := foundBefore(name, head)
		if err != nil {
			return nil, hint(fmt.Errorf("%s: %w", command, err), "downhaul listen LINK --json > %s", name)
		}
		return &f, nil
	}
	found, _, err := eachRecording(ctx, s, command, []string{name}, func(j *job) (*findings, error) { return hearRecording(j, identity{}) })
	if err != nil {
		return nil, err
	}
	if found[0].Craft == nil {
		return nil, hint(fmt.Errorf("%s: %s is neither a recording with a craft in it nor what listen --json prints", command, name), "name a recording, or write one: downhaul listen LINK --json > heard.json")
	}
	return found[0], nil
}

// budgets is how often each channel was heard, for what goes by that.
func (f *findings) budgets() hazard.Heard {
	every := map[rules.ChannelID]time.Duration{}
	for _, c := range f.Channels {
		if ch, ok := rules.Lookup(c.Channel); ok && c.Rate > 0 {
			every[ch.ID] = time.Duration(float64(time.Second) / c.Rate)
		}
	}
	for i := range f.Spacings {
		if ch, ok := rules.Lookup(f.Spacings[i].Channel); ok {
			every[ch.ID] = f.Spacings[i].every()
		}
	}
	return func(id rules.ChannelID) (time.Duration, bool) { d, ok := every[id]; return d, ok }
}

// holdAgainstLink holds every rule, condition and sign against what was heard.
func (c *checked) holdAgainstLink() {
	if c.found == nil || c.pad == nil || len(c.found.Spacings) == 0 {
		return
	}
	for i := range c.Files {
		f := &c.Files[i]
		e := f.envelope
		if e == nil {
			continue
		}
		for k := range e.Rules {
			r := &e.Rules[k]
			if c.pad.Fed(r.Watch) != rules.CraftSays && r.Watch != rules.LinkAge {
				continue
			}
			row := heldRow{File: f.File, Line: r.Line, What: "rule", Name: r.Name, Channel: r.Watch.String()}
			c.hold(&row, r.Watch, r.StaleAfter, hazard.LongestSilence(r.Watch))
			if r.Stop == rules.Immediate {
				row.CostM = c.costs(&row, r.Watch == rules.Apex)
			}
			c.propose(&row)
		}
		for k := range e.Permissives {
			p := &e.Permissives[k]
			if c.pad.Fed(p.Watch) != rules.CraftSays {
				continue
			}
			row := heldRow{File: f.File, Line: p.Line, What: "start", Name: p.Name, Channel: p.Watch.String()}
			c.hold(&row, p.Watch, p.StaleAfter, rules.LongestTime)
			c.propose(&row)
		}
	}
	c.holdSigns()
}

// hold counts how often a value was too old.
func (c *checked) hold(row *heldRow, id rules.ChannelID, counts, most time.Duration) {
	row.CountsS, row.MostS = counts.Seconds(), most.Seconds()
	var slowest *spacing
	for _, from := range c.pad.Derived().Needs(id) {
		s := spacingOf(c.found.Spacings, from)
		if s == nil {
			row.From, row.Says = from.String(), "not heard on this link"
			return
		}
		if slowest == nil || s.EveryS > slowest.EveryS {
			slowest = s
		}
	}
	if slowest == nil {
		return
	}
	row.From, row.EveryS = slowest.Channel, &slowest.EveryS
	row.TooOld = slowest.longer(counts)
	if row.TooOld > 0 {
		// At that age it is too old: a hundredth more than the longest, and room for one
		// that is lost.
		longest := time.Duration(slowest.Gaps[len(slowest.Gaps)-1][0] * float64(time.Second))
		none := bench.TwoFigures(longest + longest/100).Seconds()
		proposed := max(row.CountsS, min(row.MostS, max(none, bench.TwoFigures(5*slowest.every()/2).Seconds())))
		cost := proposed - row.CountsS
		row.NoneS, row.ProposedS, row.CostS = &none, &proposed, &cost
	}
}

// costs is what a runaway from hover gains more where a silence is told that much later:
// nothing where the limit is on a prediction that grows with silence.
func (c *checked) costs(row *heldRow, grows bool) *float64 {
	a := c.pad.Height.MaxAcceleration
	switch {
	case row.CostS == nil, a <= hazard.Gravity:
		return nil
	case grows:
		return new(float64)
	}
	stop, _ := c.stop()
	gone := c.pad.LinkDelay().Seconds() + row.CountsS + c.pad.LongestGap.Seconds() + stop.Thrust.Gone.Seconds()
	more := hazard.Runaway(a, gone+*row.CostS) - hazard.Runaway(a, gone)
	return &more
}

// holdSigns holds the signs of the phases and the link itself against what was heard.
func (c *checked) holdSigns() {
	signs := []rules.ChannelID{rules.CraftArmed, rules.CraftLanded, rules.Height, rules.MotorHighest, rules.LinkAge}
	cfg := c.pad.Derived()
	for _, id := range signs {
		if id != rules.LinkAge && c.pad.Fed(id) == rules.NotFed {
			continue
		}
		row := heldRow{File: c.padFile.Name, What: "sign", Name: id.String(), Channel: id.String()}
		counts := cfg.Stale(id)
		if id == rules.LinkAge {
			counts = c.pad.Site().LinkStale
		}
		c.hold(&row, id, counts, longestSign(id))
		switch often := 2*row.TooOld > c.gaps(row.From); {
		case row.Says != "" && id == rules.LinkAge, row.TooOld == 0 && row.Says == "":
		case row.Says != "":
			row.Says += ": the craft never counts as disarmed and landed by it"
		case id == rules.LinkAge:
			row.Says, row.CostM = "each time the power goes off", c.costs(&row, false)
		case often:
			row.Says = "the craft never counts as disarmed and landed: no end in order, no reset after a trip"
		default:
			row.Says = "each time the craft counts as armed or in the air until all signs agree again"
		}
		c.Held = append(c.Held, row)
	}
	if len(cfg.HeightSources) > 0 {
		every, tooSeldom := comesEvery(c.found.Spacings, cfg.HeightSources[0], cfg.ClimbSource)
		c.TooSeldom = tooSeldom
		for id, d := range c.pad.ComesEvery {
			if every[id.String()] == "" {
				every[id.String()] = rules.FormatDuration(d) // stated, and slower than heard
			}
		}
		if lines := padLines(every, ""); len(every) > 0 && c.pad.ComesEvery != nil && !c.stated(every) {
			c.Paste = append(c.Paste, pasted{File: c.padFile.Name, For: "the signs of the phases, in place of what stands under [comes_every]", Text: lines})
		}
	}
}

// stated reports whether the pad file states these times already, or longer ones.
func (c *checked) stated(every map[string]string) bool {
	for name, text := range every {
		sign, _ := rules.Lookup(name)
		if d, err := rules.ParseDuration(text); err != nil || c.pad.ComesEvery[sign.ID] < d {
			return false
		}
	}
	return true
}

// longestSign is the longest that a sign of a phase may be old on any pad.
func longestSign(id rules.ChannelID) time.Duration {
	longest := id.Stale()
	for _, row := range mostSlow {
		if row.id == id {
			longest = max(longest, 5*row.every/2)
		}
	}
	return longest
}

// gaps counts the gaps of a channel.
func (c *checked) gaps(channel string) (n int) {
	for i := range c.found.Spacings {
		if c.found.Spacings[i].Channel == channel {
			return c.found.Spacings[i].longer(0)
		}
	}
	return 0
}

// propose keeps a row, with the line that would have spared it all that too old values did.
func (c *checked) propose(row *heldRow) {
	if row.TooOld > 0 {
		if *row.NoneS > row.MostS {
			row.Says = fmt.Sprintf("even with %s, the most that is taken, some stay: ask the craft for more", rules.Format(row.MostS, "s"))
		}
		if *row.ProposedS > row.CountsS {
			c.Paste = append(c.Paste, pasted{File: row.File, Line: row.Line, For: fmt.Sprintf("%s %q", row.What, row.Name), Text: fmt.Sprintf("stale_after = %q", rules.Format(*row.ProposedS, "s"))})
		}
	}
	c.Held = append(c.Held, *row)
}

// sayHeld sums up what the link would have done.
func (c *checked) sayHeld() {
	trips, of := 0, []string{}
	for i := range c.Held {
		if r := &c.Held[i]; r.What == "rule" && r.TooOld > 0 {
			trips += r.TooOld
			of = append(of, r.Name)
		}
	}
	if trips > 0 {
		c.Warnings = append(c.Warnings, fmt.Sprintf("on this link values would have been too old for %s %s, for no other reason (%s): see the table; each is a trip, a caution or a start that is refused",
			words.Count(len(of), "limit"), words.Count(trips, "time"), strings.Join(of, ", ")))
	}
	var says []string
	signs := map[string][]string{}
	for _, r := range c.Held {
		if r.Says == "" || r.What != "sign" {
			continue
		}
		if signs[r.Says] == nil {
			says = append(says, r.Says)
		}
		signs[r.Says] = append(signs[r.Says], r.Name+r.comes())
	}
	for _, s := range says {
		c.Warnings = append(c.Warnings, strings.Join(signs[s], "; ")+": "+s)
	}
	c.Warnings = append(c.Warnings, c.TooSeldom...)
}

func (r *heldRow) comes() string {
	if r.EveryS == nil {
		return ""
	}
	return " comes every " + rules.Format(*r.EveryS, "s") + " and counts for " + rules.Format(r.CountsS, "s")
}

// printHeld prints the table and what can be pasted.
func (c *checked) printHeld(w io.Writer) {
	if len(c.Held) == 0 {
		return
	}
	fmt.Fprintln(w)
	wrap(w, "", "  ", fmt.Sprintf("Against the link as it was heard (%s, %s): how often a value came too late while the craft was heard, whatever the phase; how old it would have to be allowed to be for none; and what the lines below cost: how much later a silence is told, and what a runaway from hover gains meanwhile before an immediate stop.",
		printable(c.found.Link), rules.Format(c.found.Seconds, "s")))
	var rows [][]string
	show := func(v float64) string { return rounding.Show(v, "s", 2, rounding.Up) }
	file := c.Held[0].File
	for _, r := range c.Held {
		if r.File != file {
			file = r.File
			rows = append(rows, []string{file})
		}
		every, none, cost := "-", "-", ""
		if r.EveryS != nil {
			every = show(*r.EveryS)
		}
		if r.NoneS != nil {
			none = show(*r.NoneS)
			if *r.NoneS > r.MostS {
				none = "> " + show(r.MostS)
			}
			if r.CostS != nil && *r.CostS > 0 {
				cost = show(*r.CostS)
			}
			if r.CostM != nil {
				cost += ", " + rounding.Show(*r.CostM, c.length(), 2, rounding.Up)
			}
		}
		name := r.Name
		if r.What == "start" {
			name = "start: " + name
		}
		rows = append(rows, []string{name, every, show(r.CountsS), fmt.Sprint(r.TooOld), none, cost})
	}
	table(w, "  ", []string{"", ">comes", ">counts", ">too old", ">none with", "costs"}, []int{23, 8, 8, 7, 9, 0}, rows)
	if len(c.Paste) == 0 {
		return
	}
	fmt.Fprintln(w, "\nTo paste, where the cost is worth it (nothing was written):")
	for _, p := range c.Paste {
		where := p.File
		if p.Line > 0 {
			where += fmt.Sprintf(", line %d", p.Line)
		}
		wrap(w, "  ", "    ", where+", "+p.For)
		for line := range strings.Lines(p.Text) {
			fmt.Fprint(w, "      "+line)
		}
		fmt.Fprintln(w)
	}
}

// length is the unit in which lengths are told.
func (c *checked) length() string {
	i := slices.IndexFunc(c.Files, func(f checkedFile) bool { return f.envelope != nil })
	if i < 0 {
		return rules.DefaultUnit(rules.Length, "metric")
	}
	return rules.DefaultUnit(rules.Length, c.Files[i].envelope.Units)
}
