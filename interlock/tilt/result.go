package tilt

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// Answer is what one motor did in one direction.
type Answer struct {
	Number int `json:"number"`
	// Arm is how far it stands on the low side, as a share of the farthest; it
	// is negative on the high side.
	Arm float64 `json:"arm"`
	// Change is its output against its own at rest, as a share of the range;
	// what steers the heading is taken out.
	Change  float64 `json:"change"`
	Verdict Verdict `json:"verdict"`

	change, noise float64 // as it was told, and of its mean
	output        float64
}

// Verdict is how an answer is judged.
type Verdict string

// The verdicts.
const (
	Right Verdict = "right"
	Wrong Verdict = "wrong way"
	None  Verdict = "no answer"
)

// Held is one direction that was held.
type Held struct {
	Direction string   `json:"direction"`
	ForS      float64  `json:"for_s"`
	Lean      float64  `json:"lean_rad"`
	Answers   []Answer `json:"answers"`
	// Rose says that the low side rose against its own outputs at rest, and did
	// not only fall less than the high side.
	Rose bool `json:"rose"`
	// Steered says that the outputs steered the heading too much for the lean to
	// be told apart.
	Steered bool `json:"steered"`
	Good    bool `json:"good"`

	ahead, right float64 // the low side as it was, a unit vector
}

// The bounds of an answer; ours.
const (
	// apart is how much farther on the low side one of two motors must stand to
	// be held against the other, as a share of the farthest arm.
	apart = 0.25
	// leastAnswer is the smallest change of an output that is one, of its range,
	// for a whole arm: ten microseconds of a thousand.
	leastAnswer = 0.01
	// full is an output that can hardly rise any more.
	full = 0.98
)

// judge holds a lean against the last rest.
func (w *Watch) judge(s *stretch) Held {
	n, m := float64(s.n), float64(w.rest.n)
	ahead, right := -(s.pitch/n - w.first[1]), s.roll/n-w.first[0]
	lean := math.Hypot(ahead, right)
	h := Held{Direction: Direction(s.kind).String(), ForS: (s.last - s.began).Seconds(),
		Lean: lean, ahead: ahead / lean, right: right / lean}
	for i := range w.motors {
		rest, own := w.rest.sum[i]/m, w.rest.own[i]/m
		h.Answers = append(h.Answers, Answer{Number: w.motors[i].Number, output: s.sum[i] / n, change: s.sum[i]/n - rest,
			noise: math.Sqrt(max(w.rest.square[i]/m-own*own, 0) * (1/n + 1/m))})
	}
	h.Good = w.agrees(&h, h.ahead, h.right, nil)
	low, count := 0.0, 0.0
	for _, a := range h.Answers {
		if a.Arm >= apart {
			low, count = low+a.Change, count+1
		}
	}
	h.Rose = count > 0 && low/count >= leastAnswer
	h.Good = h.Good && h.Rose
	for i := range h.Answers {
		if a := &h.Answers[i]; !h.Rose && a.Arm >= apart && a.Verdict == Right {
			a.Verdict = None
		}
	}
	return h
}

// agrees judges every answer for a low side in that direction, were the motors
// where places says (nil: where they are), and says whether all are right: of
// any two motors the one that stands farther on the low side must have risen
// more. The verdicts for the true places stay in the answers.
func (w *Watch) agrees(h *Held, ahead, right float64, places []int) bool {
	n := len(w.motors)
	arms, spins := make([]float64, n), make([]float64, n)
	most, mean := 0.0, 0.0
	for i := range w.motors {
		m := w.motors[i]
		if places != nil {
			m = w.motors[places[i]]
		}
		arms[i], spins[i] = m.Ahead*ahead+m.Right*right, m.Spin
		mean += arms[i] / float64(n)
	}
	for i := range arms {
		arms[i] -= mean
		most = max(most, math.Abs(arms[i]))
	}
	changes := make([]float64, n)
	for i, a := range h.Answers {
		arms[i], changes[i] = arms[i]/most, a.change
	}
	steered := takeHeading(changes, arms, spins)
	against := func(wrong func(least, rise float64) bool) (bad []int) {
		count := make([]int, n)
		pairs := [][2]int{}
		for i := range arms {
			for j := range arms {
				d := arms[i] - arms[j]
				if d < apart || w.bound(h, i, j) {
					continue
				}
				a, b := &h.Answers[i], &h.Answers[j]
				if wrong(max(leastAnswer*d, 3*math.Hypot(a.noise, b.noise)), changes[i]-changes[j]) {
					pairs = append(pairs, [2]int{i, j})
					count[i]++
					count[j]++
				}
			}
		}
		// The fewest motors, found greedily, that have a part in every such pair.
		for len(pairs) > 0 {
			worst := 0
			for i := range count {
				if count[i] > count[worst] {
					worst = i
				}
			}
			bad = append(bad, worst)
			pairs = slices.DeleteFunc(pairs, func(p [2]int) bool { return p[0] == worst || p[1] == worst })
			clear(count)
			for _, p := range pairs {
				count[p[0]]++
				count[p[1]]++
			}
		}
		return bad
	}
	reversed := against(func(least, rise float64) bool { return rise <= -least })
	short := against(func(least, rise float64) bool { return rise < least })
	if places == nil {
		for i := range h.Answers {
			a := &h.Answers[i]
			a.Arm, a.Change, a.Verdict = arms[i], changes[i], Right
			switch {
			case slices.Contains(reversed, i):
				a.Verdict = Wrong
			case len(reversed) == 0 && slices.Contains(short, i):
				a.Verdict = None
			}
		}
	}
	if places == nil {
		h.Steered = steered
	}
	return len(short) == 0 && !steered
}

