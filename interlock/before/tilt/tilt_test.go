package tilt

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

const (
	ms  = time.Millisecond
	deg = math.Pi / 180
)

// ring is n motors evenly around the mast, numbered clockwise from the right of
// the nose.
func ring(n int) (out []Motor) {
	for i := range n {
		s, c := math.Sincos(2 * math.Pi * (float64(i) + 0.5) / float64(n))
		out = append(out, Motor{Number: i + 1, Ahead: c, Right: s, Spin: float64(1 - 2*(i%2))})
	}
	return out
}

// hand is a craft in hands: what it tells, and how its outputs answer.
type hand struct {
	t      *testing.T
	w      *Watch
	now    time.Duration
	dice   *rand.Rand
	noise  float64
	motors []Motor // as they truly are wired: output i+1 drives motors[i]
	gain   float64 // share of the range for each rad and each unit of arm
	base   float64
	// tells turns the true lean into what the craft tells of.
	tells func(ahead, right float64) (float64, float64)
	mute  int           // an output that is not told
	steer float64       // share of the range that steers the heading
	stuck int           // an output that stands at full
	every time.Duration // how far apart outputs come; 0 is with each attitude
	due   time.Duration
	ease  float64 // how much less throttle there is in a lean
}

func craft(t *testing.T, motors []Motor) *hand {
	t.Helper()
	w, err := New(motors)
	if err != nil {
		t.Fatal(err)
	}
	return &hand{t: t, w: w, dice: rand.New(rand.NewPCG(1, 2)), noise: 0.002, motors: motors, gain: 0.4, base: 0.3,
		tells: func(a, r float64) (float64, float64) { return a, r }}
}

const everyOutput = -1

// lean holds the craft for a while with that low side, rad.
func (h *hand) lean(ahead, right float64, d time.Duration) {
	a, r := h.tells(ahead, right)
	for end := h.now + d; h.now < end; h.now += 100 * ms {
		due := h.now >= h.due
		if due {
			h.due = h.now + h.every
		}
		for i, m := range h.motors {
			if i+1 == h.mute || h.mute == everyOutput || !due {
				continue
			}
			v := h.base + h.gain*(m.Ahead*a+m.Right*r) + h.steer*m.Spin*math.Sin(h.now.Seconds()/3) + h.noise*h.dice.NormFloat64()
			v -= h.ease * math.Abs(a+r)
			if i+1 == h.stuck {
				v = 1
			}
			h.w.Output(h.now, i+1, min(max(v, 0), 1))
		}
		h.w.Attitude(h.now+20*ms, r+0.02, -a-0.01) // stands a little crooked
	}
}

// all leans it all four ways, with rests between.
func (h *hand) all() Result {
	h.lean(0, 0, 3*time.Second)
	for _, d := range []Direction{NoseDown, TailDown, LeftDown, RightDown} {
		a, r := d.low()
		h.lean(10*deg*a/2, 10*deg*r/2, 200*ms)
		h.lean(20*deg*a, 20*deg*r, 2*time.Second)
		h.lean(0, 0, 3*time.Second)
	}
	return h.w.Result()
}

// holds wants a result that did not pass and says these words.
func holds(t *testing.T, r Result, words ...string) {
	t.Helper()
	if r.Passed {
		t.Error("passed")
	}
	text := strings.Join(r.Findings, "\n")
	for _, w := range words {
		if !strings.Contains(text, w) {
			t.Errorf("does not say %q:\n%s", w, text)
		}
	}
}

func TestEveryRingThatAnswersPasses(t *testing.T) {
	for _, n := range []int{4, 6, 8, 12} {
		if r := craft(t, ring(n)).all(); !r.Passed || len(r.Findings) != 0 {
			t.Errorf("%d motors: %v", n, r.Findings)
		}
	}
	// Two motors on each arm stand at one place.
	double := append(ring(4), ring(4)...)
	for i := range double {
		double[i].Number = i + 1
	}
	if r := craft(t, double).all(); !r.Passed {
		t.Errorf("two on each arm: %v", r.Findings)
	}
}

