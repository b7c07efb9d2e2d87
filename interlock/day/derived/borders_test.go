package derived

import (
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"

	"downhaul/interlock/limits"
	"downhaul/rules"
)

// Where it has something to say at all, the root is where the formula of the
// coast meets the limit, to a few parts in 10¹², also where the way there is
// short.
func TestApexRootMeetsItsLimit(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := &apex{
			h: rapid.Float64Range(-5, 50).Draw(t, "h"), v: rapid.Float64Range(-9, 9).Draw(t, "v"),
			surplus: rapid.SampledFrom([]float64{0, 0.5, 1, Gravity, 25}).Draw(t, "A"),
		}
		T := rapid.SampledFrom([]float64{1e-9, 1e-6, 1e-3, 0.3, 2, 9}).Draw(t, "T")
		if a.v+a.surplus*T <= 0.01 {
			return // not on the branch that rises
		}
		// h0 + v0·T + ½A·T² + (v0 + A·T)²/2g, worked from the two stages.
		ended := a.v + a.surplus*T
		limit := a.h + (a.v+ended)/2*T + ended*ended/(2*Gravity)
		// One last bit of the limit is that much of T.
		scale := math.Abs(limit) + 60
		slack := 4 * (math.Nextafter(scale, 1e9) - scale) / (ended * (1 + a.surplus/Gravity))
		if got := a.root(limit); !(math.Abs(got-T) <= slack+1e-12*T) {
			t.Fatalf("%+v meets %v at %v s, not %v s", a, limit, got, T)
		}
	})
	for _, v := range []float64{0, -1} {
		if got := (&apex{h: 1, v: v}).root(2); !math.IsInf(got, 1) {
			t.Errorf("nothing rises, yet it meets its limit at %v s", got)
		}
	}
}

// A longer reaction brings the next limit nearer, at once where it is past it;
// before any height there is nothing to bring nearer.
func TestApexWithAnotherReaction(t *testing.T) {
	calcs := func() (*rig, *apex) {
		r := newRig(t, whole(), rules.Apex) // thresholds 5.5 and 7, T 0.3, A g: apex = h + g·T²
		return r, r.calcs[len(r.calcs)-1].(*apex)
	}
	r, a := calcs()
	a.React(0, ms(400))
	if a.Due() != rules.Never {
		t.Errorf("without a height it is due %v", a.Due())
	}
	r.put(0, rules.ClimbGlobal, 0)
	r.put(0, rules.HeightGlobal, 3)
	r.wantGood(t, rules.Apex, 3+Gravity*0.16, 1e-9)
	if want := math.Sqrt(2.5/Gravity) - 0.4; math.Abs(seconds(a.Due())-want) > 2e-9 {
		t.Errorf("due %v, want %v s", a.Due(), want)
	}
	a.React(ms(10), ms(600)) // g·0.61² is past 5.5 m
	if a.Due() != ms(10)+1 {
		t.Errorf("past a limit already, due %v", a.Due())
	}
	r.advance(ms(20))
	if want := math.Sqrt(4/Gravity) - 0.6; math.Abs(seconds(a.Due())-want) > 2e-9 {
		t.Errorf("then due %v, want %v s", a.Due(), want)
	}
}

