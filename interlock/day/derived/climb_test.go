package derived

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"downhaul/rules"

	"github.com/bluenviron/gomavlib/v3/pkg/dialects/common"
	"github.com/bluenviron/gomavlib/v3/pkg/message"
)

// sender is a craft that rises at a rate of time: height and climb of one
// message, the climb turned or not, and the climb of another beside it.
type sender struct {
	every     time.Duration
	lag       time.Duration // of the climb; below 0 of the height
	turned    bool
	noise     float64 // m, of a height
	bias      float64 // m/s, of the climb
	otherFits bool
}

func (s sender) fly(r *rig, span time.Duration, rate func(t float64) float64, each func(at time.Duration)) {
	chance := rand.New(rand.NewPCG(uint64(s.every), uint64(s.lag)))
	height := make([]float64, 0, int(span/ms(10))+1)
	h := 0.0
	for k := range cap(height) {
		height = append(height, h)
		h += 0.01 * rate(float64(k)*0.01)
	}
	past := func(at, lag time.Duration) int { return int(max(0, at-max(0, lag)) / ms(10)) }
	for at := time.Duration(0); at < span; at += s.every {
		v := rate(float64(past(at, s.lag))*0.01) + s.bias
		if s.otherFits {
			r.put(at, rules.ClimbHUD, v)
		}
		if s.turned {
			v = -v
		}
		r.put(at, rules.HeightGlobal, height[past(at, -s.lag)]+s.noise*chance.NormFloat64())
		r.put(at, rules.ClimbGlobal, v)
		each(at)
	}
}

// A climb whose sign the sender turns: a fast climb was missed in silence. It is missing
// before the craft has moved 3 m and what it makes in 1.6 s and two heights, whether fast
// or slow, at once or gently, at 10 and at 2 heights a second; and the climb that fits is
// named.
func TestClimbAgainstHeight(t *testing.T) {
	for _, every := range []time.Duration{ms(100), ms(250), ms(500)} {
		for _, most := range []float64{1, 2, 3, 6} {
			for _, gain := range []float64{1, 4, 20} {
				for _, sign := range []float64{1, -1} {
					r := newRig(t, whole(), rules.Climb)
					rose, found := 0.0, -1.0
					rate := func(t float64) float64 { return sign * math.Max(0, math.Min(most, gain*(t-10))) }
					sender{every: every, turned: true, otherFits: true, noise: 0.05}.fly(r, 20*time.Second, rate, func(at time.Duration) {
						rose += math.Abs(rate(seconds(at))) * seconds(every)
						if got := r.last[rules.Climb]; found < 0 && got.Quality == rules.Missing {
							found = rose
						}
					})
					r.wantMissing(t, rules.Climb, rules.HUDFits)
					if found < 0 || found > 3+(1.6+2*seconds(every))*most {
						t.Errorf("every %v, to %v m/s at %v m/s²: found after %v m", every, sign*most, gain, found)
					}
				}
			}
		}
	}
	r := newRig(t, whole(), rules.Climb)
	sender{every: ms(250), turned: true}.fly(r, 20*time.Second, func(float64) float64 { return 2 }, func(time.Duration) {})
	r.wantMissing(t, rules.Climb, rules.ClimbAgainst) // nothing else is heard that would fit
}

