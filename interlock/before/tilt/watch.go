package tilt

import (
	"errors"
	"fmt"
	"math"
	"time"

	"downhaul/rules/card"
)

// Motor is one motor: the number of its output, from 1, and where it stands, in
// m from the middle of the craft. Spin is 1 for clockwise seen from above, -1 for
// the other way, 0 where it is not known.
type Motor struct {
	Number       int
	Ahead, Right float64
	Spin         float64
}

// Motors are those of a card; none where it tells no places.
func Motors(c *card.Card) (out []Motor) {
	for _, p := range c.Motors.Places {
		m := Motor{Number: p.Number, Ahead: p.Ahead, Right: p.Right, Spin: 1}
		if p.Spin == card.CounterClockwise {
			m.Spin = -1
		}
		out = append(out, m)
	}
	return out
}

// The bounds of what counts; ours, chosen for two people who turn a craft of
// some tens of kilograms by hand and for telemetry of a few frames a second.
const (
	// Enough is how far the craft must lean from its rest, and TooFar from where
	// on a controller may take it for a crash and end.
	Enough = 10 * math.Pi / 180
	TooFar = 60 * math.Pi / 180
	// within is how far to the side of a direction a lean still belongs to it.
	within = 30 * math.Pi / 180
	// level is how near to its rest the craft must be to be at rest again.
	level = 4 * math.Pi / 180
	// crooked is how far from level it may stand at rest.
	crooked = 15 * math.Pi / 180
	// RestFor and HoldFor are how long rest and lean must last; settle is cut
	// from the begin of either, because hands shake.
	RestFor = 2 * time.Second
	HoldFor = time.Second
	// oddFor is how long another lean than the one asked for must last to count:
	// as long as people hold who think that they do as asked.
	oddFor = 1500 * time.Millisecond
	settle = 300 * time.Millisecond
	// fewest is how many outputs rest and lean must hold.
	fewest = 4
	// gap is how long outputs and attitude may be apart.
	gap = time.Second
)

// Direction is one of the four ways in which the craft is leaned.
type Direction uint8

// The directions, by the side that is low.
const (
	NoseDown Direction = iota
	TailDown
	LeftDown
	RightDown
	Directions = 4
)

var directionName = [Directions]string{"nose down", "tail down", "left side down", "right side down"}

// String is the direction in plain words.
func (d Direction) String() string {
	if d < Directions {
		return directionName[d]
	}
	return "unknown direction"
}

// low is the direction's low side as a unit vector, ahead and right.
func (d Direction) low() (ahead, right float64) {
	switch d {
	case NoseDown:
		return 1, 0
	case TailDown:
		return -1, 0
	case LeftDown:
		return 0, -1
	}
	return 0, 1
}

// Watch follows one craft. Not for several goroutines.
type Watch struct {
	// Asked makes a direction count only while Next asks for it, so that a craft
	// that tells of another side than the one that was lowered is found. Only
	// people at the craft can be asked: a recording tells of no hands.
	Asked bool

	motors []Motor
	place  [card.HeardOutputs + 1]int // index of the motor by output, -1 for none

	roll, pitch float64
	attitude    time.Duration // when, -1 before the first
	output      []float64
	told        []time.Duration // when each was told, -1 before the first
	fresh       bool            // an output came after the last row

	rest     stretch // as it was last
	hasRest  bool
	first    [2]float64 // roll and pitch of the first rest
	firstOut []float64  // outputs of the first rest
	now      stretch
	held     [Directions]*Held
	rows     int
	low      []float64 // least and most of each output, to tell whether any moved
	high     []float64
	best     []float64     // the largest arm of each motor in the four directions
	rowAt    time.Duration // of the last row
	breaks   int           // how often rows were farther apart than gap
	longest  time.Duration // the farthest
	cut      []bool        // outputs that were not told since the last Break
	cuts     int           // how many of those there were
	again    bool          // since the last one no rest was seen
	odd      int           // a direction that was held when another was asked for
	oddAsked Direction
}

// stretch is rows of one kind without a gap.
type stretch struct {
	kind        int // a Direction, atRest or between
	began, last time.Duration
	n           int
	roll, pitch float64   // sums
	sum         []float64 // of each output
	own, square []float64 // of each output without the mean of all: sum and sum of squares
	// The newest row waits here until another of its kind follows: a craft that
	// begins to move is near its rest for a while yet.
	waits               bool
	waitRoll, waitPitch float64
	waitOutput          []float64
}

