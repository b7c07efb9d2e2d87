package lift

import (
	"fmt"
	"strings"

	"downhaul/rules"
	"downhaul/rules/rounding"
)

// Text is the sum for people, in the units of the system: a line for each part with its
// low end, its middle and its high end, the sum on paper, and behind it who says so.
func (s *Sum) Text(system string) string {
	var b strings.Builder
	row := func(cells ...any) {
		b.WriteString(strings.TrimRight(fmt.Sprintf("  %-28s %11s %11s %11s %11s", cells...), " ") + "\n")
	}
	row("", "low", "likely", "high", "on paper")
	for i := range s.Lines {
		l := &s.Lines[i]
		unit := rules.DefaultUnit(l.kind, system)
		show := func(v float64, way rounding.Way) string { return rounding.Show(v, unit, 3, way) }
		on := ""
		if l.Paper != nil {
			on = show(*l.Paper, rounding.Near)
		}
		low, high := show(l.Low, rounding.Down), show(l.High, rounding.Up)
		if l.Low == l.High {
			low, high = "", ""
		}
		row(l.What, low, show(l.Mid, rounding.Near), high, on)
	}
	for i := range s.Steps {
		t := &s.Steps[i]
		down := func(v float64) string { return rounding.Number(v, 3, rounding.Down) }
		row(cut("times the weight, "+t.Step, 28), down(t.Ratio.Low), down(t.Ratio.Mid), rounding.Number(t.Ratio.High, 3, rounding.Up), down(t.Paper))
	}
	return b.String()
}

// cut is a text of at most n letters.
func cut(text string, n int) string {
	if r := []rune(text); len(r) > n {
		return string(r[:n-1]) + "…"
	}
	return text
}

// Verdicts reports for each step that flies whether the low end keeps the reserve.
func (s *Sum) Verdicts(system string) (says []string) {
	for i := range s.Steps {
		t := &s.Steps[i]
		says = append(says, fmt.Sprintf("Step %q: %s", t.Step, t.says()))
	}
	ballast := func(v float64, way rounding.Way) string {
		return rounding.Show(v, rules.DefaultUnit(rules.Mass, system), 3, way)
	}
	if s.Ballast.Low < 0 {
		return append(says, fmt.Sprintf("The answer is the low end: the craft itself is %s too heavy for the reserve; the sum on paper leaves %s for ballast.",
			ballast(-s.Ballast.Low, rounding.Up), ballast(max(s.PaperLift/Gravity-s.craft(), 0), rounding.Near)))
	}
	return append(says, fmt.Sprintf("The answer is the low end: %s of ballast with the reserve kept (likely %s). Flights correct it; fly the steps.",
		ballast(s.Ballast.Low, rounding.Down), ballast(s.Ballast.Mid, rounding.Down)))
}

// craft is the craft's mass without ballast, kg.
func (s *Sum) craft() float64 {
	for i := range s.Lines {
		if s.Lines[i].What == craftLine {
			return s.Lines[i].Mid
		}
	}
	return 0
}

func (t *SumStep) says() string {
	down := func(v float64) string { return rounding.Number(v, 3, rounding.Down) }
	switch {
	case t.Enough:
		return fmt.Sprintf("thrust is %s times the weight at the low end, and %s is needed.", down(t.Ratio.Low), rounding.Number(t.Needed, 3, rounding.Up))
	case t.Ratio.High < 1:
		return fmt.Sprintf("does not lift: thrust is at most %s times the weight.", rounding.Number(t.Ratio.High, 3, rounding.Up))
	case t.Ratio.Mid < t.Needed:
		return fmt.Sprintf("too little is likely: thrust is %s times the weight (%s at the low end), and %s is needed.", down(t.Ratio.Mid), down(t.Ratio.Low), rounding.Number(t.Needed, 3, rounding.Up))
	}
	return fmt.Sprintf("not sure to be enough: thrust is %s times the weight at the low end, and %s is needed.", down(t.Ratio.Low), rounding.Number(t.Needed, 3, rounding.Up))
}