// Outputs at idle cannot fall: only the low side moves.
func TestIdleOutputsThatCannotFallPass(t *testing.T) {
	h := craft(t, ring(8))
	h.base = 0
	if r := h.all(); !r.Passed {
		t.Error(r.Findings)
	}
}

func TestSlipsAreFoundAndNamed(t *testing.T) {
	for _, c := range []struct {
		name string
		slip func(h *hand)
		says []string
	}{
		{"two motors exchanged", func(h *hand) { h.motors[1], h.motors[6] = h.motors[6], h.motors[1] },
			[]string{"the wrong way: motor", "motors 2 and 7 are on each other's outputs"}},
		{"roll reversed", func(h *hand) { h.mirror(1, -1) }, []string{"left side down: the wrong way: motor 1, 2", "left and right motors answer for each other"}},
		{"pitch reversed", func(h *hand) { h.mirror(-1, 1) }, []string{"nose down: the wrong way", "front and rear motors answer for each other"}},
		{"both reversed", func(h *hand) { h.mirror(-1, -1) }, []string{"half a turn round"}},
		{"a quarter turn", func(h *hand) {
			for i, m := range h.motors {
				h.motors[i].Ahead, h.motors[i].Right = m.Right, -m.Ahead
			}
		}, []string{"a quarter turn to the"}},
		{"disarmed", func(h *hand) { h.gain, h.noise = 0, 0 }, []string{"no output moved at all"}},
		{"one dead output", func(h *hand) { h.motors[2].Ahead, h.motors[2].Right = 0, 0 }, []string{"left side down: the wrong way: motor 3"}},
		{"one at rest at full", func(h *hand) { h.stuck = 4 }, []string{"the output of motor 4 answers to no lean"}},
		{"disarmed at the low end", func(h *hand) { h.gain, h.noise, h.base = 0, 0, 0 }, []string{"no output moved at all, and all stand at the low end"}},
		{"all at full", func(h *hand) { h.gain, h.noise, h.base = 0, 0, 1 }, []string{"no output moved at all, and all stand at full: less throttle"}},
		{"no output told", func(h *hand) { h.mute = everyOutput }, []string{"does not send SERVO_OUTPUT_RAW"}},
		{"told too seldom", func(h *hand) { h.every = 1200 * ms }, []string{"stood still for more than 1 s", "1.2 s at most", "twice a second"}},
		{"less throttle in each lean", func(h *hand) { h.ease = 0.8 }, []string{"the low side did not rise: a little throttle"}},
		{"an output that is not told", func(h *hand) { h.mute = 5 }, []string{"does not tell of output 5"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			h := craft(t, ring(8))
			h.motors = append([]Motor(nil), h.motors...)
			c.slip(h)
			holds(t, h.all(), c.says...)
		})
	}
}

func (h *hand) mirror(ahead, right float64) {
	for i := range h.motors {
		h.motors[i].Ahead *= ahead
		h.motors[i].Right *= right
	}
}

// A heading that drifts in the hands is steered as well, and hides nothing.
func TestHeadingIsTakenOut(t *testing.T) {
	for _, n := range []int{4, 6, 8} {
		h := craft(t, ring(n))
		h.steer = 0.04
		if r := h.all(); !r.Passed {
			t.Errorf("%d motors: %v", n, r.Findings)
		}
	}
}

// With every wiring of four and six motors but the right one, and with every
// exchange of two and many others of eight, some motor answers wrong.
func TestNoOtherWiringPasses(t *testing.T) {
	tried := 0
	try := func(order []int) {
		tried++
		n := len(order)
		h := craft(t, ring(n))
		own := true
		h.motors = nil
		for i, from := range order {
			own = own && i == from
			h.motors = append(h.motors, ring(n)[from])
		}
		h.steer = 0.03
		if got := h.all().Passed; got != own {
			t.Fatalf("%v of %d motors: passed %v", order, n, got)
		}
	}
	for _, n := range []int{4, 6} {
		permute(seq(n), 0, try)
	}
	for i := range 8 {
		for j := range i {
			order := seq(8)
			order[i], order[j] = order[j], order[i]
			try(order)
		}
	}
	rapid.Check(t, func(r *rapid.T) { try(rapid.Permutation(seq(8)).Draw(r, "order")) })
	t.Logf("%d wirings", tried)
}

