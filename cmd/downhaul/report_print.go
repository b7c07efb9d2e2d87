package main

import (
	"fmt"
	"io"
	"strings"

	"downhaul/interlock/after/report"
	"downhaul/interlock/records/timeofday"
	"downhaul/rules/words"
)

// printReport is the summary on a terminal: what must be known first comes
// first.
func printReport(w io.Writer, r *report.Report) {
	if r.NotRemoved {
		fmt.Fprintln(w, "POWER NOT REMOVED")
		for _, s := range r.Sessions {
			for _, n := range s.NotRemoved {
				wrap(w, "  ", "  ", s.Session+" "+n.Says+".")
			}
		}
		for i, do := range report.AfterNotRemoved() {
			wrap(w, fmt.Sprintf("  %d. ", i+1), "     ", do)
		}
		fmt.Fprintln(w)
	}
	printSheet(w, r)
	for _, s := range r.Sessions {
		fmt.Fprintln(w)
		printSession(w, s)
	}
	fmt.Fprintln(w)
	if r.Lift.Says != "" {
		wrap(w, "LIFT: ", "  ", r.Lift.Says)
	}
	for line := range strings.Lines(r.Lift.Text()) {
		fmt.Fprint(w, printable(line))
	}
	for _, d := range r.Lift.Doubts {
		wrap(w, "  Doubtful: ", "    ", d+".")
	}
	if len(r.Sessions) > 1 {
		printAcross(w, r)
	}
	section(w, "This set-up cannot see:")
	wrapEach(w, "  - ", "    ", r.Unseen)
	if len(r.Unseen) == 0 {
		wrap(w, "  ", "  ", "not known: there is no pad file to say")
	}
}

// printSheet prints what stands alone: the verdict and all that must be known before the
// next start.
func printSheet(w io.Writer, r *report.Report) {
	o := &r.Sheet
	verdict := strings.ToUpper(o.Verdict)
	if o.Verdict == "none" {
		verdict = "NO VERDICT"
	}
	wrap(w, verdict+pick(o.Next != "", "  ", ""), "  ", pick(o.Next != "", "next step "+o.Next, ""))
	if o.Because != "" {
		wrap(w, "  ", "  ", o.Because)
	}
	if o.Settle != "" && o.Verdict != "not yet" { // that is in the list below
		wrap(w, "  What it takes: ", "    ", o.Settle)
	}
	list(w, "\nWhy it stopped", o.Stopped)
	boxes(w, "\nBefore the next start", append(append([]string{}, o.Must...), "The brief of the day, read and signed."))
	var rows [][]string
	for i := range o.Margins {
		m := &o.Margins[i]
		near := "never heard"
		if m.Least != nil {
			near = m.Least.ToGo()
		}
		rows = append(rows, []string{m.Rule, m.Limit.String(), near, fmt.Sprint(m.Trips), fmt.Sprint(m.Near), m.When})
	}
	fmt.Fprintln(w)
	table(w, "  ", []string{"margin", "limit", "nearest", "trips", "near", "when"}, []int{20, 10, 18, 5, 4, 0}, rows)
	if o.Code != nil {
		wrap(w, "  ", "    ", fmt.Sprintf("Head code of session %s: %s", o.Code.Session, o.Code.Code))
	}
	wrap(w, "  ", "    ", "Times of day are local, "+timeofday.Offset(r.Made)+"; files keep UTC.")
}

func section(w io.Writer, title string) { fmt.Fprintf(w, "\n%s\n", title) }