// What the pad file may just state.
func TestConfigAtItsBounds(t *testing.T) {
	two := func(c *Config) {
		c.HeightSources, c.Vote, c.Disagreement = []rules.ChannelID{rules.HeightGlobal, rules.HeightLocal}, Median, 0.5
	}
	for _, c := range []struct {
		name string
		id   rules.ChannelID
		mend func(*Config)
		want bool
	}{
		{"half a metre apart", rules.Height, two, true},
		{"a disagreement without end", rules.Height, func(c *Config) { two(c); c.Disagreement = math.Inf(1) }, false},
		{"no vote that is known", rules.Height, func(c *Config) { two(c); c.Vote = Median + 1 }, false},
		{"one source and no vote", rules.Height, func(*Config) {}, true},
		{"no error of height", rules.Apex, func(c *Config) { c.ErrorHeight, c.ErrorClimb = 0, 0 }, true},
		{"a negative error of height", rules.Apex, func(c *Config) { c.ErrorHeight = -1e-9 }, false},
		{"an error of height without end", rules.Apex, func(c *Config) { c.ErrorHeight = math.Inf(1) }, false},
		{"no thrust", rules.Apex, func(c *Config) { c.MaxAcceleration = 0 }, true},
		{"the most thrust", rules.Apex, func(c *Config) { c.MaxAcceleration = 1000 }, true},
		{"more than the most thrust", rules.Apex, func(c *Config) { c.MaxAcceleration = 1000.1 }, false},
		{"less than no thrust", rules.Apex, func(c *Config) { c.MaxAcceleration = -0.1 }, false},
		{"no reaction", rules.Apex, func(c *Config) { c.Reaction = 0 }, true},
		{"a minute of reaction", rules.Apex, func(c *Config) { c.Reaction = time.Minute }, true},
		{"more than a minute of reaction", rules.Apex, func(c *Config) { c.Reaction = time.Minute + 1 }, false},
		{"an anchor without end", rules.Distance, func(c *Config) { c.AnchorNorth = math.Inf(-1) }, false},
		{"one motor", rules.RotorSpeed, func(c *Config) { c.Motors = 1 }, true},
		{"sixteen motors", rules.RotorSpeed, func(c *Config) { c.Motors = 16 }, true},
		{"17 motors", rules.RotorSpeed, func(c *Config) { c.Motors = 17 }, false},
		{"a low anemometer", rules.RotorWind, func(c *Config) { c.AnemometerHeight, c.RotorHeight = 0.5, 0.75 }, true},
		{"low rotors", rules.RotorWind, func(c *Config) { c.RotorHeight = 0 }, false},
		{"an anemometer without end", rules.RotorWind, func(c *Config) { c.AnemometerHeight = math.Inf(1) }, false},
		{"as rough as the anemometer is high", rules.RotorWind, func(c *Config) { c.Roughness = c.AnemometerHeight }, false},
		{"as rough as the rotors are high", rules.RotorWind, func(c *Config) { c.RotorHeight, c.Roughness = 1, 1 }, false},
		{"no height and a power", rules.RotorWind, func(c *Config) { c.Method, c.Roughness, c.AnemometerHeight = PowerLaw, 0, 0 }, false},
		{"rotors at no height and a power", rules.RotorWind, func(c *Config) { c.Method, c.Roughness, c.RotorHeight = PowerLaw, 0, 0 }, false},
		{"no roughness", rules.RotorWind, func(c *Config) { c.Roughness = 0 }, false},
		{"a power of 0", rules.RotorWind, func(c *Config) { c.Method, c.Roughness, c.Exponent = PowerLaw, 0, 0 }, true},
		{"a power of 1", rules.RotorWind, func(c *Config) { c.Method, c.Roughness, c.Exponent = PowerLaw, 0, 1 }, true},
		{"a power past 1", rules.RotorWind, func(c *Config) { c.Method, c.Roughness, c.Exponent = PowerLaw, 0, 1.001 }, false},
		{"a power below 0", rules.RotorWind, func(c *Config) { c.Method, c.Roughness, c.Exponent = PowerLaw, 0, -0.001 }, false},
		{"a low floor", rules.PackToFloor, func(c *Config) { c.PackFloor = 0.5 }, true},
		{"a floor without end", rules.PackToFloor, func(c *Config) { c.PackFloor = math.Inf(1) }, false},
		{"no floor", rules.PackToFloor, func(c *Config) { c.PackFloor = 0 }, false},
		{"a floor of one cell", rules.PackToFloor, func(c *Config) { c.Cells = 1 }, true},
		{"a floor of no cell", rules.PackToFloor, func(c *Config) { c.Cells = 0 }, false},
		{"a floor of 400 cells", rules.PackToFloor, func(c *Config) { c.Cells = 400 }, true},
		{"a floor of 401 cells", rules.PackToFloor, func(c *Config) { c.Cells = 401 }, false},
		{"a floor of no pack", rules.PackToFloor, func(c *Config) { c.PackVoltage = rules.NoChannel }, false},
		{"a floor without a current", rules.PackToFloor, func(c *Config) { c.PackCurrent = rules.NoChannel }, false},
		{"one cell", rules.PackMeanCell, func(c *Config) { c.Cells = 1 }, true},
		{"no cell", rules.PackMeanCell, func(c *Config) { c.Cells = 0 }, false},
		{"400 cells", rules.PackMeanCell, func(c *Config) { c.Cells = 400 }, true},
		{"401 cells", rules.PackMeanCell, func(c *Config) { c.Cells = 401 }, false},
		{"no full output", rules.LiftReserve, func(c *Config) { c.Full = FullOutput{} }, true},
		{"a full output without pull", rules.LiftReserve, func(c *Config) { c.Full.Pull = 0 }, false},
		{"a full output without voltage", rules.LiftReserve, func(c *Config) { c.Full.Volts = 0 }, false},
		{"a full output without sag", rules.LiftReserve, func(c *Config) { c.Full.Resting = c.Full.Volts }, false},
		{"a full output without current", rules.LiftReserve, func(c *Config) { c.Full.Amps = 0 }, false},
		{"small figures of full output", rules.LiftReserve, func(c *Config) { c.Full = FullOutput{Pull: 0.5, Resting: 0.75, Volts: 0.5, Amps: 0.5} }, true},
		{"a pull without end", rules.LiftReserve, func(c *Config) { c.Full.Pull = math.Inf(1) }, false},
		{"a rest without end", rules.LiftReserve, func(c *Config) { c.Full.Resting = math.Inf(1) }, false},
		{"a full current without end", rules.LiftReserve, func(c *Config) { c.Full.Amps = math.Inf(1) }, false},
		{"reserve of no pack", rules.LiftReserve, func(c *Config) { c.PackVoltage = rules.NoChannel }, false},
		{"reserve without a current", rules.LiftReserve, func(c *Config) { c.PackCurrent = rules.NoChannel }, false},
		{"a climb of another kind", rules.Climb, func(c *Config) { c.ClimbSource = rules.HeightGlobal }, false},
		{"the first motor", rules.MotorHighest, func(c *Config) { c.Motors = 1 }, true},
		{"no motor", rules.MotorHighest, func(c *Config) { c.Motors = 0 }, false},
		{"a pack of one kind", rules.PackMeanCell, func(c *Config) { c.PackVoltage = rules.SupplyCurrent }, false},
		{"a current of another kind", rules.PackResistance, func(c *Config) { c.PackCurrent = rules.SupplyVoltage }, false},
		{"no current", rules.PackResistance, func(c *Config) { c.PackCurrent = rules.NoChannel }, false},
		{"no current and none needed", rules.PackMeanCell, func(c *Config) { c.PackCurrent = rules.NoChannel }, true},
	} {
		cfg := whole()
		c.mend(&cfg)
		if _, err := New(cfg, func(id rules.ChannelID) bool { return id == c.id }); (err == nil) != c.want {
			t.Errorf("%s: %v", c.name, err)
		}
	}
}

