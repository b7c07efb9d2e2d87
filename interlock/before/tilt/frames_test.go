package tilt

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"
)

// plus is a ring whose first motor stands at the nose.
func plus(n int) (out []Motor) {
	for i := range n {
		s, c := math.Sincos(2 * math.Pi / float64(n) * float64(i))
		out = append(out, Motor{i + 1, c, s, float64(1 - 2*(i%2))})
	}
	return out
}

func square(ahead, right float64) []Motor {
	return []Motor{{1, ahead, right, -1}, {2, -ahead, -right, -1}, {3, ahead, -right, 1}, {4, -ahead, right, 1}}
}

// frames are crafts of many kinds.
func frames() []struct {
	name   string
	motors []Motor
} {
	var coaxial, rows []Motor
	for i, m := range square(0.7, 0.7) {
		coaxial = append(coaxial, Motor{i + 1, m.Ahead, m.Right, m.Spin}, Motor{i + 5, m.Ahead, m.Right, -m.Spin})
	}
	for i := range 8 {
		rows = append(rows, Motor{i + 1, 0.9 - 0.6*float64(i/2), 0.6 - 1.2*float64(i%2), float64(1 - 2*((i+i/2)%2))})
	}
	return []struct {
		name   string
		motors []Motor
	}{
		{"four in a square", square(0.7, 0.7)}, {"long", square(1, 0.3)}, {"wide", square(0.3, 1)}, {"four in a cross", plus(4)},
		{"ring of six", ring(6)}, {"six from the nose", plus(6)}, {"ring of eight", ring(8)}, {"ring of twelve", ring(12)},
		{"eight on four arms", coaxial}, {"two rows of four", rows},
	}
}

// weather is how a craft is held and how its controller answers.
type weather struct {
	name       string
	rate       float64 // outputs a second
	base, idle float64 // outputs at rest, and how low they go
	windUp     float64 // for each rad and second
	noise      float64
	passes     bool // the right wiring passes
}

var weathers = []weather{
	{"often", 10, 0.3, 0, 0, 0.002, true},
	{"twice a second", 2, 0.3, 0, 0, 0.002, true},
	{"winding up", 4, 0.3, 0, 0.3, 0.002, true},
	{"at idle", 4, 0.05, 0.05, 0, 0, true},
	{"nearly full", 4, 0.95, 0, 0, 0.002, true},
	// Wound up and held at idle: half of the answers do not show. It need not
	// pass; nothing wrong may.
	{"winding up at idle", 4, 0.05, 0.05, 0.3, 0.002, false},
}

// held turns a craft all four ways, up to 17 deg beside each. Output i drives
// wired[i]; stuck (from 1) stands at full. The answer is to lean and speed.
func (x weather) held(t *testing.T, card, wired []Motor, stuck int, seed uint64) Result {
	t.Helper()
	w, err := New(card)
	if err != nil {
		t.Fatal(err)
	}
	w.Asked = true
	dice := rand.New(rand.NewPCG(seed, 7))
	const turn, gain, damp = 0.7 * 0.02, 0.4, 0.08
	longest := 0.0
	for _, m := range card {
		longest = max(longest, math.Hypot(m.Ahead, m.Right))
	}
	var lean, sum, before [2]float64
	now, told := 0.0, -1.0
	go_ := func(to [2]float64, secs float64) {
		for end := now + secs; now < end; now += 0.02 {
			var answer [2]float64
			for k := range lean {
				lean[k] += min(max(to[k]-lean[k], -turn), turn)
				sum[k] = min(max(sum[k]+x.windUp*lean[k]*0.02, -0.2), 0.2)
				answer[k] = gain*lean[k] + damp*(lean[k]-before[k])/0.02 + sum[k]
			}
			before = lean
			if now-told >= 1/x.rate {
				told = now
				for i, m := range wired {
					v := x.base + (answer[0]*m.Ahead+answer[1]*m.Right)/longest + x.noise*dice.NormFloat64()
					if i+1 == stuck {
						v = 1
					}
					w.Output(time.Duration(now*1e9), card[i].Number, min(max(v, x.idle), 1))
				}
			}
			w.Attitude(time.Duration(now*1e9), lean[1]+0.03, -lean[0]-0.02)
		}
	}
	go_([2]float64{}, 4)
	for d := range Direction(Directions) {
		ahead, right := d.low()
		s, c := math.Sincos(0.3 * dice.Float64())
		go_([2]float64{0.33 * (ahead*c - right*s), 0.33 * (ahead*s + right*c)}, 4)
		go_([2]float64{}, 4)
	}
	return w.Result()
}

// Whatever the frame and however its telemetry comes: the right wiring passes,
// and no other, no dead output and no stuck one does.
func TestEveryFrameAndTelemetry(t *testing.T) {
	tried, wrong := 0, 0
	for _, f := range frames() {
		for _, x := range weathers {
			for seed := range uint64(6) {
				dice := rand.New(rand.NewPCG(seed, 9))
				tried++
				if r := x.held(t, f.motors, f.motors, 0, seed); x.passes && !r.Passed {
					t.Errorf("%s, %s: does not pass: %v", f.name, x.name, r.Findings)
				}
				wired, differs := slices.Clone(f.motors), false
				order := dice.Perm(len(wired))
				if seed%2 == 0 {
					order = seq(len(wired))
					i := 1 + dice.IntN(len(wired)-1)
					order[0], order[i] = order[i], order[0]
				}
				for i, from := range order {
					wired[i] = f.motors[from]
					differs = differs || math.Hypot(wired[i].Ahead-f.motors[i].Ahead, wired[i].Right-f.motors[i].Right) > 0.1
				}
				if differs {
					wrong++
					if x.held(t, f.motors, wired, 0, seed).Passed {
						t.Errorf("%s, %s: wired as %v it passes", f.name, x.name, order)
					}
				}
				wired, dead := slices.Clone(f.motors), dice.IntN(len(f.motors))
				wired[dead].Ahead, wired[dead].Right = 0, 0
				if x.held(t, f.motors, wired, 0, seed).Passed {
					t.Errorf("%s, %s: passes with output %d dead", f.name, x.name, dead+1)
				}
				if x.held(t, f.motors, f.motors, dead+1, seed).Passed {
					t.Errorf("%s, %s: passes with output %d stuck at full", f.name, x.name, dead+1)
				}
			}
		}
	}
	t.Logf("%d right wirings, %d wrong ones", tried, wrong)
}