func printSession(w io.Writer, s *report.Session) {
	fmt.Fprintln(w, printable(s.Session))
	wrap(w, "  ", "  ", s.Headline())
	if s.Alone {
		wrap(w, "  ", "  ", fmt.Sprintf("A recording, %s, lasted %s.", s.Day(), report.Took(s.Lasted)))
	} else {
		wrap(w, "  ", "  ", fmt.Sprintf("Session %d, duty %s, began %s, lasted %s, %s.", s.Number, s.Duty, s.Day(), report.Took(s.Lasted), s.Ended))
	}
	wrapEach(w, "  Doubtful: ", "    ", s.Doubts)
	section(w, "Runs")
	for i := range s.Runs {
		printRun(w, s, &s.Runs[i])
	}
	if len(s.Runs) == 0 {
		fmt.Fprintln(w, "  none")
	}
	section(w, "Trips")
	if s.Duty == "watch" {
		printLikeTrips(w, s)
	} else {
		for i := range s.Episodes {
			for j := range s.Episodes[i].Trips {
				printTrip(w, s, &s.Episodes[i].Trips[j])
			}
			if i == mostEvents {
				wrap(w, "  ", "  ", fmt.Sprintf("%d more first causes; the page and --json list them", len(s.Episodes)-i-1))
				break
			}
		}
	}
	if len(s.Episodes) == 0 {
		fmt.Fprintln(w, "  none")
	}
	if len(s.Words) > 0 {
		section(w, "In the craft's own words")
	}
	for i, said := range s.Words {
		if i == mostEvents {
			wrap(w, "  ", "  ", fmt.Sprintf("%d more; the page and --json list them", len(s.Words)-i+s.WordsMore))
			break
		}
		wrapSaid(w, stamp(s, said.At)+fmt.Sprintf("%-9s ", said.Severity), strings.Repeat(" ", 32), said.Text)
	}
	printRules(w, s)
	printWeather(w, s)
	section(w, "Integrity")
	for _, text := range append(append([]string(nil), s.Integrity.Says...), s.Integrity.Recording...) {
		wrap(w, "  ", "    ", text)
	}
	for _, name := range s.Integrity.Changed {
		wrap(w, "  ", "    ", name+" IS GONE, OR IS NOT WHAT WAS READ ON THE DAY")
	}
	if !s.Alone {
		wrap(w, "  ", "    ", "last chain value "+s.Integrity.Log.Head)
	}
	if code := s.Integrity.Log.HeadCode; code != "" {
		wrap(w, "  ", "    ", "on paper: "+code)
	}
}

// stamp is the first column of what happened: local time of day and seconds.
func stamp(s *report.Session, q *report.Quantity) string {
	return fmt.Sprintf("  %8s %9s  ", s.Clocked(q), report.At(q))
}

func printRun(w io.Writer, s *report.Session, r *report.Run) {
	indent := strings.Repeat(" ", 24)
	what := "step not declared"
	if r.Step != "" {
		what = r.Step
	}
	if r.Ballast != nil {
		what += ", ballast " + r.Ballast.String()
	}
	if r.Mass != nil {
		what += ", " + r.Mass.String() + " in all"
	}
	if len(r.Packs) > 0 {
		what += ", packs " + strings.Join(r.Packs, " ")
	}
	wrap(w, stamp(s, r.Begin)+fmt.Sprintf("run %-2d ", r.Number), indent, what+"; "+report.Took(r.Lasted)+"; "+r.How+".")
	if r.Fault != "" {
		wrap(w, indent+"FAULT: ", indent+"  ", r.Fault+".")
	}
	if r.FirstCause != "" {
		wrap(w, indent+"First cause: ", indent+"  ", r.FirstCause+".")
	}
	var extremes []string
	for _, e := range []struct {
		what string
		q    *report.Quantity
	}{{"height", r.Highest}, {"gust", r.Gust}, {"pack", r.Lowest}, {"tether", r.Pull}, {"hover output", r.Hover}} {
		if e.q != nil {
			extremes = append(extremes, e.what+" "+e.q.String())
		}
	}
	if len(extremes) > 0 {
		wrap(w, indent+"Extremes: ", indent+"  ", strings.Join(extremes, ", ")+".")
	}
	for _, d := range r.Doubts {
		wrap(w, indent, indent+"  ", d+".")
	}
}