// No count of motors, no motor to feed; any other from the first on.
func TestNeedsOfEveryCountOfMotors(t *testing.T) {
	for n := -1; n <= MaxMotors+1; n++ {
		cfg := whole()
		cfg.Motors = n
		for id, first := range map[rules.ChannelID]rules.ChannelID{rules.MotorHighest: rules.Motor1Output, rules.RotorSpeed: rules.Motor1Speed} {
			got := cfg.Needs(id)
			if n < 1 || n > MaxMotors {
				if got != nil {
					t.Errorf("%d motors: %v needs %v", n, id, got)
				}
				continue
			}
			if len(got) != n || got[0] != first || got[n-1] != first+rules.ChannelID(n-1) {
				t.Errorf("%d motors: %v needs %v", n, id, got)
			}
		}
	}
}

// In the first second there is a step as well as later, upward and downward, and
// while an earlier one still holds: steps of 0.6 m, the climb says none.
func TestPromise14_SpreadStepFromTheFirstSample(t *testing.T) {
	for _, sign := range []float64{1, -1} {
		r := newRig(t, whole(), rules.Height)
		put := func(at time.Duration, h float64) {
			r.put(at, rules.ClimbGlobal, 0)
			r.put(at, rules.HeightGlobal, 3+sign*h)
		}
		put(0, 0)
		put(ms(250), 0.6)
		r.wantGood(t, rules.Height, 3+sign*0.6, 1e-12)
		put(ms(500), 1.2)
		r.wantMissing(t, rules.Height, rules.Disagreement)
		// From the level that it stepped to, two more such steps are a step anew.
		put(ms(1000), 1.8)
		put(ms(1250), 2.4)
		for at := ms(1500); at < ms(3250); at += ms(250) {
			put(at, 2.4)
			r.wantMissing(t, rules.Height, rules.Disagreement)
		}
		put(ms(3250), 2.4)
		r.wantGood(t, rules.Height, 3+sign*2.4, 1e-12)
	}
}

