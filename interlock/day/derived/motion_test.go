package derived

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"
	"time"

	"downhaul/rules"
	"downhaul/rules/architecture"

	"pgregory.net/rapid"
)

func TestTilt(t *testing.T) {
	deg := math.Pi / 180
	for _, c := range []struct{ roll, pitch, want float64 }{
		{0, 0, 0}, {30, 0, 30}, {0, -20, 20}, {-179, 0, 179}, {0, 90, 90}, {180, 0, 180},
		{1e-7, 0, 1e-7},               // an arccosine would give 0
		{60, 60, 75.522487814070076},  // cos tilt = 1/4
		{45, 45, 60},                  // cos tilt = 1/2
		{-60, 45, 69.295188945364572}, // cos tilt = √2/4
		{120, 60, 104.47751218592992}, // cos tilt = −1/4
	} {
		r := newRig(t, whole(), rules.Tilt)
		r.put(0, rules.Roll, c.roll*deg)
		r.put(0, rules.Pitch, c.pitch*deg)
		r.wantGood(t, rules.Tilt, c.want*deg, 4e-16)
	}
	r := newRig(t, whole(), rules.Tilt)
	r.put(0, rules.Roll, 1)
	r.put(ms(201), rules.Pitch, 0)
	r.wantMissing(t, rules.Tilt, rules.InputMissing)
}

func TestTiltAgainstArccosine(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		roll := rapid.Float64Range(-math.Pi, math.Pi).Draw(t, "roll")
		pitch := rapid.Float64Range(-math.Pi/2, math.Pi/2).Draw(t, "pitch")
		got, want := tiltAngle(roll, pitch), math.Acos(math.Cos(roll)*math.Cos(pitch))
		if math.Abs(got-want) > 3e-8 || got < 0 || got > math.Pi { // the arccosine is good to √ε near 0 and π
			t.Fatalf("expected %v, got %v", want, got)
		}
	})
}

// Whole-number right triangles and boxes: 3 4 5; 2 3 6 7.
func TestDistance(t *testing.T) {
	cfg := whole()
	cfg.AnchorNorth, cfg.AnchorEast, cfg.AnchorHeight = 10, -20, 1
	r := newRig(t, cfg, rules.Distance, rules.SlantRange)
	r.put(0, rules.ClimbGlobal, 0)
	r.put(0, rules.HeightGlobal, 7)
	r.put(0, rules.North, 13)
	r.put(0, rules.East, -24)
	r.wantGood(t, rules.Distance, 5, 0)
	r.wantGood(t, rules.SlantRange, math.Sqrt(61), 1e-15*8)
	r.put(ms(100), rules.North, 8)
	r.put(ms(100), rules.East, -17)
	r.wantGood(t, rules.SlantRange, 7, 0)
	r.put(ms(350), rules.North, 8)
	r.put(ms(350), rules.East, -17)
	r.wantGood(t, rules.Distance, math.Sqrt(13), 1e-15*4)
	r.wantMissing(t, rules.SlantRange, rules.InputMissing) // the height is older than 300 ms
	r.put(ms(700), rules.East, -17)
	r.wantMissing(t, rules.Distance, rules.InputMissing) // so is north
}

func TestSway(t *testing.T) {
	r := newRig(t, whole(), rules.Sway)
	at := time.Duration(0)
	swing := func(n int, north, east float64) {
		for k := range n {
			r.put(at, rules.North, north*math.Sin(float64(k)*math.Pi/10))
			r.put(at, rules.East, 100+east*math.Sin(float64(k)*math.Pi/10))
			at += ms(100)
		}
	}
	swing(49, 2, 1.5)
	r.wantMissing(t, rules.Sway, rules.NotFilled)
	swing(60, 2, 1.5)                   // periods of 2 s sampled at their tops
	r.wantGood(t, rules.Sway, 5, 1e-12) // 2·√(2² + 1.5²)
	swing(60, 0.5, 1.5)
	r.wantGood(t, rules.Sway, math.Sqrt(10), 1e-12)
	swing(60, 0, 0)
	r.wantGood(t, rules.Sway, 0, 0)
	r.miss(at, rules.North, rules.Implausible)
	r.put(at, rules.East, 100)
	r.wantMissing(t, rules.Sway, rules.InputMissing)
	at += ms(100)
	swing(1, 0, 0)
	r.wantGood(t, rules.Sway, 0, 0)
}