// printLikeTrips prints the trips of a guard that only watched, or of a recording, like
// ones as one line each: how often, from when to when, and the worst.
func printLikeTrips(w io.Writer, s *report.Session) {
	for _, l := range s.Like {
		if l.Count == 1 && l.Of != nil {
			printTrip(w, s, l.Of)
			continue
		}
		worst := ""
		if l.Worst != nil {
			worst = ", the worst at " + s.When(l.Worst)
		}
		wrap(w, stamp(s, l.First), strings.Repeat(" ", 24), fmt.Sprintf("%s, to %s%s: %s (%s stop).", times(uint64(l.Count)), s.When(l.Last), worst, l.Says, l.Stop))
	}
}

func printTrip(w io.Writer, s *report.Session, t *report.Trip) {
	indent := strings.Repeat(" ", 24)
	wrap(w, stamp(s, t.At)+fmt.Sprintf("%-7s", t.Name()+" "), indent, t.Says+" ("+t.Stop+" stop"+pick(t.FirstOut, ", first cause)", ")")+".")
	if len(t.With) > 0 {
		wrap(w, indent+"with it: ", indent+"  ", strings.Join(t.With, "; ")+".")
	}
	x := &t.Times
	var text []string
	if film := t.Filmed(); film != "" {
		text = append(text, "on a film "+film)
	}
	if x.Detected != nil {
		text = append(text, fmt.Sprintf("decided %s after the value passed the limit", report.Took(x.Detected))+may(x.BudgetDetect))
	} else if x.BudgetDetect != nil {
		text = append(text, "a decision may take "+report.Took(x.BudgetDetect))
	}
	if x.Relay != nil {
		text = append(text, "relay commanded open at "+report.At(x.Relay))
	}
	if x.DropOut != nil {
		text = append(text, "read back open "+report.Took(x.DropOut)+" later"+may(x.BudgetDrop))
	}
	if x.StopTime != nil {
		text = append(text, fmt.Sprintf("rotors still %s after the relay (counted on %s, %s)", report.Took(x.StopTime), report.Took(x.BudgetStop), x.StopSays))
	}
	if len(text) > 0 {
		wrap(w, indent, indent, strings.Join(text, "; ")+".")
	}
	for _, n := range x.Notes {
		wrap(w, indent, indent, n+".")
	}
}

func may(q *report.Quantity) string {
	if q == nil {
		return ""
	}
	return " (may take " + report.Took(q) + ")"
}

func printRules(w io.Writer, s *report.Session) {
	section(w, "Every rule against its limit, the nearest first")
	for i := range s.Rules {
		r := &s.Rules[i]
		text := "headroom not known"
		if r.Least != nil {
			text = r.Least.ToGo() + " at " + s.When(r.LeastAt)
		}
		text = fmt.Sprintf("limit %s, %s", r.Limit, text)
		if r.Trips > 0 {
			text += "; " + words.Count(r.Trips, "trip")
		}
		if r.Near > 0 {
			text += "; " + pick(r.Near == 1, "1 near miss", fmt.Sprintf("%d near misses", r.Near))
		}
		beside(w, "  ", r.Rule, "      ", text+"; "+r.RestsOn+".")
		for _, d := range r.Doubts {
			wrap(w, "      ", "      ", d+".")
		}
	}
	if len(s.Rules) == 0 {
		fmt.Fprintln(w, "  not known")
	}
	near := 0
	for i := range s.Spans {
		c := &s.Spans[i]
		if c.Tripped {
			continue
		}
		if near == 0 {
			section(w, "Near misses (cautions that went off without a trip of their rule)")
		}
		if near++; near > mostEvents {
			continue
		}
		wrap(w, stamp(s, c.From), strings.Repeat(" ", 22), fmt.Sprintf("%s: worst %s, limit %s, %s%s%s.", c.Rule, c.Worst, c.Limit, pick(c.To == nil, "stood until the end", "for "+report.Took(c.Lasted())),
			pick(c.Count > 1, ", "+times(uint64(c.Count)), ""), pick(c.PastLimit(), "; PAST THE LIMIT without a trip of its own", "")))
	}
	if near > mostEvents {
		wrap(w, "  ", "  ", fmt.Sprintf("%d more; the page and --json list them", near-mostEvents))
	}
}