// A single source says itself why it is missing; a vote says that something it
// rests on is.
func TestPromise14_WhyHeightIsMissing(t *testing.T) {
	r := newRig(t, whole(), rules.Height)
	r.put(0, rules.ClimbGlobal, 0)
	r.miss(0, rules.HeightGlobal, rules.Sentinel)
	r.wantMissing(t, rules.Height, rules.Sentinel)
	cfg := whole()
	cfg.HeightSources, cfg.Vote, cfg.Disagreement = []rules.ChannelID{rules.HeightGlobal, rules.HeightLocal}, Highest, 0.5
	r = newRig(t, cfg, rules.Height)
	r.put(0, rules.ClimbGlobal, 0)
	r.miss(0, rules.HeightLocal, rules.Sentinel)
	r.put(0, rules.HeightGlobal, 3)
	r.wantMissing(t, rules.Height, rules.InputMissing)
	// What was last told too long ago is as good as nothing.
	r.put(ms(250), rules.HeightLocal, 3)
	for at, want := range map[time.Duration]rules.Quality{rules.HeightLocal.Stale(): rules.Good, rules.HeightLocal.Stale() + 1: rules.Missing} {
		c := r.clone()
		c.put(ms(250)+at, rules.ClimbGlobal, 0)
		if c.put(ms(250)+at, rules.HeightGlobal, 3); c.last[rules.Height].Quality != want {
			t.Errorf("the other source was told %v before: %+v", at, c.last[rules.Height])
		}
	}
}

// The image of what is kept is that of what was fed alone of it: nothing that
// left shows, and everything that stays does.
func TestImageIsThatOfWhatStays(t *testing.T) {
	const span, period, n = time.Second, 100 * time.Millisecond, 60
	for name, feed := range map[string]func(from int, changed int, now time.Duration) string{
		"window": func(from, changed int, now time.Duration) string {
			w := newWindow(span, period)
			for k := from; k < n; k++ {
				w.add(time.Duration(k)*period, fall(k, changed), true)
			}
			w.since = 0 // when it began to fill is told as long ago in both
			return string(w.appendState(nil, now))
		},
		"extreme": func(from, changed int, now time.Duration) string {
			e := newExtreme(span, period, false)
			for k := from; k < n; k++ {
				e.add(time.Duration(k)*period, fall(k, changed))
			}
			return string(e.appendState(nil, now))
		},
		"line": func(from, changed int, now time.Duration) string {
			l := newLine(span, 64)
			for k := from; k < n; k++ {
				l.add(time.Duration(k)*period, fall(k, changed))
			}
			return string(l.appendState(nil, now))
		},
		"slope": func(from, changed int, now time.Duration) string {
			s := limits.NewSlope(span)
			for k := from; k < n; k++ {
				s.Add(time.Duration(k)*period, fall(k, changed))
			}
			return string(s.AppendState(nil, now))
		},
	} {
		for silence := range 15 {
			now := time.Duration(n-1+silence) * period
			first := n - 10 + silence // the first that is younger than the span
			switch name {
			case "line":
				first-- // just as old as the span counts
			case "slope":
				first = min(first-1, n-1) // and the newest that is as old
			}
			whole := feed(0, -1, now)
			if whole != feed(min(first, n), -1, now) {
				t.Errorf("%s: after %d periods of silence the image tells of what has left, or not of what stays", name, silence)
			}
			if first < n && feed(0, -1, now+1) == whole {
				t.Errorf("%s: after %d periods of silence the image does not tell how old it is", name, silence)
			}
			for k := first; k < n; k++ {
				if feed(0, k, now) == whole {
					t.Errorf("%s: after %d periods of silence sample %d of %d does not show", name, silence, k, n)
				}
			}
			if first > 0 && feed(0, first-1, now) != whole {
				t.Errorf("%s: after %d periods of silence sample %d of %d shows", name, silence, first-1, n)
			}
		}
	}
}

// fall is a value for sample k that falls with it; a little less for the changed one.
func fall(k, changed int) float64 {
	v := 100 - float64(k)
	if k == changed {
		v -= 0.5
	}
	return v
}

