package intake

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"downhaul/interlock"
	"downhaul/rules"
)

// quietFor lets the anemometer be silent and returns when its sample became
// doubtful, silent for long, and missing; 0 for never.
func (v *vane) quietFor(d time.Duration) (doubtful, long, gone time.Duration) {
	from := v.now
	note := func(at *time.Duration) {
		if *at == 0 {
			*at = v.now - from
		}
	}
	for v.now < from+d {
		switch s := v.next(); {
		case s.Quality == rules.Missing:
			note(&gone)
		case s.Quality == rules.Doubtful && s.Cause == rules.MayBeCut:
			note(&doubtful)
		case s.Quality == rules.Doubtful && s.Cause == rules.SilentLong:
			note(&long)
		case s.Quality != rules.Good && s.Cause != rules.Stale:
			v.t.Fatalf("silent for %v: %+v", v.now-from, s)
		}
	}
	return doubtful, long, gone
}

func (v *vane) blow(speed float64, d time.Duration) interlock.Sample {
	v.turn((speed-v.in.decoder.(*decoder).cfg.Anemometer.Offset)/v.in.decoder.(*decoder).cfg.Anemometer.Slope, d)
	var s interlock.Sample
	for end := v.now + d; v.now < end; {
		s = v.next()
	}
	return s
}

func within(t *testing.T, what string, got, from, to time.Duration) {
	t.Helper()
	if got < from || got > to {
		t.Errorf("%s after %v, want %v to %v", what, got, from, to)
	}
}

// A wire that breaks in light wind: pulses end, and nothing else happens.
func TestPromise03_SilenceAfterLightWindIsDoubtful(t *testing.T) {
	for _, c := range []struct {
		wind     float64
		blew     time.Duration
		starts   float64
		doubtful bool
	}{
		{2.7, 5 * time.Minute, 0, true}, {1.2, 5 * time.Minute, 0, true}, {2.7, 30 * time.Second, 0, true},
		{0.9, 5 * time.Minute, 0, false},   // less than twice 0.5 m/s
		{0.9, 5 * time.Minute, 0.4, true},  // better cups
		{2.7, 5 * time.Minute, 1.5, false}, // worse ones
		{2.7, 3 * time.Second, 0, false},   // a turn by hand at power-up
	} {
		cfg := cupAnemometerA
		cfg.StartsAt = c.starts
		v := newVane(t, cfg)
		v.blow(c.wind, c.blew)
		doubtful, long, gone := v.quietFor(5 * time.Minute)
		if !c.doubtful {
			if doubtful+long+gone != 0 {
				t.Errorf("%+v: doubtful after %v, silent for long %v, missing %v; want a calm", c, doubtful, long, gone)
			}
			continue
		}
		within(t, "doubtful", doubtful, 9*time.Second, 10250*ms)
		within(t, "silent for long", long, 59*time.Second, 60250*ms)
		if gone != 0 {
			t.Errorf("%+v: missing after %v", c, gone)
		}
		// A real pulse shows that the wire is whole, and the mean has gone down.
		v.blow(1, 3*time.Second)
		if s := v.next(); s.Quality != rules.Good {
			t.Errorf("%+v: turned by hand: %+v", c, s)
		}
		if d, l, g := v.quietFor(5 * time.Minute); d+l+g != 0 {
			t.Errorf("%+v: doubtful again after %v, %v, %v", c, d, l, g)
		}
	}
}

// A supervised wire tells a cut from a calm, for as long as it is read.
//
//fault:row the line that shows the anemometer's wire is not read any more | wind missing after 1 s, whatever it showed last
func TestSupervisedWireTellsACutFromACalm(t *testing.T) {
	for _, invert := range []bool{false, true} {
		cfg := cupAnemometerA
		cfg.Loop = LineConfig{Fitted: true, Invert: invert}
		v := newVane(t, cfg)
		loop := func(whole bool) {
			levels := uint32(0)
			if whole != invert {
				levels = 1 << LoopBit
			}
			v.pins = AppendPins(nil, levels, false)
			v.chunk(Chunk{At: v.now, Source: Pins, Bytes: v.pins})
		}
		if s := v.next(); s.Cause != rules.NeverHeard {
			t.Errorf("invert %v, not read yet: %+v", invert, s)
		}
		loop(true)
		v.blow(2.7, 5*time.Minute)
		if d, l, g := v.quietFor(30 * time.Minute); d+l+g != 0 {
			t.Errorf("invert %v: a calm is doubtful after %v, %v, %v", invert, d, l, g)
		}
		v.blow(2.7, time.Minute)
		loop(false)
		if s := v.next(); s.Quality != rules.Missing || s.Cause != rules.WireCut {
			t.Errorf("invert %v, cut: %+v", invert, s)
		}
		// Cut for an instant between two chunks counts, and one whole chunk ends it.
		loop(true)
		if s := v.next(); s.Cause != rules.WireCut {
			t.Errorf("invert %v, whole again within the chunk: %+v", invert, s)
		}
		v.blow(2.7, time.Second)
		if s := v.next(); s.Quality != rules.Good {
			t.Errorf("invert %v, whole: %+v", invert, s)
		}
		// A level that is not read any more shows nothing.
		for _, v.pins = range [][]byte{AppendPins(nil, 0, true), nil} {
			loop := v.pins
			v.pins = AppendPins(nil, map[bool]uint32{false: 1 << LoopBit}[invert], false)
			v.blow(2.7, time.Second)
			v.pins = loop
			if s := v.blow(2.7, 2*time.Second); s.Quality != rules.Missing || s.Cause != rules.Stale {
				t.Errorf("invert %v, not read any more: %+v", invert, s)
			}
		}
	}
}

