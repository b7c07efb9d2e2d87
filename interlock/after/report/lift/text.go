package lift

import (
	"fmt"
	"strings"
	"unicode/utf8"

	"downhaul/rules"
	"downhaul/rules/rounding"
	"downhaul/rules/words"
)

// columns is how wide a terminal is taken to be.
const columns = 80

// figure is a value in the user's units with so many significant digits; whole
// numbers are not cut.
func figure(si float64, kind rules.Kind, system string, digits int, way rounding.Way) (number, unit string) {
	unit = rules.DefaultUnit(kind, system)
	v, ok := rules.Convert(si, unit)
	if !ok {
		return "no value", ""
	}
	return rounding.Number(v, digits, way), unit
}

// said is figure as one word group: "12.5 kg".
func said(si float64, kind rules.Kind, system string, digits int, way rounding.Way) string {
	n, unit := figure(si, kind, system, digits, way)
	if unit == "" {
		return n
	}
	return n + " " + unit
}

// ranged is an estimate as "12.5 kg (11 to 14)"; the range is never told narrower
// than it is.
func ranged(e Estimate, kind rules.Kind, system string, digits int) string {
	r := rowOf("", e, kind, system, digits, "")
	return r.value()
}

// Row is one figure of a step for people: what is likely, its 95 % interval, which may be
// empty, the unit of all with a blank in front of it, and a remark.
type Row struct{ What, Mid, Low, High, Unit, Note string }

func rowOf(what string, e Estimate, kind rules.Kind, system string, digits int, note string) Row {
	mid, unit := figure(e.Mid, kind, system, digits, rounding.Near)
	low, _ := figure(e.Low, kind, system, digits, rounding.Down)
	high, _ := figure(e.High, kind, system, digits, rounding.Up)
	return Row{what, mid, low, high, strings.TrimRight(" "+unit, " "), note}
}

func (r *Row) value() string {
	if r.Low == "" {
		return r.Mid + r.Unit
	}
	return r.Mid + r.Unit + " (" + r.Low + " to " + r.High + ")"
}

func clock(seconds float64) string {
	if seconds >= longest {
		return "over a day"
	}
	if seconds < 100 {
		return fmt.Sprintf("%.0f s", seconds)
	}
	return fmt.Sprintf("%.1f min", seconds/60)
}

// page collects lines.
type page struct{ strings.Builder }

func (p *page) line(format string, args ...any) {
	p.WriteString(strings.TrimRight(fmt.Sprintf(format, args...), " ") + "\n")
}

// wrapped writes text so that no line passes the columns, each after indent.
func (p *page) wrapped(first, indent, text string) {
	line := first
	for _, word := range strings.Fields(text) {
		fresh := line == first || line == indent
		if !fresh && utf8.RuneCountInString(line)+1+utf8.RuneCountInString(word) > columns {
			p.line("%s", line)
			line, fresh = indent, true
		}
		if !fresh {
			line += " "
		}
		line += word
	}
	p.line("%s", line)
}

// Text is the forecast for a terminal of 80 columns, in the units of the system,
// "metric" or "imperial".
func (f *Forecast) Text(system string) string {
	p := &page{}
	p.line("LIFT: is the next ballast step safe to try? (an uncrewed step, never a person)")
	if f.WhatIf != nil {
		p.wrapped("What if: ", "         ", f.WhatIf.Text+" (not as the craft is)")
	}
	p.line("")
	for i := range f.Next {
		f.Next[i].text(p, system, &f.Needed)
	}
	if len(f.Next) == 0 {
		p.line("  No next step was named.")
		if f.Refused != "" {
			p.wrapped("  ", "  ", capital(f.Refused)+".")
		}
		p.line("")
	}
	for i, text := range f.Basis(system) {
		if i == 0 {
			p.wrapped("  Rests on: ", "            ", text)
		} else {
			p.wrapped("            ", "            ", capital(text))
		}
	}
	for _, no := range f.Cannot {
		p.wrapped("  Not seen: ", "            ", no)
	}
	for _, u := range f.Unused {
		p.wrapped("  Left out: ", "            ", u)
	}
	return p.String()
}

func capital(s string) string {
	if s == "" {
		return s
	}
	r, n := utf8.DecodeRuneInString(s)
	return strings.ToUpper(string(r)) + s[n:]
}

// verdictText is the verdicts for people.
var verdictText = map[Verdict]string{Go: "GO", NotYet: "NOT YET: fly this first", No: "NO", Withheld: "WITHHELD"}

// Says returns the verdict for people, empty where there is none.
func (v Verdict) Says() string { return verdictText[v] }

// SettleHead stands in front of what Sentence says would settle it.
func (s *StepForecast) SettleHead() string {
	if s.Verdict == NotYet || s.Verdict == Withheld {
		return "What would settle it"
	}
	return "What it would take"
}