// bound says that two outputs stand at the same end of their range, where one
// can not show more than the other.
func (w *Watch) bound(h *Held, i, j int) bool {
	a, b := h.Answers[i].output, h.Answers[j].output
	return a >= full && b >= full || max(a, b) <= slices.Min(w.low)+leastAnswer/2
}

// takeHeading takes out of the changes what goes with the spins alone, by least
// squares over a common part, the arms and the spins: hands that turn the
// heading a little make the controller steer that as well.
// Where that is more than half of what goes with the arms it is no little: of
// four motors two on each other's outputs look like that.
func takeHeading(changes, arms, spins []float64) (tooMuch bool) {
	n := float64(len(changes))
	var s, ss, sa, aa, cs, ca, c float64
	for i := range changes {
		s, ss, sa, aa = s+spins[i], ss+spins[i]*spins[i], sa+spins[i]*arms[i], aa+arms[i]*arms[i]
		c, cs, ca = c+changes[i], cs+changes[i]*spins[i], ca+changes[i]*arms[i]
	}
	// The arms sum to nothing; what is common is taken out of spins and changes.
	ss, cs = ss-s*s/n, cs-c*s/n
	det := ss*aa - sa*sa
	if !(det > 1e-9) {
		return false
	}
	k, lean := (cs*aa-ca*sa)/det, (ca*ss-cs*sa)/det
	for i := range changes {
		changes[i] -= k * (spins[i] - s/n)
	}
	return math.Abs(k) > max(math.Abs(lean)/2, leastAnswer)
}

// Result is what a whole watch found.
type Result struct {
	// Held are the four directions, nil where one was not held.
	Held [Directions]*Held `json:"held"`
	Rows int               `json:"rows"`
	// Findings say what is wrong or missing, and what it looks like.
	Findings []string `json:"findings"`
	Passed   bool     `json:"passed"`
}

// Result judges what was seen so far.
func (w *Watch) Result() Result {
	r := Result{Held: w.held, Rows: w.rows, Findings: []string{}, Passed: true}
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
	case len(silent) > 0:
		say("the craft does not tell of output %s: SERVO_OUTPUT_RAW has 9 to 16 in version 2 of MAVLink only, or on port 1", strings.Join(silent, ", "))
	case w.attitude < 0:
		say("the craft does not send ATTITUDE")
	case !w.hasRest:
		say("no rest of %.0f s was seen within %.0f deg of level, so there is nothing to hold a lean against", RestFor.Seconds(), crooked*180/math.Pi)
	case len(missing) > 0:
		say("not held for %.1f s between %.0f and %.0f deg: %s", HoldFor.Seconds(), Enough*180/math.Pi, TooFar*180/math.Pi, strings.Join(missing, ", "))
	}
	if len(silent) == 0 && w.still() {
		say("no output moved at all: the craft is disarmed, or in a mode that steadies nothing")
		return r
	}
	if len(bad) > 0 {
		w.explain(say)
	}
	if w.odd != none && len(missing) > 0 {
		say("asked for %s, the craft told of %s: if it was leaned as asked, the controller is mounted, or told to be, turned round", w.oddAsked, Direction(w.odd))
	}
	return r
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

// still says that no output moved by what would be an answer.
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
			say("%s: the low side did not rise", h.Direction)
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
	if !w.Done() {
		return ""
	}
	fits := func(turn func(a, r float64) (float64, float64), places []int) bool {
		for _, h := range w.held {
			a, r := turn(h.ahead, h.right)
			if !w.agrees(h, a, r, orOwn(places, len(w.motors))) {
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
		if fits(t.turn, nil) {
			found = append(found, t.says)
		}
	}
	for i := range w.motors {
		for j := range i {
			places := orOwn(nil, len(w.motors))
			places[i], places[j] = j, i
			if fits(same, places) {
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

// orOwn is the places, or each motor's own.
func orOwn(places []int, n int) []int {
	if places != nil {
		return slices.Clone(places)
	}
	own := make([]int, n)
	for i := range own {
		own[i] = i
	}
	return own
}