func permute(order []int, from int, do func([]int)) {
	if from == len(order) {
		do(order)
		return
	}
	for i := from; i < len(order); i++ {
		order[from], order[i] = order[i], order[from]
		permute(order, from+1, do)
		order[from], order[i] = order[i], order[from]
	}
}

func seq(n int) (out []int) {
	for i := range n {
		out = append(out, i)
	}
	return out
}

// What was not seen is never good.
func TestWhatWasNotHeldDoesNotPass(t *testing.T) {
	holds(t, craft(t, ring(4)).w.Result(), "neither ATTITUDE nor SERVO_OUTPUT_RAW was heard")

	h := craft(t, ring(8))
	h.lean(20*deg, 0, 3*time.Second) // from the begin on: there is no rest
	holds(t, h.w.Result(), "no rest of 2 s was seen")

	h = craft(t, ring(8))
	h.lean(0, 0, 3*time.Second)
	h.lean(20*deg, 0, 2*time.Second)
	h.lean(0, -20*deg, 600*ms)             // too short
	h.lean(0, 8*deg, 3*time.Second)        // too little
	h.lean(-14*deg, 14*deg, 3*time.Second) // neither tail nor right
	h.lean(0, 70*deg, 3*time.Second)       // a craft on its side
	holds(t, h.w.Result(), "not held", "tail down, left side down, right side down")

	// A lean through which the outputs were silent.
	h = craft(t, ring(4))
	h.lean(0, 0, 3*time.Second)
	for range 30 {
		h.now += 100 * ms
		h.w.Attitude(h.now, 0.02, -20*deg-0.01)
	}
	if r := h.w.Result(); r.Held[NoseDown] != nil {
		t.Error("held without outputs")
	}
}

// The high side that only falls, as of outputs near full, is no rise.
func TestOutputsThatOnlyFallDoNotPass(t *testing.T) {
	h := craft(t, ring(8))
	h.base = 1
	holds(t, h.all(), "the low side did not rise")
}

// Hands that do as asked, and a craft whose controller is mounted turned: it
// tells of another side than the one that is lowered. Only asking finds that.
func TestTurnedControllerIsFoundByAsking(t *testing.T) {
	h := craft(t, ring(8))
	h.tells = func(a, r float64) (float64, float64) { return r, -a }
	if r := h.all(); !r.Passed {
		t.Fatalf("nobody asked, and it was found: %v", r.Findings)
	}
	h = craft(t, ring(8))
	h.w.Asked = true
	h.tells = func(a, r float64) (float64, float64) { return r, -a }
	holds(t, h.all(), "asked for nose down, the craft told of ", "mounted")

	h = craft(t, ring(8))
	h.w.Asked = true
	if r := h.all(); !r.Passed {
		t.Errorf("asked, and done as asked: %v", r.Findings)
	}
}

// Who follows what the craft tells, and leans until it fits, has not shown that
// the controller is mounted right; a short slip of the hands is no slip of the
// controller.
func TestTurnedControllerIsNotFollowed(t *testing.T) {
	h := craft(t, ring(8))
	h.w.Asked = true
	h.lean(0, 0, 3*time.Second)
	h.lean(-20*deg, 0, 1200*ms) // the wrong way, and noticed
	h.lean(0, 0, 3*time.Second)
	if r := h.all(); !r.Passed {
		t.Errorf("a slip of the hands: %v", r.Findings)
	}

	h = craft(t, ring(8))
	h.w.Asked = true
	h.tells = func(a, r float64) (float64, float64) { return -a, -r }
	h.lean(0, 0, 3*time.Second)
	h.lean(20*deg, 0, 2*time.Second) // as asked
	if got := h.w.Next(); got != "" || !h.w.Done() {
		t.Errorf("it goes on: %q", got)
	}
	if r := h.w.Result(); r.Passed || r.Held[NoseDown] != nil {
		t.Errorf("of one lean the other way: %+v", r)
	}
	h.lean(0, 0, 3*time.Second)
	h.tells = func(a, r float64) (float64, float64) { return a, r } // the hands follow
	holds(t, h.all(), "asked for nose down, the craft told of tail down")
}