// What was never in place, or is no longer, begins anew: places that were missing
// do not fill the 5 s of a sway; and of where it was then nothing is left.
func TestSwayAfterMissingPlaces(t *testing.T) {
	var images []string
	for _, far := range []float64{0, 3} {
		r := newRig(t, whole(), rules.Sway)
		at := time.Duration(0)
		place := func(n int, east float64) {
			for range n {
				r.put(at, rules.North, 0)
				r.put(at, rules.East, east)
				at += ms(100)
			}
		}
		place(60, far)
		r.wantGood(t, rules.Sway, 0, 0)
		for range 100 {
			r.miss(at, rules.East, rules.Sentinel)
			at += ms(100)
		}
		images = append(images, r.image(at))
		place(49, far)
		r.wantMissing(t, rules.Sway, rules.NotFilled)
		place(1, far)
		r.wantGood(t, rules.Sway, 0, 0)
	}
	if images[0] != images[1] {
		t.Error("the image tells of a place that is no longer in it")
	}
}

// A rate that no number holds is none, and a steep one is.
func TestSlopePastAllNumbers(t *testing.T) {
	s := limits.NewSlope(time.Second)
	s.Add(0, -1e308)
	if rate, ok := s.Add(time.Second, 1e308); ok || rate != 0 {
		t.Errorf("%v, %v", rate, ok)
	}
	if rate, ok := s.Add(2*time.Second, 1e307); !ok || rate != -9e307 {
		t.Errorf("%v, %v", rate, ok)
	}
}

// A word of the estimator counts for five of its spacings and no longer.
func TestEstimatorCountsAtItsBorder(t *testing.T) {
	for spacing, keeps := range map[time.Duration]time.Duration{100 * time.Millisecond: rules.EstimatorFlags.Stale(), time.Second: 5 * time.Second, 3 * time.Second: 10 * time.Second} {
		for late, want := range map[time.Duration]rules.Quality{0: rules.Good, 1: rules.Missing} {
			r := newRig(t, whole(), rules.Climb)
			for k := range 3 {
				r.put(time.Duration(k)*spacing, rules.EstimatorFlags, 4|32)
				r.put(time.Duration(k)*spacing, rules.ClimbGlobal, 0)
			}
			r.put(2*spacing+keeps+late, rules.ClimbGlobal, 0)
			if got := r.last[rules.Climb]; got.Quality != want {
				t.Errorf("%v and %v after the last of one every %v: %+v", keeps, late, spacing, got)
			}
		}
	}
}

// A reading that is too old says so, and when it was; a younger one stays what it is.
func TestFreshAtItsBorder(t *testing.T) {
	var table limits.Table
	table[rules.Tension] = limits.Reading{At: time.Second, Value: 7, Quality: rules.Good}
	if got := table.Fresh(rules.Tension, 2*time.Second, time.Second); got != table[rules.Tension] {
		t.Errorf("just fresh: %+v", got)
	}
	if got := table.Fresh(rules.Tension, 2*time.Second+1, time.Second); got != (limits.Reading{At: time.Second, Quality: rules.Missing, Cause: rules.Stale}) {
		t.Errorf("too old: %+v", got)
	}
	if got := table.Fresh(rules.WindSpeed, 0, time.Second); got != (limits.Reading{Cause: rules.NeverHeard}) {
		t.Errorf("never heard: %+v", got)
	}
}

// What steps of the load tell: those over 1 A, five of them, of 20 A² in sum, each
// readings 2.5 s apart at most; and a current that sticks over 1 A.
func TestPackResistanceAtItsBorders(t *testing.T) {
	for _, c := range []struct {
		step    float64
		steps   int
		spacing time.Duration
		want    rules.Quality
	}{
		{2.06, 5, ms(500), rules.Good}, {2.06, 4, ms(500), rules.Missing}, {2, 5, ms(500), rules.Missing}, {1.5, 40, ms(500), rules.Good}, {1, 200, ms(500), rules.Missing},
		{50, 4, ms(500), rules.Missing}, {50, 5, quickSpan, rules.Good}, {50, 40, quickSpan + 1, rules.Missing},
	} {
		r := newRig(t, whole(), rules.PackResistance)
		for k := range c.steps + 1 {
			amps := 5 + c.step*float64(k%2)
			load(r, time.Duration(k)*c.spacing, 12-0.04*amps, amps)
		}
		if got := r.last[rules.PackResistance]; got.Quality != c.want {
			t.Errorf("%d steps of %v A every %v: %+v", c.steps, c.step, c.spacing, got)
		}
	}
	for amps, want := range map[float64]rules.Quality{1: rules.Good, 1.5: rules.Doubtful, -1: rules.Good} {
		r, at := identified(t)
		for range 25 {
			load(r, at, 12, amps)
			at += ms(500)
		}
		if got := r.last[rules.PackResistance]; got.Quality != want {
			t.Errorf("%v A again and again: %+v", amps, got)
		}
	}
}