// No two places of the last 5 s are farther apart than the sway, in whatever
// direction it swings, straight or round (the greatest distance is searched for
// here); and it reads at most √2 of that.
func TestSwayBoundsEveryDirection(t *testing.T) {
	for degrees := 0; degrees < 180; degrees += 15 {
		for _, narrow := range []float64{0, 0.3, 1} {
			r := newRig(t, whole(), rules.Sway)
			sin, cos := math.Sincos(float64(degrees) * math.Pi / 180)
			var north, east []float64
			for k := range 60 {
				along, across := 3*math.Sin(float64(k)*0.31), 3*narrow*math.Cos(float64(k)*0.31)
				north, east = append(north, along*cos-across*sin), append(east, along*sin+across*cos)
				r.put(time.Duration(k)*ms(100), rules.North, north[k])
				r.put(time.Duration(k)*ms(100), rules.East, east[k])
			}
			farthest := 0.0
			for i := 10; i < 60; i++ {
				for j := 10; j < i; j++ {
					farthest = math.Max(farthest, math.Hypot(north[i]-north[j], east[i]-east[j]))
				}
			}
			if got := r.last[rules.Sway].Value; got < farthest-1e-9 || got > 1.5*farthest {
				t.Errorf("swinging %d deg from north, %g as wide as long: %.3f m apart, sway %.3f m", degrees, narrow, farthest, got)
			}
		}
	}
}

// A swing over half the span that nobody saw is no calm.
func TestSwayAcrossASilence(t *testing.T) {
	r := newRig(t, whole(), rules.Sway)
	at := time.Duration(0)
	rest := func(n int) {
		for range n {
			r.put(at, rules.North, 0)
			r.put(at, rules.East, 0)
			at += ms(100)
		}
	}
	rest(60)
	r.wantGood(t, rules.Sway, 0, 0)
	for range 2 { // with the step itself half the span, and no more
		at += ms(2400)
		rest(1)
		r.wantGood(t, rules.Sway, 0, 0)
	}
	at += ms(3000)
	rest(1)
	r.wantMissing(t, rules.Sway, rules.NotFilled)
	rest(48)
	r.wantMissing(t, rules.Sway, rules.NotFilled)
	rest(1)
	r.wantGood(t, rules.Sway, 0, 0)
}

// A flood of missing places that leaves no room for any other has it begin anew as
// well: what was before is no part of what comes, though it is younger than the span.
func TestSwayAfterAFloodOfMissingPlaces(t *testing.T) {
	r := newRig(t, whole(), rules.Sway)
	at := time.Duration(0)
	place := func(n int, east float64) {
		for range n {
			r.put(at, rules.North, 0)
			r.put(at, rules.East, east)
			at += ms(100)
		}
	}
	place(60, 3)
	at -= ms(90) // right behind the last place
	for range 300 {
		r.miss(at, rules.East, rules.Sentinel)
		at += 100 * time.Microsecond
	}
	place(49, 0)
	r.wantMissing(t, rules.Sway, rules.NotFilled)
	place(1, 0)
	r.wantGood(t, rules.Sway, 0, 0)
}

func TestMotors(t *testing.T) {
	r := newRig(t, whole(), rules.MotorHighest, rules.MotorSpread, rules.MotorHeadroom, rules.RotorSpeed)
	for i, u := range []float64{0.5, 0.625, 0.25, 0.5, 0.5, 0.5} {
		r.put(0, rules.Motor1Output+rules.ChannelID(i), u)
		r.put(0, rules.Motor1Speed+rules.ChannelID(i), []float64{80, -95, 70, -80, 80, -80}[i])
	}
	r.put(0, rules.Motor1Output+6, 1) // not fitted
	r.put(0, rules.Motor1Speed+6, 500)
	r.wantGood(t, rules.MotorHighest, 0.625, 0)
	r.wantGood(t, rules.MotorSpread, 0.375, 0)
	r.wantGood(t, rules.MotorHeadroom, 0.375, 0)
	r.wantGood(t, rules.RotorSpeed, 95, 0)
	r.doubtful(ms(10), rules.Motor1Output+2, 0.25, rules.OutOfRange)
	r.put(ms(10), rules.Motor1Output+5, 0.75)
	r.wantDoubtful(t, rules.MotorHighest, rules.OutOfRange)
	r.miss(ms(20), rules.Motor1Output+2, rules.Sentinel)
	r.miss(ms(20), rules.Motor1Speed+2, rules.Sentinel)
	r.put(ms(20), rules.Motor1Output+5, 0.5)
	r.put(ms(20), rules.Motor1Speed+5, 80)
	for _, id := range []rules.ChannelID{rules.MotorHighest, rules.MotorSpread, rules.MotorHeadroom, rules.RotorSpeed} {
		r.wantMissing(t, id, rules.InputMissing)
	}
	// Of several in doubt the one that came last, the trigger, says why.
	for i := range 6 {
		r.doubtful(ms(30), rules.Motor1Output+rules.ChannelID(i), 0.5, map[bool]rules.Cause{true: rules.Disagreement, false: rules.OutOfRange}[i == 5])
		r.doubtful(ms(30), rules.Motor1Speed+rules.ChannelID(i), 80, map[bool]rules.Cause{true: rules.Disagreement, false: rules.OutOfRange}[i == 5])
	}
	for _, id := range []rules.ChannelID{rules.MotorHighest, rules.MotorSpread, rules.MotorHeadroom, rules.RotorSpeed} {
		r.wantDoubtful(t, id, rules.Disagreement)
	}
}

