package tilt

import (
	"math"
	"slices"
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
	// Rose reports whether the low side rose against its own outputs at rest, and did
	// not only fall less than the high side.
	Rose bool `json:"rose"`
	// Steered reports whether the outputs steered the heading too much for the lean to
	// be told apart.
	Steered bool `json:"steered"`
	// Wound reports whether the outputs at the rest before had not come back to those
	// of the first rest: a controller that adds up what it could not level.
	Wound bool `json:"wound"`
	Good  bool `json:"good"`

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
	// wellOut is an arm, as a share of the farthest, from which on a motor must
	// rise by itself in one lean at least.
	wellOut = 0.5
	// fair is the least rise of one motor, at its best, as a share of the usual
	// one: where the heading is taken out of four motors of which one is dead, a
	// third is left to it.
	fair = 0.4
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
	got := w.answered(&h, h.ahead, h.right, w.motors)
	h.Steered = got.steered
	for i := range h.Answers {
		a := &h.Answers[i]
		a.Arm, a.Change, a.Verdict = got.arms[i], got.changes[i], Right
		switch {
		case slices.Contains(got.reversed, i):
			a.Verdict = Wrong
		case len(got.reversed) == 0 && slices.Contains(got.short, i):
			a.Verdict = None
		}
	}
	h.Wound = w.wound(&h)
	low, count := 0.0, 0.0
	for _, a := range h.Answers {
		if a.Arm >= apart {
			low, count = low+a.Change, count+1
		}
	}
	h.Rose = count > 0 && low/count >= leastAnswer
	h.Good = got.right() && h.Rose
	for i := range h.Answers {
		if a := &h.Answers[i]; !h.Rose && a.Arm >= apart && a.Verdict == Right {
			a.Verdict = None
		}
	}
	return h
}

// wound compares the last rest with the first.
func (w *Watch) wound(h *Held) bool {
	common, off, most := 0.0, 0.0, 0.0
	n, m := float64(len(w.motors)), float64(w.rest.n)
	for i := range w.motors {
		common += (w.rest.sum[i]/m - w.firstOut[i]) / n
	}
	for i, a := range h.Answers {
		off = max(off, math.Abs(w.rest.sum[i]/m-w.firstOut[i]-common))
		most = max(most, math.Abs(a.change))
	}
	return off >= 3*leastAnswer && off >= most/2
}

// answered is how the motors answered a lean, each of them at its place.
type answered struct {
	arms, changes   []float64
	reversed, short []int // see wrong
	steered         bool  // the heading, too much for the lean to be told apart
}

// right reports whether every motor answered as it must.
func (a *answered) right() bool { return len(a.short) == 0 && !a.steered }

// answered judges every answer for a low side in that direction, were the motors
// at those places: of any two the one that stands farther on the low side must
// have risen more.
//
// The changes count as they were told. Only where they do not agree, what
// steers the heading is taken out of them: outputs at the low end of their range
// answer on one side only, and that looks a little like steering.
func (w *Watch) answered(h *Held, ahead, right float64, at []Motor) (got answered) {
	got.arms = arms(at, ahead, right)
	for _, a := range h.Answers {
		got.changes = append(got.changes, a.change)
	}
	got.reversed, got.short = w.wrong(h, got.arms, got.changes)
	if len(got.short) > 0 {
		got.steered = takeHeading(got.changes, got.arms, at)
		got.reversed, got.short = w.wrong(h, got.arms, got.changes)
	}
	return got
}

// arms are those of motors for a low side in that direction, from the middle of
// all of them, as shares of the farthest.
func arms(motors []Motor, ahead, right float64) []float64 {
	out := make([]float64, len(motors))
	most, mean := 0.0, 0.0
	for i, m := range motors {
		out[i] = m.Ahead*ahead + m.Right*right
		mean += out[i] / float64(len(motors))
	}
	for i := range out {
		out[i] -= mean
		most = max(most, math.Abs(out[i]))
	}
	for i := range out {
		out[i] /= most
	}
	return out
}

// bestArms is the largest arm of each motor in the four directions, as a share.
func (w *Watch) bestArms() []float64 {
	best := make([]float64, len(w.motors))
	for d := range Direction(Directions) {
		ahead, right := d.low()
		for i, a := range arms(w.motors, ahead, right) {
			best[i] = max(best[i], a)
		}
	}
	return best
}

// wrong are the motors that answered the wrong way, and those that did not
// answer as they must, the former among them.
func (w *Watch) wrong(h *Held, arms, changes []float64) (reversed, short []int) {
	var back, less [][2]int
	for i := range arms {
		for j := range arms {
			d := arms[i] - arms[j]
			shown := w.shown(h, arms, i, j)
			if d < apart || shown < apart {
				continue
			}
			least := max(leastAnswer*shown, 3*math.Hypot(h.Answers[i].noise, h.Answers[j].noise))
			rise := changes[i] - changes[j]
			if rise < least {
				less = append(less, [2]int{i, j})
			}
			if rise <= -least {
				back = append(back, [2]int{i, j})
			}
		}
	}
	return fewestIn(back, len(arms)), fewestIn(less, len(arms))
}

// fewestIn are the fewest motors, found greedily, that have a part in every
// pair.
func fewestIn(pairs [][2]int, n int) (found []int) {
	count := make([]int, n)
	for len(pairs) > 0 {
		clear(count)
		for _, p := range pairs {
			count[p[0]]++
			count[p[1]]++
		}
		worst := 0
		for i := range count {
			if count[i] > count[worst] {
				worst = i
			}
		}
		found = append(found, worst)
		pairs = slices.DeleteFunc(pairs, func(p [2]int) bool { return p[0] == worst || p[1] == worst })
	}
	return found
}

// shown is the part of the way between two arms that their outputs can show: one
// at the low end of its range falls no further, and one at full does not rise.
func (w *Watch) shown(h *Held, arms []float64, i, j int) float64 {
	low, high := arms[j], arms[i]
	if h.Answers[j].output <= slices.Min(w.low)+leastAnswer/2 {
		low = max(low, 0)
	}
	if h.Answers[i].output >= full {
		high = min(high, 0)
	}
	return high - low
}

// takeHeading takes out of the changes what goes with the spins alone, by least
// squares over a common part, the arms and the spins: hands that turn the
// heading a little make the controller steer that as well.
// Where that is more than half of what goes with the arms it is no little: of
// four motors two on each other's outputs look like that. (With all of it allowed,
// wrong wirings of six motors pass.)
func takeHeading(changes, arms []float64, motors []Motor) (tooMuch bool) {
	n := float64(len(changes))
	var s, ss, sa, aa, cs, ca, c float64
	for i := range changes {
		spin := motors[i].Spin
		s, ss, sa, aa = s+spin, ss+spin*spin, sa+spin*arms[i], aa+arms[i]*arms[i]
		c, cs, ca = c+changes[i], cs+changes[i]*spin, ca+changes[i]*arms[i]
	}
	// The arms sum to nothing; what is common is taken out of spins and changes.
	ss, cs = ss-s*s/n, cs-c*s/n
	det := ss*aa - sa*sa
	if !(det > 1e-9) {
		return false
	}
	k, lean := (cs*aa-ca*sa)/det, (ca*ss-cs*sa)/det
	for i := range changes {
		changes[i] -= k * (motors[i].Spin - s/n)
	}
	return math.Abs(k) > max(math.Abs(lean)/2, leastAnswer)
}
