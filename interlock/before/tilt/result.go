package tilt

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// Result is what a whole watch found.
type Result struct {
	// Held are the four directions, nil where one was not held.
	Held [Directions]*Held `json:"held"`
	Rows int               `json:"rows"`
	// Findings state what is wrong or missing, and what it looks like.
	Findings []string `json:"findings"`
	Passed   bool     `json:"passed"`
	// Untold states what no lean can show with these places; it fails nothing.
	Untold []string `json:"untold"`
}

// Result judges what was seen so far.
func (w *Watch) Result() Result {
	r := Result{Held: w.held, Rows: w.rows, Findings: []string{}, Passed: true, Untold: w.untold()}
	say := func(format string, args ...any) { r.Findings = append(r.Findings, fmt.Sprintf(format, args...)) }
	var missing, bad []string
	for d, h := range r.Held {
		switch name := Direction(d).String(); {
		case h == nil:
			missing = append(missing, name)
		case !h.Good:
			bad = append(bad, name)
		}
	}
	r.Passed = len(missing) == 0 && len(bad) == 0
	silent := w.silent()
	switch {
	case w.attitude < 0 && len(silent) == len(w.motors):
		say("neither ATTITUDE nor SERVO_OUTPUT_RAW was heard of this craft: is it on the link, and its system and component as in the pad file? (downhaul listen)")
		return r
	case w.attitude < 0:
		say("the craft does not send ATTITUDE")
	case len(silent) == len(w.motors):
		say("no output of a motor is told: the craft does not send SERVO_OUTPUT_RAW, or tells 0 in it as long as it is disarmed")
	case len(silent) > 0:
		say("the craft does not tell of output %s: it is unused there, or 9 to 16 are asked of a version 1 link, which has 1 to 8 (version 2 has them, or port 1)", strings.Join(silent, ", "))
	case w.breaks > 0 && len(missing) > 0:
		say("attitude or outputs stood still for more than %.0f s, %s, %.1f s at most: no rest or lean counts across that; ask the craft for ATTITUDE and SERVO_OUTPUT_RAW twice a second or more",
			gap.Seconds(), times(w.breaks), w.longest.Seconds())
	case !w.hasRest:
		say("no rest of %.0f s was seen within %.0f deg of level, so there is nothing to hold a lean against", RestFor.Seconds(), crooked*180/math.Pi)
	}
	if w.hasRest && len(silent) == 0 && len(missing) > 0 {
		say("not held for %.1f s between %.0f and %.0f deg: %s", HoldFor.Seconds(), Enough*180/math.Pi, TooFar*180/math.Pi, strings.Join(missing, ", "))
	}
	if w.cuts > 0 && len(missing) > 0 {
		say("something is missing in the recording, %s: no rest or lean counts across that, and the next lean wants a rest of %.0f s in front of it", times(w.cuts), RestFor.Seconds())
	}
	if len(silent) == 0 && w.still() {
		switch {
		case slices.Min(w.low) >= full:
			say("no output moved at all, and all stand at full: less throttle")
		case slices.Max(w.high) <= leastAnswer:
			say("no output moved at all, and all stand at the low end: the craft is disarmed, or in a mode that steadies nothing before there is a little throttle")
		default:
			say("no output moved at all: the craft is disarmed, or in a mode that steadies nothing")
		}
		r.Passed = false
		return r
	}
	if len(bad) > 0 {
		w.explain(say)
	}
	if dead := w.dead(); len(missing) == 0 && len(dead) > 0 {
		r.Passed = false
		say("the output of motor %s answers to no lean, while others do", strings.Join(dead, ", "))
	}
	if w.odd != none {
		r.Passed = false
		say("asked for %s, the craft told of %s: if it was leaned as asked, the controller is mounted, or told to be, turned round; if the hands were wrong, begin again, each lean as asked",
			w.oddAsked, Direction(w.odd))
	}
	return r
}

// times is a count in words.
func times(n int) string {
	if n == 1 {
		return "once"
	}
	return fmt.Sprintf("%d times", n)
}

// dead are the motors whose output never moved, or whose own rise was far less
// than that of the others in every lean in which they stand well out on the low
// side. Where one motor alone stands there, nothing else of the same lean shows
// it.
func (w *Watch) dead() (out []string) {
	own, rose, full := w.gains()
	sorted := slices.Clone(own)
	slices.Sort(sorted)
	usual := sorted[len(sorted)/2]
	for i, g := range own {
		if w.high[i]-w.low[i] < leastAnswer || !full[i] && (rose[i] < leastAnswer || g < fair*usual) {
			out = append(out, fmt.Sprint(w.motors[i].Number))
		}
	}
	return out
}