// gusty is wind along its mean with the spectrum of Kaimal, Wyngaard, Izumi and
// Coté (1972), n·S(n) ~ 105 f/(1+33f)^(5/3), f = n·z/U, from memory, at 3 m, scaled
// to a turbulence intensity: a sum of waves of random phase. It returns the speed
// at t seconds.
func gusty(rnd *rand.Rand, mean, intensity float64) func(t float64) float64 {
	const waves, z = 240, 3.0
	var freq, amp, phase [waves]float64
	var power float64
	low, high := math.Log(2e-4), math.Log(1.0)
	for i := range waves {
		n := math.Exp(low + (high-low)*(float64(i)+rnd.Float64())/waves)
		f := n * z / mean
		s := 105 * f / math.Pow(1+33*f, 5.0/3) // power of an equal share of ln n
		freq[i], amp[i], phase[i] = 2*math.Pi*n, math.Sqrt(2*s), 2*math.Pi*rnd.Float64()
		power += s
	}
	scale := intensity * mean / math.Sqrt(power)
	return func(t float64) float64 {
		v := mean
		for i := range waves {
			v += scale * amp[i] * math.Cos(freq[i]*t+phase[i])
		}
		return math.Abs(v)
	}
}

// cupAnemometerB is another published line: U = 0.447 + f/1.250, starting in 0.447 m/s
// (its operating manual, p. 33).
var cupAnemometerB = AnemometerConfig{Fitted: true, Slope: 0.8, Offset: 0.447, MaxHz: 90, MinPeriod: 2 * ms}

// day is what cups tell of eight hours of gusty air. They follow with a
// distance constant of 2 m (1.8 to 5 m are published), start in 0.5 m/s, and stand
// below the offset of their line.
func day(t *testing.T, line AnemometerConfig, mean, intensity float64) (silences, doubts int, blew float64) {
	v := newVane(t, line)
	wind := gusty(rand.New(rand.NewPCG(1, 9)), mean, intensity)
	cups, turned, still := 0.0, 0.0, 0
	was := false
	from, next := 0.0, wind(0)
	for now := 1.0; v.now < 8*time.Hour; now++ {
		from, next = next, wind(now)
		blew += next
		for k := range 20 {
			u := from + (next-from)*float64(k)/20
			cups += (u - cups) * min(1, 0.05*u/2)
			if cups < line.Offset {
				cups = 0
				if u >= 0.5 {
					cups = line.Offset
				}
			}
			if f := (cups - line.Offset) / line.Slope; f > 0 {
				if turned += 0.05 * f; turned >= 1 {
					turned--
					v.pulse(time.Duration((now - 1 + 0.05*float64(k)) * 1e9))
				}
			}
		}
		for range 4 {
			s := v.next()
			if still++; s.Value > 0 {
				still = 0
			}
			if still == 4*7 { // and three seconds before it was a calm
				silences++
			}
			is := s.Quality == rules.Doubtful && (s.Cause == rules.MayBeCut || s.Cause == rules.SilentLong)
			if is && !was {
				doubts++
			}
			was = is
		}
	}
	return silences, doubts, blew / v.now.Seconds()
}

// Cups in gusty light air stop again and again. That is no cut wire, and a sensor
// that cautions all day is one that nobody heeds.
func TestGustyLightAirIsNotDoubtedAllDay(t *testing.T) {
	total := 0
	for _, c := range []struct {
		line            AnemometerConfig
		mean, intensity float64
	}{{cupAnemometerA, 0.7, 0.5}, {cupAnemometerA, 1, 0.7}, {cupAnemometerB, 0.8, 0.5}, {cupAnemometerB, 1, 0.5}, {cupAnemometerB, 1.2, 0.7}, {cupAnemometerB, 1.5, 0.7}} {
		silences, doubts, blew := day(t, c.line, c.mean, c.intensity)
		t.Logf("mean %.2f m/s, intensity %v: silent for over 10 s %d times in 8 h, doubted %d times", blew, c.intensity, silences, doubts)
		if doubts > 3 {
			t.Errorf("mean %v m/s, intensity %v: doubted %d times", c.mean, c.intensity, doubts)
		}
		total += silences
	}
	if total < 50 {
		t.Errorf("only %d silences of over 10 s: this air shows nothing", total)
	}
}
