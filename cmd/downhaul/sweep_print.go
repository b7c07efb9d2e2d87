package main

import (
	"fmt"
	"io"
	"math"
	"strings"

	"downhaul/interlock/before/bench"
	"downhaul/rules/rounding"
	"downhaul/rules/words"
)

func (a *sweptAll) title() string {
	what := map[string]string{"limit": "its limit", "low": "its low limit", "high": "its high limit", "lasting": "its on-delay"}[a.Key]
	return fmt.Sprintf("%s (%s): %s from %s to %s", a.rule.Name, a.Channel, what, a.Steps[0].Text, a.Steps[len(a.Steps)-1].Text)
}

func (a *sweptAll) print(w io.Writer) {
	wrap(w, "", "  ", a.title())
	wrap(w, "  now: ", "       ", words.Rule(a.rule))
	fmt.Fprintln(w)
	var rows [][]string
	for i := range a.Steps {
		s := &a.Steps[i]
		rows = append(rows, []string{pick(a.First >= 0 && i >= a.First && i <= a.Last, "*", ""), s.Text, fmt.Sprint(s.Trips), some(s.False), some(s.Missed), some(s.Caught),
			seconds(s.SlowestS), seconds(s.MeanS), a.headroom(s.Headroom)})
	}
	table(w, "", []string{"", ">value", ">trips", ">false", ">missed", ">caught", ">slowest", ">mean", "headroom"}, []int{1, 12, 6, 6, 6, 6, 9, 9, 0}, rows)
	if a.First >= 0 {
		fmt.Fprintln(w, "* no false trip, and every real one stated")
	}
	if n := a.Steps[0].Silences; n > 0 {
		wrap(w, "  Note: ", "    ", fmt.Sprintf("the rule also trips %s because %s is missing, whatever the value; those are not in the table", times(n), a.Channel))
	}
	a.printCautions(w)
	for _, r := range a.Recordings {
		for _, n := range r.Notes {
			wrap(w, "  Note: ", "    ", pick(len(a.Recordings) > 1, r.File+": ", "")+n)
		}
	}
	fmt.Fprintln(w)
	wrap(w, "", "", a.Says)
	if a.plot != "" {
		fmt.Fprintf(w, "wrote %s\n", printable(a.plot))
	}
}

// printCautions reports at which values the rule's caution had to be left out.
func (a *sweptAll) printCautions(w io.Writer) {
	first, last, n := 0, 0, 0
	for i := range a.Steps {
		if a.Steps[i].NoCaution {
			if n == 0 {
				first = i
			}
			last = i
			n++
		}
	}
	if n > 0 {
		wrap(w, "  Note: ", "    ", a.span(first, last)+" the rule's caution would not lie inside the limit; it is left out there, which changes no trip")
	}
}

func some(n *uint64) string {
	if n == nil {
		return "-"
	}
	return fmt.Sprint(*n)
}

func seconds(v *float64) string {
	if v == nil {
		return "-"
	}
	return fmt.Sprintf("%.2f s", *v)
}

func (a *sweptAll) headroom(v *float64) string {
	if v == nil {
		return "no value"
	}
	past, is := strings.CutPrefix(rounding.Headroom(*v, a.rule.Unit), "-")
	return pick(*v < 0 && !is, "just", past) + pick(*v < 0, " PAST IT", "")
}

// verdict returns in words what the sweep shows.
func (a *sweptAll) verdict() string {
	over := fmt.Sprintf("over %s", words.Count(len(a.Recordings), "recording"))
	if a.Unheard() {
		return fmt.Sprintf("%s never had a value %s while the rule was in force: no value of this limit was tested at all.", a.Channel, over)
	}
	if a.Reals == nil {
		return a.unjudged(over)
	}
	what := "no false trip"
	switch *a.Reals {
	case 0:
		what += " (nothing real was named)"
	case 1:
		what += " and the real one stated"
	default:
		what += fmt.Sprintf(" and all %d real ones stated", *a.Reals)
	}
	if a.First < 0 {
		return fmt.Sprintf("No value in this range gives %s %s. %s", what, over, a.nearest())
	}
	text := fmt.Sprintf("Widest range with %s %s: %s (%d of %d values).", what, over, a.span(a.First, a.Last), a.Last-a.First+1, len(a.Steps))
	if s := a.slowest(a.First, a.Last); s != "" && *a.Reals > 0 {
		text += " " + s
	}
	for _, end := range []struct {
		i     int
		where string
	}{{a.First - 1, "before"}, {a.Last + 1, "after"}} {
		if end.i < 0 || end.i >= len(a.Steps) {
			text += fmt.Sprintf(" It reaches to the end of what was tried, %s: the true edge there may lie beyond.", a.Steps[min(max(end.i, 0), len(a.Steps)-1)].Text)
			continue
		}
		s := &a.Steps[end.i]
		text += fmt.Sprintf(" One value %s, at %s: %s.", end.where, s.Text, wrongs(s))
	}
	return text + " What these recordings do not show, this does not know."
}

// span is a run of steps in words.
func (a *sweptAll) span(first, last int) string {
	if first == last {
		return fmt.Sprintf("at %s alone", a.Steps[first].Text)
	}
	return fmt.Sprintf("from %s to %s", a.Steps[first].Text, a.Steps[last].Text)
}

// unjudged is the verdict where nothing says what was real.
func (a *sweptAll) unjudged(over string) string {
	first, last := bench.Widest(a.Steps, func(s *bench.Step) bool { return s.Trips == 0 })
	text := fmt.Sprintf("It trips at every value %s.", over)
	if first >= 0 {
		text = fmt.Sprintf("Widest range without a trip %s: %s (%d of %d values).", over, a.span(first, last), last-first+1, len(a.Steps))
	}
	return text + " Which trips are false cannot be told: give --real or --reference."
}

// slowest returns how soon the slowest real one is found over a range.
func (a *sweptAll) slowest(first, last int) string {
	best, worst := math.Inf(1), math.Inf(-1)
	for _, s := range a.Steps[first : last+1] {
		if s.SlowestS != nil {
			best, worst = min(best, *s.SlowestS), max(worst, *s.SlowestS)
		}
	}
	if math.IsInf(best, 1) {
		return ""
	}
	text := fmt.Sprintf("The slowest trip there comes %s", sinceReal(worst))
	if worst-best >= 0.005 {
		text += fmt.Sprintf(", and at the other end of the range %s", sinceReal(best))
	}
	return text + "."
}

func sinceReal(v float64) string {
	if v < 0 {
		return fmt.Sprintf("%.2f s before the real time", -v)
	}
	return fmt.Sprintf("%.2f s after the real time", v)
}

func wrongs(s *bench.Step) string {
	var parts []string
	if *s.False > 0 {
		parts = append(parts, words.Count(*s.False, "false trip"))
	}
	if *s.Missed > 0 {
		parts = append(parts, fmt.Sprintf("%d real missed", *s.Missed))
	}
	return strings.Join(parts, ", ")
}

// nearest names the value with the fewest wrongs, real ones missed first.
func (a *sweptAll) nearest() string {
	best := 0
	for i := range a.Steps {
		s, b := &a.Steps[i], &a.Steps[best]
		if *s.Missed < *b.Missed || *s.Missed == *b.Missed && *s.False < *b.False {
			best = i
		}
	}
	return fmt.Sprintf("Nearest comes %s: %s.", a.Steps[best].Text, wrongs(&a.Steps[best]))
}