// gains is how much each motor rose at its best for its arm and the lean, how
// much as it was told, and whether it stood at full then and could have shown no
// more.
func (w *Watch) gains() (own, rose []float64, atFull []bool) {
	own, rose, atFull = make([]float64, len(w.motors)), make([]float64, len(w.motors)), make([]bool, len(w.motors))
	for i := range w.motors {
		own[i] = math.Inf(-1)
		for _, h := range w.held {
			if h == nil {
				continue
			}
			a := &h.Answers[i]
			if a.Arm < max(apart, min(wellOut, 0.8*w.best[i])) {
				continue
			}
			own[i], atFull[i] = max(own[i], a.Change/(a.Arm*h.Lean)), atFull[i] || a.output >= full
			rose[i] = max(rose[i], a.change)
		}
		if math.IsInf(own[i], 0) {
			atFull[i] = true // it stands well out on no side: nothing to tell
		}
	}
	return own, rose, atFull
}

// untold returns what no lean can show with these places.
func (w *Watch) untold() []string {
	out := []string{}
	for i, best := range w.best {
		if best < apart {
			out = append(out, fmt.Sprintf("motor %d stands so near the middle that no lean shows it", w.motors[i].Number))
		}
	}
	for i := range w.motors {
	other:
		for j := i + 1; j < len(w.motors); j++ {
			for d := range Direction(Directions) {
				ahead, right := d.low()
				if arms := arms(w.motors, ahead, right); math.Abs(arms[i]-arms[j]) >= apart {
					continue other
				}
			}
			out = append(out, fmt.Sprintf("motors %d and %d stand so near each other that no lean tells them apart: if they are on each other's outputs, this does not show it", w.motors[i].Number, w.motors[j].Number))
		}
	}
	return out
}

// silent are the outputs that were never told.
func (w *Watch) silent() (out []string) {
	for i, told := range w.told {
		if told < 0 {
			out = append(out, fmt.Sprint(w.motors[i].Number))
		}
	}
	return out
}

// still reports whether no output moved by what would be an answer.
func (w *Watch) still() bool {
	for i := range w.motors {
		if w.high[i]-w.low[i] >= leastAnswer {
			return false
		}
	}
	return true
}

// explain names each wrong answer, and what would make all of them right.
func (w *Watch) explain(say func(string, ...any)) {
	for _, h := range w.held {
		if h == nil || h.Good {
			continue
		}
		var wrong, none []string
		for _, a := range h.Answers {
			switch a.Verdict {
			case Wrong:
				wrong = append(wrong, fmt.Sprint(a.Number))
			case None:
				none = append(none, fmt.Sprint(a.Number))
			}
		}
		switch {
		case len(wrong) > 0:
			say("%s: the wrong way: motor %s", h.Direction, strings.Join(wrong, ", "))
		case h.Steered:
			say("%s: the outputs steer the heading more than the lean: hold the heading still, and if it stays so, motors are on each other's outputs", h.Direction)
		case !h.Rose:
			say("%s: the low side did not rise: a little throttle, or less where it stands at full, in a mode that steadies", h.Direction)
		}
		if h.Wound {
			say("%s: the outputs had not come back since the first rest, as of a controller that winds up: disarm, arm again, and lean for a shorter while", h.Direction)
		}
		if len(none) > 0 {
			say("%s: no answer: motor %s", h.Direction, strings.Join(none, ", "))
		}
	}
	if text := w.looksLike(); text != "" {
		say("it looks like this: %s", text)
	}
}

// looksLike finds the one slip that would make every held direction right.
// Nothing is said where several would, or where too little was held to tell.
func (w *Watch) looksLike() string {
	if w.asks() != Directions {
		return ""
	}
	fits := func(turn func(a, r float64) (float64, float64), at []Motor) bool {
		for _, h := range w.held {
			a, r := turn(h.ahead, h.right)
			if got := w.answered(h, a, r, at); !got.right() {
				return false
			}
		}
		return true
	}
	same := func(a, r float64) (float64, float64) { return a, r }
	var found []string
	for _, t := range []struct {
		says string
		turn func(a, r float64) (float64, float64)
	}{
		{"every motor answers for the one opposite: outputs wired, or numbered on the card, half a turn round, or both senses reversed", func(a, r float64) (float64, float64) { return -a, -r }},
		{"left and right motors answer for each other, or roll's sense is reversed", func(a, r float64) (float64, float64) { return a, -r }},
		{"front and rear motors answer for each other, or pitch's sense is reversed", func(a, r float64) (float64, float64) { return -a, r }},
		{"the motors a quarter turn to the right of the low side answer: outputs wired, or numbered on the card, a quarter turn round", func(a, r float64) (float64, float64) { return -r, a }},
		{"the motors a quarter turn to the left of the low side answer: outputs wired, or numbered on the card, a quarter turn round", func(a, r float64) (float64, float64) { return r, -a }},
	} {
		if fits(t.turn, w.motors) {
			found = append(found, t.says)
		}
	}
	for i := range w.motors {
		for j := range i {
			at := slices.Clone(w.motors)
			at[i], at[j] = at[j], at[i]
			if fits(same, at) {
				low, high := min(w.motors[i].Number, w.motors[j].Number), max(w.motors[i].Number, w.motors[j].Number)
				found = append(found, fmt.Sprintf("motors %d and %d are on each other's outputs", low, high))
			}
		}
	}
	if len(found) != 1 {
		return ""
	}
	return found[0]
}