// A healthy craft never loses its climb to this: in gusts, at hover, in steps from one
// height to the next, with 10 to 2 heights a second, with either lagging by up to a
// second, with noise and a bias that an estimator has.
func TestClimbOfAHealthyCraftStays(t *testing.T) {
	for seed := range uint64(300) {
		chance := rand.New(rand.NewPCG(seed, 9))
		s := sender{every: []time.Duration{ms(100), ms(250), ms(330), ms(500), time.Second}[seed%5],
			lag: time.Duration(chance.IntN(2001)-1000) * time.Millisecond, noise: 0.2 * chance.Float64(), bias: 0.2 * (2*chance.Float64() - 1)}
		// Steps to another rate every few seconds, at up to 5 m/s², and gusts on top.
		most, gust := 8*chance.Float64(), 1.5*chance.Float64()
		var rates []float64
		v, goal, blow := 0.0, 0.0, 0.0
		for range 12001 {
			if chance.IntN(400) == 0 {
				goal = most * (2*chance.Float64() - 1) * float64(chance.IntN(2))
			}
			v += math.Max(-0.05, math.Min(0.05, goal-v))
			blow += -0.01*blow + gust*0.14*chance.NormFloat64()
			rates = append(rates, v+blow)
		}
		r := newRig(t, whole(), rules.Climb)
		lost := 0
		s.fly(r, 2*time.Minute, func(t float64) float64 { return rates[int(t*100+0.5)] }, func(time.Duration) {
			lost += b2i(r.last[rules.Climb].Quality != rules.Good)
		})
		if lost > 0 {
			t.Errorf("seed %d, %+v, up to %.1f m/s in gusts of %.1f: %d of them lost", seed, s, most, gust, lost)
		}
	}
}

// Heights that jump as home is set anew lose nothing, and a silence begins anew; a climb
// that was against the height counts again when it follows 2 m of it.
func TestClimbComesBack(t *testing.T) {
	for _, every := range []time.Duration{ms(500), ms(330), ms(100), ms(250)} {
		r := newRig(t, whole(), rules.Climb)
		for k := range 200 {
			at := time.Duration(k) * every
			r.put(at, rules.HeightGlobal, []float64{0, 3, 2, 7, -4, -1.5}[k/34])
			r.put(at, rules.ClimbGlobal, 0)
			r.wantGood(t, rules.Climb, 0, 0)
		}
	}
	r := newRig(t, whole(), rules.Climb)
	at, h := 50*time.Second, 3.0
	rise := func(by, told float64, span time.Duration) {
		for end := at + span; at < end; at += ms(250) {
			h += 0.25 * by
			r.put(at, rules.HeightGlobal, h)
			r.put(at, rules.ClimbGlobal, told)
		}
	}
	rise(2, -2, 4*time.Second)
	r.wantMissing(t, rules.Climb, rules.ClimbAgainst)
	rise(0, 0, time.Minute) // a hover proves nothing
	r.wantMissing(t, rules.Climb, rules.ClimbAgainst)
	rise(2, 2, 700*time.Millisecond)
	r.wantMissing(t, rules.Climb, rules.ClimbAgainst)
	rise(2, 2, time.Second)
	r.wantGood(t, rules.Climb, 2, 0)
	at += 3 * time.Second // risen meanwhile, unheard
	h += 20
	rise(0, 0, 3*time.Second)
	r.wantGood(t, rules.Climb, 0, 0)
}

// The real craft whose GPS message tells a climb that does not go with its height: in
// flight (74 to 181 s) that is found out, and VFR_HUD's is named, which is never lost
// itself. Lying where it crashed before, it told 1.3 m/s there too, and that is found.
func TestClimbAgainstHeightOfARealCraft(t *testing.T) {
	for source, want := range map[rules.ChannelID]rules.Cause{rules.ClimbGlobal: rules.HUDFits, rules.ClimbHUD: rules.NoCause} {
		cfg := whole()
		cfg.ClimbSource = source
		r := newRig(t, cfg, rules.Climb)
		seen := map[rules.Cause]int{}
		telemetry(t, func(at time.Duration, m message.Message) {
			if at < 74*time.Second || at > 181*time.Second {
				return
			}
			switch m := m.(type) {
			case *common.MessageVfrHud:
				r.put(at, rules.ClimbHUD, float64(m.Climb))
			case *common.MessageGlobalPositionInt:
				r.put(at, rules.HeightGlobal, float64(m.RelativeAlt)/1000)
				r.put(at, rules.ClimbGlobal, -float64(m.Vz)/100)
			}
			if r.count[rules.Climb] > 0 {
				seen[r.last[rules.Climb].Cause]++
			}
		})
		t.Log(source, seen)
		if r.count[rules.Climb] > 0 && (seen[want] < 100 || want == rules.NoCause && len(seen) > 1) {
			t.Errorf("%v: %v", source, seen)
		}
	}
}