// A motor that answers wrong, and then another lean than the one asked for: no
// slip is guessed at from leans that were not held.
func TestNoGuessWithoutAllLeans(t *testing.T) {
	h := craft(t, ring(4))
	h.w.Asked = true
	h.motors = []Motor{h.motors[1], h.motors[0], h.motors[2], h.motors[3]}
	h.lean(0, 0, 3*time.Second)
	h.lean(20*deg, 0, 2*time.Second)
	h.lean(0, 0, 3*time.Second)
	h.lean(0, 20*deg, 2*time.Second)
	r := h.w.Result()
	holds(t, r, "nose down: no answer: motor", "asked for tail down, the craft told of right side down")
	if text := strings.Join(r.Findings, "\n"); strings.Contains(text, "looks like") {
		t.Errorf("guesses: %s", text)
	}
}

// While it is held the other way, which way the craft tells of is not shown.
func TestNextDoesNotTellWhatFits(t *testing.T) {
	h := craft(t, ring(8))
	h.w.Asked = true
	h.lean(0, 0, 3*time.Second)
	h.lean(-20*deg, 0, 500*ms)
	if got := h.w.Next(); got != "nose down: the craft does not tell of it; hold it as asked" {
		t.Errorf("says %q", got)
	}
}

// Motors that no lean can tell apart, or tell of at all, are named.
func TestWhatNoLeanShowsIsSaid(t *testing.T) {
	coaxial := append(ring(4), ring(4)...)
	for i := range coaxial {
		coaxial[i].Number = i + 1
	}
	for _, c := range []struct {
		motors []Motor
		says   []string
	}{
		{ring(4), nil}, {ring(12), nil},
		{coaxial, []string{"motors 1 and 5 stand", "motors 2 and 6 stand", "motors 3 and 7 stand", "motors 4 and 8 stand"}},
		{append(ring(4), Motor{Number: 5, Ahead: 0.05, Spin: 1}), []string{"motor 5 stands so near the middle"}},
	} {
		got := craft(t, c.motors).all().Untold
		ok := len(got) == len(c.says)
		for i := range min(len(got), len(c.says)) {
			ok = ok && strings.HasPrefix(got[i], c.says[i])
		}
		if !ok {
			t.Errorf("%d motors: says %q, want %q", len(c.motors), got, c.says)
		}
	}
}

func TestNextLeadsThrough(t *testing.T) {
	h := craft(t, ring(4))
	next := func(want string) {
		t.Helper()
		if got := h.w.Next(); !strings.Contains(got, want) {
			t.Errorf("says %q, want %q", got, want)
		}
	}
	next("waiting for ATTITUDE")
	h.w.Attitude(0, 0, 0)
	next("waiting for output 1")
	h.lean(0, 0, 500*ms)
	next("stand it level")
	h.lean(0, 0, 3*time.Second)
	next("nose down, about 20 deg")
	h.lean(20*deg, 0, 500*ms)
	next("nose down: hold it there")
	h.lean(20*deg, 0, 1500*ms)
	next("tail down")
	h.all()
	if got := h.w.Next(); got != "" {
		t.Errorf("at the end: %q", got)
	}
}

func TestPlacesThatTellNothingAreRefused(t *testing.T) {
	for _, c := range []struct {
		motors []Motor
		says   string
	}{
		{ring(2), "three motors or more"},
		{[]Motor{{1, 0, -1, 1}, {2, 0, 0, -1}, {3, 0, 1, 1}}, "in one line"},
		{append(ring(4), Motor{Number: 1}), "stands twice"},
		{append(ring(4), Motor{Number: 17}), "outputs 1 to 16"},
	} {
		if _, err := New(c.motors); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%v: %v, want %q", c.motors, err, c.says)
		}
	}
}