// printWeather is wind, packs, link and proof tests.
func printWeather(w io.Writer, s *report.Session) {
	section(w, "Wind")
	for _, p := range s.Wind.Periods {
		text := p.Says
		if p.Mean != nil {
			text = fmt.Sprintf("mean %s, gust %s, lull %s", p.Mean, p.Gust, p.Lull)
			if p.Factor != nil {
				text += fmt.Sprintf(", gust factor %.2f", *p.Factor)
			}
			text += " over " + report.Took(p.Lasted)
		}
		wrap(w, fmt.Sprintf("  %-14s ", p.Period), "      ", text+".")
	}
	if s.Wind.Says != "" {
		wrap(w, "  ", "    ", s.Wind.Says)
	}
	section(w, "Packs")
	for i := range s.Packs {
		p := &s.Packs[i]
		wrap(w, fmt.Sprintf("  %-8s ", p.Pack), "      ", fmt.Sprintf("resistance %s; at rest %s, then %s; lowest %s, largest current %s, largest sag %s; lowest cell %s, widest spread %s; drawn %s.",
			p.Resistance, p.AtRest, p.RestEnd, p.Lowest, p.Most, p.Sag, p.LowestCell, p.Spread, p.Charge))
		for _, d := range p.Doubts {
			wrap(w, "      ", "      ", d+".")
		}
	}
	if len(s.Packs) == 0 {
		fmt.Fprintln(w, "  not known")
	}
	section(w, "Link")
	wrap(w, "  ", "    ", s.Link.Says)
	for _, g := range s.Link.Ignored {
		wrap(w, "  Ignored: ", "    ", fmt.Sprintf("%d %s", g.Count, g.What))
	}
	wrapEach(w, "  Never heard: ", "    ", s.Link.Never)
	if s.Alone {
		return
	}
	section(w, "Proof tests on the day")
	for _, p := range s.AlikeProofs() {
		wrap(w, "  ", "    ", fmt.Sprintf("%s: %s; %s.", p.Test, p.InForce, p.Says))
	}
	if len(s.Proofs) == 0 {
		fmt.Fprintln(w, "  not known")
	}
}

func printAcross(w io.Writer, r *report.Report) {
	section(w, "Across the sessions")
	wrap(w, "  ", "    ", "Counted over them: "+r.Across.Says()+".")
	for _, p := range r.Across.Packs {
		wrap(w, "  ", "    ", "Pack "+p.Pack+": "+p.Says()+".")
	}
	for _, row := range r.Across.Rows {
		var ohms, hovers []string
		for _, q := range row.Resistance {
			ohms = append(ohms, q.String())
		}
		for _, h := range row.Hovers {
			hovers = append(hovers, fmt.Sprintf("%s at ballast %s", h.Output, h.Ballast))
		}
		wrap(w, "  ", "    ", fmt.Sprintf("%s: %s, %s, %s; pack resistance %s; longest relay to readback %s; hover output %s.", row.Session,
			words.Count(row.Runs, "run"), words.Count(row.Trips, "trip")+pick(row.Faults > 0, ", "+words.Count(row.Faults, "FAULT")+" OF THE CHAIN", ""), pick(row.Near == 1, "1 near miss", fmt.Sprintf("%d near misses", row.Near)),
			pick(len(ohms) > 0, strings.Join(ohms, ", "), "not known"), report.Took(row.Drop), pick(len(hovers) > 0, strings.Join(hovers, ", "), "not known")))
	}
}