// add takes the row that waited.
func (s *stretch) add() {
	if !s.waits {
		return
	}
	s.n++
	s.roll, s.pitch = s.roll+s.waitRoll, s.pitch+s.waitPitch
	mean := 0.0
	for _, v := range s.waitOutput {
		mean += v / float64(len(s.waitOutput))
	}
	for i, v := range s.waitOutput {
		own := v - mean
		s.sum[i], s.own[i], s.square[i] = s.sum[i]+v, s.own[i]+own, s.square[i]+own*own
	}
}

const (
	atRest  = -1
	between = -2
	none    = -3
)

// New begins a watch. The craft needs three motors or more that do not stand in
// one line: otherwise no lean can be told from another.
func New(motors []Motor) (*Watch, error) {
	if len(motors) < 3 {
		return nil, fmt.Errorf("the tilt response needs the places of three motors or more (got %d)", len(motors))
	}
	w := &Watch{motors: motors, attitude: -1, now: stretch{kind: none}, odd: none}
	for i := range w.place {
		w.place[i] = -1
	}
	var aa, ar, rr, a, r float64
	for i, m := range motors {
		if m.Number < 1 || m.Number > card.HeardOutputs {
			return nil, fmt.Errorf("motor %d: SERVO_OUTPUT_RAW tells of outputs 1 to %d", m.Number, card.HeardOutputs)
		}
		if w.place[m.Number] >= 0 {
			return nil, fmt.Errorf("motor %d stands twice", m.Number)
		}
		w.place[m.Number] = i
		aa, ar, rr, a, r = aa+m.Ahead*m.Ahead, ar+m.Ahead*m.Right, rr+m.Right*m.Right, a+m.Ahead, r+m.Right
	}
	n := float64(len(motors))
	if det := (aa-a*a/n)*(rr-r*r/n) - (ar-a*r/n)*(ar-a*r/n); !(det > 1e-9) {
		return nil, errors.New("the motors stand in one line: no lean can be told from another")
	}
	w.best = w.bestArms()
	for range motors {
		w.output, w.told, w.cut = append(w.output, 0), append(w.told, -1), append(w.cut, false)
		w.low, w.high = append(w.low, math.Inf(1)), append(w.high, math.Inf(-1))
	}
	return w, nil
}

// Output takes one output, as a share of its range.
func (w *Watch) Output(at time.Duration, number int, share float64) {
	if number < 1 || number > card.HeardOutputs || w.place[number] < 0 || math.IsNaN(share) {
		return
	}
	i := w.place[number]
	w.output[i], w.told[i], w.cut[i], w.fresh = share, at, false, true
	w.low[i], w.high[i] = min(w.low[i], share), max(w.high[i], share)
}

// Attitude takes roll and pitch, rad: right side down and nose up are positive.
// Times never run back.
func (w *Watch) Attitude(at time.Duration, roll, pitch float64) {
	w.roll, w.pitch, w.attitude = roll, pitch, at
	if !w.fresh {
		return
	}
	for i, told := range w.told {
		if told < 0 || at-told > gap || w.cut[i] {
			return
		}
	}
	w.fresh = false
	if between := at - w.rowAt; w.rows > 0 && between > gap {
		w.breaks, w.longest = w.breaks+1, max(w.longest, between)
		if !w.Asked {
			w.unhold()
		}
	}
	w.rows, w.rowAt = w.rows+1, at
	w.row(at)
}

// Break reports whether something of unknown length is missing here, whatever the times
// say. No rest and no lean counts across it: a lean that was under way counts as
// not held, for its end was not seen, and the next one wants a rest in front of it.
func (w *Watch) Break() {
	w.unhold()
	w.now = stretch{kind: none}
	w.fresh, w.again = false, true
	w.cuts++
	for i := range w.cut {
		w.cut[i] = true
	}
}

// unhold makes a lean that is under way one that was not held. People at the craft
// see that it stands still, and hold on; a recording has no more than this.
func (w *Watch) unhold() {
	if k := w.now.kind; k >= 0 {
		w.held[k] = nil
	}
}