// Rows are the figures of the step in the units of the system, none where it has no numbers.
func (s *StepForecast) Rows(system string, need *Requirement) (rows []Row) {
	if !s.Numbers {
		return nil
	}
	const digits = 3
	say := func(v float64, kind rules.Kind, way rounding.Way) string { return said(v, kind, system, digits, way) }
	row := func(what string, e Estimate, kind rules.Kind, note string) {
		rows = append(rows, rowOf(what, e, kind, system, digits, note))
	}
	row("output in the hover", s.Output, rules.Ratio, "")
	row("hardest working motor", s.Worst, rules.Ratio, say(s.Headroom.Mid, rules.Ratio, rounding.Down)+" left")
	row("current", s.Current, rules.Current, "")
	row("pack under it", s.Voltage, rules.Voltage, say(s.Sag.Mid, rules.Voltage, rounding.Up)+" of sag")
	row("pack at the hover's end", s.EndVoltage, rules.Voltage, "after "+clock(need.HoverTime))
	if need.Floor > 0 && s.Endurance.Mid > 0 {
		rows = append(rows, Row{What: "time to the floor", Mid: clock(s.Endurance.Mid), Low: clock(s.Endurance.Low), High: clock(s.Endurance.High), Note: "shorter near empty"})
	}
	row("most lift, at the end", s.Lift, rules.Force, fmt.Sprintf("at %s, %s", say(s.LiftVoltage.Mid, rules.Voltage, rounding.Near), say(s.LiftCurrent.Mid, rules.Current, rounding.Near)))
	row("reserve", s.Reserve, rules.Ratio, fmt.Sprintf("required %.0f %%", 100*need.Reserve))
	if s.Take != nil && s.Take.LargestMass > 0 {
		rows = append(rows, Row{What: "largest ballast", Mid: say(s.Take.LargestBallast, rules.Mass, rounding.Down), Note: "reserve at the low end"})
	}
	return rows
}

// Unproven is what stands beside figures that the supply was not seen to bear, else empty.
func (s *StepForecast) Unproven(system string) string {
	if !s.Numbers || s.Shown {
		return ""
	}
	return fmt.Sprintf("The supply was not seen to carry full output (%s): lift and reserve are bounded by what it was seen to carry, and thrust may fall at full output.", said(s.LiftCurrent.Mid, rules.Current, system, 3, rounding.Near))
}

func (s *StepForecast) text(p *page, system string, need *Requirement) {
	p.wrapped("  ", "  ", fmt.Sprintf("%s, %s in all: %s", s.Name, said(s.Mass, rules.Mass, system, 3, rounding.Near), s.Verdict.Says()))
	why, settle := s.Sentence(system)
	p.wrapped("    ", "    ", capital(why)+".")
	if settle != "" {
		p.wrapped("    "+s.SettleHead()+": ", "      ", settle+".")
	}
	for i, r := range s.Rows(system, need) {
		if i == 0 {
			p.line("    %-22s %s", "", "likely (95 % interval)")
		}
		p.line("    %-22s %-28s %s", r.What, r.value(), r.Note)
	}
	if text := s.Unproven(system); text != "" {
		p.wrapped("    ", "    ", text)
	}
	p.line("")
}

// Basis is what the forecast rests on, in sentences without their full stops.
func (f *Forecast) Basis(system string) (says []string) {
	say := func(format string, args ...any) { says = append(says, fmt.Sprintf(format, args...)) }
	count := map[Kind]int{}
	for i := range f.Points {
		count[f.Points[i].Kind]++
	}
	say("%s, %s on the tether, %s that stayed on the ground", words.Count(count[Hover], "hover"), words.Count(count[Pull], "pull"), words.Count(count[Attempt], "full-output attempt"))
	if f.Stand != nil {
		say("thrust stand: %s", f.Stand.Says())
	}
	for i := range f.Changes {
		say("measured: %s", f.Changes[i].Says())
	}
	if r := f.Fit; r != nil {
		say("thrust against %s; scatter %.1f %% a hover, %s of freedom (Student's t %.2f); one hover is one point, however long",
			r.Against, 100*r.Scatter, words.Count(r.Freedom, "degree"), r.T)
		say("heaviest load held: %s, at %.0f %% output", said(r.Heaviest, rules.Force, system, 3, rounding.Near), 100*r.TopOutput)
		if r.Assumes != "" {
			say("%s", r.Assumes)
		}
	}
	if r := f.Pack; r != nil {
		text := fmt.Sprintf("pack: %s resting, %s quick and %s slow, from %s; carried %s", ranged(r.Resting, rules.Voltage, system, 3),
			ranged(r.Resistance, rules.Resistance, system, 2), ranged(r.Slow, rules.Resistance, system, 2), words.Count(r.Runs, "flight"), said(r.ShownCurrent, rules.Current, system, 3, rounding.Near))
		if r.Collapse > 0 {
			text += ", gave way at " + said(r.Collapse, rules.Current, system, 3, rounding.Near)
		}
		says = append(says, text)
	}
	if f.Air != nil {
		says = append(says, f.Air.Says(system))
	}
	return says
}