// A boot clock that cannot be one gives no lag.
func TestLinkLagOfNoClock(t *testing.T) {
	high := rules.CraftBootClock.Channel().High
	for v, want := range map[float64]rules.Quality{0: rules.Good, high: rules.Good, -1: rules.Missing, math.Nextafter(high, 2*high): rules.Missing} {
		r := newRig(t, whole(), rules.LinkLag)
		if r.put(0, rules.CraftBootClock, v); r.last[rules.LinkLag].Quality != want {
			t.Errorf("%v s: %+v", v, r.last[rules.LinkLag])
		}
	}
}

// Of a slow converter the last two samples make the slope, up to a quarter of a
// second apart.
func TestTensionRateOfASlowConverter(t *testing.T) {
	for gap, want := range map[time.Duration]rules.Quality{ms(100): rules.Good, ms(250): rules.Good, ms(250) + 1: rules.Missing} {
		r := newRig(t, whole(), rules.TensionRate)
		r.put(0, rules.Tension, 100)
		r.put(gap, rules.Tension, 150)
		if got := r.last[rules.TensionRate]; got.Quality != want || want == rules.Good && math.Abs(got.Value-50/seconds(gap)) > 1e-9 {
			t.Errorf("50 N in %v: %+v", gap, got)
		}
	}
}

// What is older than the span is no extreme, also where nothing came since; and a
// mean that rests on doubtful samples by just half is not doubtful for that.
func TestSpanAtItsBorders(t *testing.T) {
	for later, want := range map[time.Duration]float64{time.Second - 1: 10, time.Second: 1, time.Minute: 1} {
		e := newExtreme(time.Second, ms(100), false)
		e.add(0, 10)
		if e.add(later, 1); e.value() != want {
			t.Errorf("%v after 10 the highest is %v, want %v", later, e.value(), want)
		}
	}
	for doubtful, want := range map[int]rules.Quality{6: rules.Good, 7: rules.Doubtful} {
		w := newWindow(3*time.Second, ms(250))
		for k := range 12 {
			q := rules.Good
			if k < doubtful {
				q = rules.Doubtful
			}
			w.addReading(time.Duration(k)*ms(250), limits.Reading{Value: 5, Quality: q})
		}
		if q, _ := w.judge(11*ms(250), 0); q != want {
			t.Errorf("%d doubtful of 12: quality %d, want %d", doubtful, q, want)
		}
	}
}

// The slope of the tension is that of the last 50 ms: what is older says nothing of
// a rise now.
func TestTensionRateOfTheLast50ms(t *testing.T) {
	for older, rises := range map[time.Duration]bool{ms(50): true, ms(50) + 1: false} {
		r := newRig(t, whole(), rules.TensionRate)
		r.put(0, rules.Tension, 1000)
		r.put(ms(25), rules.Tension, 0)
		if r.put(older, rules.Tension, 0); (r.last[rules.TensionRate].Value != 0) != rises {
			t.Errorf("%v after 1000 N: %+v", older, r.last[rules.TensionRate])
		}
	}
}

// A pack that does not sag at all has no resistance that could be told.
func TestPackWithoutSag(t *testing.T) {
	r := newRig(t, whole(), rules.PackResistance)
	for k := range 40 {
		load(r, time.Duration(k)*ms(500), 12, 5+10*float64(k%2))
	}
	r.wantMissing(t, rules.PackResistance, rules.NotIdentified)
}

// The functions are those of package math but for the last bit, and in most
// places that too. What is seldom equal has lost what its low parts are for.
func TestExactToTheLastBitInMostPlaces(t *testing.T) {
	same, n := map[string]int{}, 0
	for i := -20000; i <= 20000; i++ {
		x := float64(i)*3.7e-4 + 1e-5
		n++
		for name, pair := range map[string][2]float64{
			"Sin": {Sin(x), math.Sin(x)}, "Cos": {Cos(x), math.Cos(x)}, "Atan": {atan(x), math.Atan(x)},
			"Exp": {exp(x), math.Exp(x)}, "Ln": {ln(math.Abs(x)), math.Log(math.Abs(x))},
		} {
			if pair[0] == pair[1] {
				same[name]++
			}
		}
	}
	for _, name := range []string{"Sin", "Cos", "Atan", "Exp", "Ln"} {
		if same[name] < n*4/5 {
			t.Errorf("%s is package math's to the last bit in %d of %d places", name, same[name], n)
		}
	}
}