// row takes attitude and outputs of one moment.
func (w *Watch) row(at time.Duration) {
	kind := w.kindOf(w.roll, w.pitch)
	if s := &w.now; kind != s.kind || at-s.last > gap {
		w.begin(kind, at)
	}
	s := &w.now
	s.last = at
	s.add()
	if at-s.began >= settle {
		s.waits, s.waitRoll, s.waitPitch = true, w.roll, w.pitch
		copy(s.waitOutput, w.output)
	}
	switch {
	case s.n < fewest || s.kind == between || s.kind >= 0 && w.again:
	case s.kind == atRest:
		if s.last-s.began >= RestFor {
			if !w.hasRest {
				w.first = [2]float64{s.roll / float64(s.n), s.pitch / float64(s.n)}
				for _, v := range s.sum {
					w.firstOut = append(w.firstOut, v/float64(s.n))
				}
			}
			w.hasRest, w.again = true, false
			w.rest = *s
			w.begin(atRest, at) // the latest whole rest counts: controllers wind up
		}
	case s.last-s.began >= HoldFor:
		if asked := w.asks(); w.Asked && w.held[s.kind] == nil && int(asked) != s.kind {
			if w.odd == none && s.last-s.began >= oddFor {
				w.odd, w.oddAsked = s.kind, asked
			}
			return
		}
		h := w.judge(s)
		w.held[s.kind] = &h
	}
}

// begin begins a stretch.
func (w *Watch) begin(kind int, at time.Duration) {
	n := len(w.motors)
	w.now = stretch{kind: kind, began: at, last: at, sum: make([]float64, n), own: make([]float64, n), square: make([]float64, n), waitOutput: make([]float64, n)}
}

// kindOf returns what a moment belongs to.
func (w *Watch) kindOf(roll, pitch float64) int {
	if !w.hasRest {
		if math.Hypot(roll, pitch) > crooked {
			return between
		}
		// Still is within level of where the stretch began.
		if s := &w.now; s.kind == atRest && s.n > 0 && math.Hypot(roll-s.roll/float64(s.n), pitch-s.pitch/float64(s.n)) > level {
			return between
		}
		return atRest
	}
	ahead, right := -(pitch - w.first[1]), roll-w.first[0]
	lean := math.Hypot(ahead, right)
	switch {
	case lean <= level:
		return atRest
	case lean < Enough || lean > TooFar:
		return between
	}
	for d := range Direction(Directions) {
		a, r := d.low()
		if (a*ahead+r*right)/lean >= math.Cos(within) {
			return int(d)
		}
	}
	return between
}

// Lean is how far the craft leans from its first rest, rad; 0 before one was
// seen.
func (w *Watch) Lean() float64 {
	if !w.hasRest {
		return 0
	}
	return math.Hypot(w.roll-w.first[0], w.pitch-w.first[1])
}

// Next returns what to do now, in one short line; empty when all is seen.
func (w *Watch) Next() string {
	if w.attitude < 0 {
		return "waiting for ATTITUDE"
	}
	for i, told := range w.told {
		if told < 0 {
			return fmt.Sprintf("waiting for output %d in SERVO_OUTPUT_RAW", w.motors[i].Number)
		}
	}
	if !w.hasRest {
		return fmt.Sprintf("stand it level, hands off, for %.0f s", RestFor.Seconds())
	}
	switch d := w.asks(); {
	case w.Done():
		return ""
	case w.now.kind == int(d):
		return d.String() + ": hold it there"
	case w.Asked && w.now.kind >= 0 && w.held[w.now.kind] == nil:
		// Which side it tells of is not said: nobody is to try until it fits.
		return fmt.Sprintf("%s: the craft does not tell of it; hold it as asked", d)
	default:
		return fmt.Sprintf("%s, about 20 deg, and hold it for %.0f s; then back to level", d, math.Ceil((HoldFor + settle).Seconds()))
	}
}

// Done reports whether nothing more is asked: every direction was held, or the craft
// told of another than the one that was asked for.
func (w *Watch) Done() bool { return w.odd != none || w.asks() == Directions }

// Held reports whether a direction was held, and whether it was good as yet.
func (w *Watch) Held(d Direction) (held, good bool) {
	h := w.held[d]
	return h != nil, h != nil && h.Good
}

// asks is the first direction that was not held yet, Directions when all were.
func (w *Watch) asks() Direction {
	for d := range Direction(Directions) {
		if w.held[d] == nil {
			return d
		}
	}
	return Directions
}
