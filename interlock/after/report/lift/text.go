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
	mid, unit := figure(e.Mid, kind, system, digits, rounding.Near)
	low, _ := figure(e.Low, kind, system, digits, rounding.Down)
	high, _ := figure(e.High, kind, system, digits, rounding.Up)
	if unit != "" {
		mid += " " + unit
	}
	return mid + " (" + low + " to " + high + ")"
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
	f.basis(p, system)
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

var verdictText = map[Verdict]string{Go: "GO", NotYet: "NOT YET: fly this first", No: "NO", Withheld: "WITHHELD"}

func (s *StepForecast) text(p *page, system string, need *Requirement) {
	p.wrapped("  ", "  ", fmt.Sprintf("%s, %s in all: %s", s.Name, said(s.Mass, rules.Mass, system, 3, rounding.Near), verdictText[s.Verdict]))
	why, settle := s.Sentence(system)
	p.wrapped("    ", "    ", capital(why)+".")
	if settle != "" {
		head := "    What it would take: "
		if s.Verdict == NotYet || s.Verdict == Withheld {
			head = "    What would settle it: "
		}
		p.wrapped(head, "      ", settle+".")
	}
	if !s.Numbers {
		p.line("")
		return
	}
	row := func(name, value, note string) { p.line("    %-22s %-28s %s", name, value, note) }
	row("", "likely (95 % interval)", "")
	row("output in the hover", ranged(s.Output, rules.Ratio, system, 2), "")
	row("hardest working motor", ranged(s.Worst, rules.Ratio, system, 2), rounding.Number(100*s.Headroom.Mid, 2, rounding.Down)+" % left")
	row("current", ranged(s.Current, rules.Current, system, 3), "")
	row("pack under it", ranged(s.Voltage, rules.Voltage, system, 3), said(s.Sag.Mid, rules.Voltage, system, 2, rounding.Up)+" of sag")
	row("pack at the hover's end", ranged(s.EndVoltage, rules.Voltage, system, 3), "after "+clock(need.HoverTime))
	if need.Floor > 0 && s.Endurance.Mid > 0 {
		row("time to the floor", fmt.Sprintf("%s (%s to %s)", clock(s.Endurance.Mid), clock(s.Endurance.Low), clock(s.Endurance.High)), "shorter near empty")
	}
	row("most lift, at the end", ranged(s.Lift, rules.Force, system, 3), fmt.Sprintf("at %s, %s", said(s.LiftVoltage.Mid, rules.Voltage, system, 3, rounding.Near), said(s.LiftCurrent.Mid, rules.Current, system, 3, rounding.Near)))
	row("reserve", ranged(s.Reserve, rules.Ratio, system, 2), fmt.Sprintf("required %.0f %%", 100*need.Reserve))
	if s.Take != nil && s.Take.LargestMass > 0 {
		row("largest ballast", said(s.Take.LargestBallast, rules.Mass, system, 3, rounding.Down), "at the low end")
	}
	if !s.Shown {
		p.wrapped("    ", "    ", fmt.Sprintf("The supply was not seen to carry full output (%s): lift and reserve are bounded by what it was seen to carry, and thrust may fall at full output.", said(s.LiftCurrent.Mid, rules.Current, system, 3, rounding.Near)))
	}
	p.line("")
}

// basis reports what the forecast rests on.
func (f *Forecast) basis(p *page, system string) {
	count := map[Kind]int{}
	for i := range f.Points {
		count[f.Points[i].Kind]++
	}
	p.wrapped("  Rests on: ", "            ", fmt.Sprintf("%s, %s on the tether, %s that stayed on the ground", words.Count(count[Hover], "hover"), words.Count(count[Pull], "pull"), words.Count(count[Attempt], "full-output attempt")))
	if f.Stand != nil {
		p.wrapped("  ", "  ", "Thrust stand: "+f.Stand.Says()+".")
	}
	for i := range f.Changes {
		p.wrapped("  ", "  ", "Measured: "+f.Changes[i].Says()+".")
	}
	if r := f.Fit; r != nil {
		p.wrapped("            ", "            ", fmt.Sprintf("thrust against %s; scatter %.1f %% a hover, %s of freedom (Student's t %.2f); one hover is one point, however long",
			r.Against, 100*r.Scatter, words.Count(r.Freedom, "degree"), r.T))
		p.wrapped("            ", "            ", fmt.Sprintf("heaviest load held: %s, at %.0f %% output", said(r.Heaviest, rules.Force, system, 3, rounding.Near), 100*r.TopOutput))
		if r.Assumes != "" {
			p.wrapped("            ", "            ", r.Assumes)
		}
	}
	if r := f.Pack; r != nil {
		text := fmt.Sprintf("pack: %s resting, %s quick and %s slow, from %s; carried %s", ranged(r.Resting, rules.Voltage, system, 3),
			ranged(r.Resistance, rules.Resistance, system, 2), ranged(r.Slow, rules.Resistance, system, 2), words.Count(r.Runs, "flight"), said(r.ShownCurrent, rules.Current, system, 3, rounding.Near))
		if r.Collapse > 0 {
			text += ", gave way at " + said(r.Collapse, rules.Current, system, 3, rounding.Near)
		}
		p.wrapped("            ", "            ", text)
	}
	if f.Air != nil {
		p.wrapped("            ", "            ", f.Air.Says(system))
	}
}