func TestTensionRate(t *testing.T) {
	r := newRig(t, whole(), rules.TensionRate)
	r.put(0, rules.Tension, 100)
	r.wantMissing(t, rules.TensionRate, rules.NotFilled)
	for k := 1; k < 100; k++ { // 2000 N/s at 80 Hz
		r.put(time.Duration(k)*12500*time.Microsecond, rules.Tension, 100+25*float64(k))
		r.wantGood(t, rules.TensionRate, 2000, 1e-8)
	}
	at := 100 * 12500 * time.Microsecond
	r.miss(at, rules.Tension, rules.Saturated)
	r.wantMissing(t, rules.TensionRate, rules.InputMissing)
	r.put(at+ms(12), rules.Tension, 5000)
	r.wantMissing(t, rules.TensionRate, rules.NotFilled) // no slope across a fault
	r.put(at+ms(24), rules.Tension, 5000)
	r.wantGood(t, rules.TensionRate, 0, 0)
	r.put(at+ms(24), rules.Tension, 5012) // twice at one instant: the later counts
	r.wantGood(t, rules.TensionRate, 1000, 1e-9)
	r.put(at+ms(400), rules.Tension, 0)
	r.wantMissing(t, rules.TensionRate, rules.NotFilled)
}

// A doubtful tension may count by its own slope, and no later slope rests on it.
func TestTensionRateDoesNotRestOnDoubt(t *testing.T) {
	r := newRig(t, whole(), rules.TensionRate)
	for k := range 10 {
		r.put(time.Duration(k)*ms(12), rules.Tension, 100)
	}
	r.doubtful(ms(120), rules.Tension, 4000, rules.Saturated)
	r.wantDoubtful(t, rules.TensionRate, rules.Saturated)
	r.put(ms(132), rules.Tension, 100)
	r.wantMissing(t, rules.TensionRate, rules.NotFilled)
	r.put(ms(144), rules.Tension, 100)
	r.wantGood(t, rules.TensionRate, 0, 0)
}

// A line with noise: the textbook least-squares example 1 2 3 4 5 against 2 4 5
// 4 5 has the slope 0.6 and the intercept 2.2 (worked: Sxy 6, Sxx 10).
func TestLeastSquares(t *testing.T) {
	l := newLine(time.Minute, 8)
	for k, v := range []float64{2, 4, 5, 4, 5} {
		l.add(time.Duration(k+1)*time.Second, v)
	}
	slope, value, ok := l.fit()
	if !ok || math.Abs(slope-0.6) > 1e-12 || math.Abs(value-(2.2+0.6*5)) > 1e-12 {
		t.Fatalf("expected slope 0.6 and 5.2 at the end, got %v, %v, %v", slope, value, ok)
	}
}

// A measured tether of a large kite (data set Flightdata08102019, CC-BY 4.0), 10
// Hz: the largest rise and fall per sample give the largest rates.
func TestTensionRateOnMeasuredTether(t *testing.T) {
	f, err := os.Open(architecture.Data(t, "tension-kite/20191008_0004.csv")[0])
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows := csv.NewReader(f)
	rows.FieldsPerRecord = -1
	all, err := rows.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	column := -1
	for i, name := range all[0] {
		if name == "ground_tether_force" {
			column = i
		}
	}
	if column < 0 {
		t.Fatalf("no column ground_tether_force among %q", all[0])
	}
	r := newRig(t, whole(), rules.TensionRate)
	var last, want, got float64
	n := 0
	for _, row := range all[1:] {
		force, err := strconv.ParseFloat(row[column], 64)
		if err != nil {
			continue
		}
		force *= 9.80665 // kgf
		r.put(time.Duration(n)*ms(100), rules.Tension, force)
		if n > 0 {
			want = math.Max(want, math.Abs(force-last)/0.1)
			got = math.Max(got, math.Abs(r.last[rules.TensionRate].Value))
		}
		last = force
		n++
	}
	if n < 1000 || math.Abs(got-want) > 1e-6*want {
		t.Fatalf("%d samples: expected the fastest change to be %v N/s, got %v", n, want, got)
	}
	// Noted beside the recordings: largest step in 0.1 s between 46 and 84 kgf.
	if kgf := got / 9.80665 * 0.1; kgf < 45.5 || kgf > 84.5 {
		t.Fatalf("largest step %v kgf, noted 46 to 84", kgf)
	}
}
