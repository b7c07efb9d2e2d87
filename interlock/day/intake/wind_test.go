package intake

import (
	"math"
	"testing"
	"time"

	"downhaul/interlock"
	"downhaul/rules"
)

// cupAnemometerA is the transfer line of a published cup anemometer: A0 0.27 m/s, B0
// 0.620 m (its operating manual, p. 13).
var cupAnemometerA = AnemometerConfig{Fitted: true, Slope: 0.620, Offset: 0.27, MaxHz: 130, MinPeriod: 2 * ms}

// vane turns pulses into chunks of 250 ms.
type vane struct {
	*feeder
	now   time.Duration // end of the last chunk
	edges []WindEdge    // not sent yet
	pins  []byte        // read before every chunk, if any
}

func (v *vane) pulse(at time.Duration) {
	v.edges = append(v.edges, WindEdge{At: at, Rise: true}, WindEdge{At: at + ms/2})
}

// next sends the chunk of the next 250 ms.
func (v *vane) next() interlock.Sample {
	v.t.Helper()
	v.now += 250 * ms
	n := 0
	for n < len(v.edges) && v.edges[n].At <= v.now {
		n++
	}
	if v.pins != nil {
		v.chunk(Chunk{At: v.now, Source: Pins, Bytes: v.pins})
	}
	got := v.chunk(Chunk{At: v.now, Source: Wind, Bytes: AppendWindEdges(nil, v.edges[:n])})
	v.edges = v.edges[n:]
	if len(got) != 1 || got[0].Kind != interlock.SampleInput || got[0].Sample.Channel != rules.WindSpeed {
		v.t.Fatalf("at %v: a wind chunk gave %+v, want exactly one wind sample", v.now, got)
	}
	return got[0].Sample
}

// turn adds pulses at f from the last chunk's end, for d.
func (v *vane) turn(f float64, d time.Duration) {
	for i := 1; ; i++ {
		at := time.Duration(math.Round(float64(i) * 1e9 / f))
		if at > d {
			return
		}
		v.pulse(v.now + at)
	}
}

func newVane(t testing.TB, c AnemometerConfig) *vane {
	return &vane{feeder: feed(t, Config{Anemometer: c})}
}

func TestAnemometerPublishedLines(t *testing.T) {
	const mph = 0.44704 // m/s, exact
	for _, c := range []struct {
		source        string
		slope, offset float64
		hz, want, tol float64
	}{
		{"cup anemometer A, its manual p. 13", 0.620, 0.27, 10, 6.47, 1e-6},
		{"cup anemometer A, its manual p. 13", 0.620, 0.27, 20, 12.67, 1e-6},
		{"cup anemometer B, its manual p. 33: V = 0.447 + f/1.250", 1 / 1.250, 0.447, 10, 8.447, 1e-6},
		{"cup anemometer B, its manual p. 33: V(mph) = 1.0 + f/0.5589, 18.892 mph", mph / 0.5589, mph, 10, 18.892 * mph, 1e-3},
		{"cup anemometer C, published line V = 0.765 f + 0.35: 300 pulses in 60 s", 0.765, 0.35, 300.0 / 60, 4.175, 1e-6},
		{"cup anemometer D, published line V(mph) = P·(2.25/T): 10 pulses in 2.25 s are 10 mph", 2.25 * mph, 0, 10 / 2.25, 10 * mph, 1e-6},
		// Reference speed less printed residual; the printed line is rounded.
		{"cup anemometer C, calibration certificate 1", 0.755, 0.41, 4.878, 3.958 + 0.131, 5e-3},
		{"cup anemometer C, calibration certificate 1", 0.755, 0.41, 9.963, 7.966 - 0.036, 5e-3},
		{"cup anemometer C, calibration certificate 1", 0.755, 0.41, 15.200, 11.954 - 0.071, 5e-3},
		{"cup anemometer C, calibration certificate 2", 0.756, 0.39, 4.903, 3.961 + 0.133, 5e-3},
		{"cup anemometer C, calibration certificate 2", 0.756, 0.39, 9.998, 7.957 - 0.011, 5e-3},
	} {
		v := newVane(t, AnemometerConfig{Fitted: true, Slope: c.slope, Offset: c.offset, MaxHz: 200, MinPeriod: ms})
		v.turn(c.hz, 5*time.Second)
		for i := range 20 {
			s := v.next()
			if i < 2 { // two pulses of the slowest are needed
				continue
			}
			if s.Quality != rules.Good || math.Abs(s.Value-c.want) > c.tol {
				t.Errorf("%s: sample %d at %v Hz is %+v, want %v ± %v", c.source, i, c.hz, s, c.want, c.tol)
			}
		}
	}
}

func TestTwelveSamplesAreTheThreeSecondMean(t *testing.T) {
	// Wind of 8 m/s that swings by 3 m/s in 8 s, as run of wind: the rotor
	// turns through 0.62 m a pulse of what is over its offset.
	v := newVane(t, cupAnemometerA)
	speed := func(s float64) float64 { return 8 + float64(3*math.Sin(2*math.Pi*s/8)) }
	var run float64
	for s, next := 0.0, 0.62; s < 30; s += 1e-5 {
		if run += (speed(s) - 0.27) * 1e-5; run >= next {
			v.pulse(time.Duration(s * 1e9))
			next += 0.62
		}
	}
	var last []float64
	for i := range 118 {
		s := v.next()
		last = append(last, s.Value)
		if i < 14 {
			continue
		}
		var sum, truth float64
		for _, x := range last[len(last)-12:] {
			sum += x
		}
		end := v.now.Seconds()
		for k := range 3000 {
			truth += speed(end - float64(k)/1000)
		}
		// A pulse period at 5 m/s is 0.13 s: at 2.4 m/s² the mean may be off
		// by about what the wind changes in one.
		if d := math.Abs(sum/12 - truth/3000); d > 0.2 || s.Quality != rules.Good {
			t.Fatalf("at %v the mean of 12 is %.3f, the wind's own 3 s mean %.3f", v.now, sum/12, truth/3000)
		}
	}
}

func TestNeverHeardIsNotCalm(t *testing.T) {
	v := newVane(t, cupAnemometerA)
	for range 100 {
		if s := v.next(); s.Quality != rules.Missing || s.Cause != rules.NeverHeard {
			t.Fatalf("at %v without any pulse: %+v", v.now, s)
		}
	}
	// One pulse: the line lives. What the wind does is bounded, then calm.
	v.pulse(v.now + 100*ms)
	if s := v.next(); s.Quality == rules.Good {
		t.Errorf("one pulse makes no speed: %+v", s)
	}
	for range 11 {
		if s := v.next(); s.Quality != rules.Doubtful || s.Value < 0.27 {
			t.Errorf("at %v: %+v, want a doubtful bound", v.now, s)
		}
	}
	if s := v.next(); s != (interlock.Sample{Channel: rules.WindSpeed, Quality: rules.Good}) {
		t.Errorf("3 s after one pulse: %+v, want calm", s)
	}
}

// A cut wire in a wind must not look like a lull.
// One pulse is no period: a first one that came just before its chunk was sent read as 60
// m/s and more, and the mean over 3 s of it as a gust.
func TestOnePulseIsNoWind(t *testing.T) {
	v := newVane(t, cupAnemometerA)
	v.pulse(240 * ms)
	for range 2 {
		if got := v.next(); got.Quality != rules.Doubtful || got.Value > 0.27+0.62/0.25 {
			t.Errorf("at %v, one pulse: %+v", v.now, got)
		}
	}
	v.pulse(600 * ms)
	if got := v.next(); got.Quality != rules.Good || math.Abs(got.Value-(0.27+0.62/0.36)) > 1e-9 {
		t.Errorf("one period of 360 ms: %+v", got)
	}
}

func TestPromise03_SilenceOfTheAnemometerClearsNothing(t *testing.T) {
	for _, hz := range []float64{4.5, 10, 17.3, 60} {
		v := newVane(t, cupAnemometerA)
		v.turn(hz, 10*time.Second)
		full := cupAnemometerA.Offset + float64(cupAnemometerA.Slope*hz)
		for range 40 {
			v.next()
		}
		cut := v.now
		for v.now < cut+60*time.Second {
			s := v.next()
			if s.Quality == rules.Good && s.Value < full-1e-9 && v.now-cut > time.Duration(silentPeriods*1e9/hz) {
				t.Fatalf("%v Hz, %v after the cut: good %v m/s, lower than the last", hz, v.now-cut, s.Value)
			}
			if v.now-cut >= 3500*ms && (s.Quality != rules.Missing || s.Cause != rules.SensorFailed) {
				t.Fatalf("%v Hz, %v after the cut: %+v, want a failed sensor", hz, v.now-cut, s)
			}
		}
		// Back again: the silence is no period.
		v.turn(hz, 2*time.Second)
		for i := range 8 {
			s := v.next()
			if s.Quality == rules.Good && math.Abs(s.Value-full) > 1e-3 {
				t.Errorf("%v Hz, back again: good %v m/s, want %v", hz, s.Value, full)
			}
			if i > 2 && s.Quality != rules.Good {
				t.Errorf("%v Hz, back again, sample %d: %+v", hz, i, s)
			}
		}
	}
}

func TestFailedAnemometerNeedsANewPeriod(t *testing.T) {
	c := cupAnemometerA
	c.StillAfter = 300 * ms
	v := newVane(t, c)
	v.turn(5, time.Second) // 3.37 m/s
	for range 5 {
		v.next()
	}
	if s := v.next(); s.Cause != rules.SensorFailed {
		t.Fatalf("500 ms after the last pulse: %+v", s)
	}
	v.pulse(v.now + 80*ms) // 580 ms after the last: a silence, no period
	if s := v.next(); s.Cause != rules.SensorFailed {
		t.Errorf("one pulse: %+v, want the sensor still failed", s)
	}
	v.pulse(v.now + 20*ms)
	v.pulse(v.now + 240*ms)
	if s := v.next(); s.Quality != rules.Good || math.Abs(s.Value-(0.27+0.62/0.205)) > 1e-6 {
		t.Errorf("two periods in 410 ms: %+v", s)
	}
	// And then a chunk without a pulse holds the speed, it is no failure.
	if s := v.next(); s.Quality != rules.Good || s.Value < 2.6 {
		t.Errorf("the chunk after: %+v", s)
	}
}

func TestLostChunkBreaksThePeriod(t *testing.T) {
	v := newVane(t, cupAnemometerA)
	v.turn(2, 2*time.Second) // 1.51 m/s
	for range 8 {
		v.next()
	}
	// The pulse at 2.5 s is in the lost chunks.
	at := 3 * time.Second
	b := AppendWindEdges(nil, []WindEdge{{At: at, Rise: true}})
	got := v.chunk(Chunk{At: at, Source: Wind, Lost: 3, Bytes: b})
	if s := got[1].Sample; s.Quality != rules.Doubtful || math.Abs(s.Value-1.51) > 1e-6 {
		t.Errorf("after lost chunks: %+v, want a doubtful 1.51", s)
	}
}

func TestWindDiesDownToCalm(t *testing.T) {
	v := newVane(t, cupAnemometerA)
	at := time.Duration(0)
	for p := 100 * ms; p < 2*time.Second; p += p / 6 { // slower and slower
		at += p
		v.pulse(at)
	}
	before := 99.0
	for v.now < at+10*time.Second {
		s := v.next()
		if v.now < 500*ms {
			continue
		}
		if s.Quality != rules.Good {
			t.Fatalf("at %v: %+v; a rotor that runs down is no fault", v.now, s)
		}
		if s.Value > before+1e-9 {
			t.Fatalf("at %v: %v m/s after %v, but it only slows", v.now, s.Value, before)
		}
		before = s.Value
		if still := v.now-at >= 3*time.Second; still != (s.Value == 0) {
			t.Fatalf("at %v (last pulse %v): %v m/s", v.now, at, s.Value)
		}
	}
	// And turns again.
	v.turn(10, 2*time.Second)
	v.next()
	if s := v.next(); s.Quality != rules.Good || math.Abs(s.Value-6.47) > 1e-6 {
		t.Errorf("after a calm: %+v, want 6.47", s)
	}
}

func TestBounceAndNoise(t *testing.T) {
	v := newVane(t, cupAnemometerA)
	for at := 100 * ms; at < 3*time.Second; at += 100 * ms {
		v.pulse(at)
		for b := range 5 { // bounces for 1.5 ms
			v.edges = append(v.edges, WindEdge{At: at + time.Duration(b+1)*300*time.Microsecond, Rise: true})
		}
	}
	for range 11 {
		if s := v.next(); v.now > 500*ms && math.Abs(s.Value-6.47) > 1e-6 {
			t.Errorf("with bounces: %+v, want 6.47", s)
		}
	}
	if n := v.in.Counts().Bounces; n < 100 {
		t.Errorf("%d bounces counted", n)
	}
	// A pulse longer than a bounce but sooner than the rotor can turn.
	v = newVane(t, cupAnemometerA)
	v.turn(10, time.Second)
	v.next()
	v.edges = []WindEdge{{At: 300 * ms, Rise: true}, {At: 400 * ms, Rise: true}, {At: 403 * ms, Rise: true}}
	if s := v.next(); s.Quality != rules.Missing || s.Cause != rules.Implausible {
		t.Errorf("a period of 3 ms (limit 130 Hz): %+v, want implausible", s)
	}
}

func TestFallingEdges(t *testing.T) {
	c := cupAnemometerA
	c.OnFall = true
	v := newVane(t, c)
	for i := range 20 {
		at := time.Duration(i+1) * 100 * ms
		// The rising edges jitter, the falling ones do not.
		v.edges = append(v.edges, WindEdge{At: at - time.Duration(i%3)*10*ms - 20*ms, Rise: true}, WindEdge{At: at})
	}
	v.next()
	for range 6 {
		if s := v.next(); math.Abs(s.Value-6.47) > 1e-6 {
			t.Errorf("%+v, want 6.47", s)
		}
	}
}

func TestLostAndFailedEdges(t *testing.T) {
	start := func() *vane {
		v := newVane(t, cupAnemometerA)
		v.turn(10, time.Second)
		for range 4 {
			v.next()
		}
		return v
	}
	edge := func(v *vane, d time.Duration, e WindEdge) { e.At = v.now + d; v.edges = append(v.edges, e) }

	v := start()
	edge(v, 90*ms, WindEdge{Rise: true, Lost: 3})
	edge(v, 190*ms, WindEdge{Rise: true})
	if s := v.next(); s.Quality != rules.Doubtful || math.Abs(s.Value-6.47) > 1e-6 {
		t.Errorf("lost edges: %+v, want a doubtful 6.47", s)
	}
	if n := v.in.Counts().LostEdges; n != 3 {
		t.Errorf("%d lost edges counted, want 3", n)
	}

	// A lost chunk: the period over the gap would read low.
	v = start()
	v.now += 750 * ms
	edge(v, 0, WindEdge{Rise: true})
	edge(v, 100*ms, WindEdge{Rise: true})
	got := v.chunk(Chunk{At: v.now + 250*ms, Source: Wind, Lost: 3, Bytes: AppendWindEdges(nil, v.edges)})
	if len(got) != 2 || got[0].Host != interlock.HostLost || got[1].Sample.Quality != rules.Doubtful || math.Abs(got[1].Sample.Value-6.47) > 1e-6 {
		t.Errorf("after lost chunks: %+v", got)
	}

	v = start()
	edge(v, 10*ms, WindEdge{Failed: true})
	if s := v.next(); s.Quality != rules.Missing || s.Cause != rules.SensorFailed {
		t.Errorf("a failed read: %+v", s)
	}
	if n := v.in.Counts().FailedReads; n != 1 {
		t.Errorf("%d failed reads counted, want 1", n)
	}

	// Reads fail for 5 s after a light wind: the time without eyes is no calm.
	v = newVane(t, cupAnemometerA)
	v.turn(3, 2*time.Second)
	for range 8 {
		v.next()
	}
	for range 20 {
		edge(v, 10*ms, WindEdge{Failed: true})
		v.next()
	}
	if s := v.next(); s.Quality == rules.Good && s.Value == 0 {
		t.Errorf("250 ms after the line came back: %+v, want no calm yet", s)
	}

	// Records that are none.
	v = start()
	b := AppendWindEdges(nil, []WindEdge{{At: v.now + 50*ms, Rise: true}, {At: v.now + 150*ms, Rise: true}})
	for _, c := range []struct {
		what string
		b    []byte
	}{
		{"a cut record", b[:len(b)-1]},
		{"unknown flags", append([]byte{0, 0, 0, 0, 0, 0, 0, 0, 4, 0, 0}, b...)},
		{"an edge after its chunk", AppendWindEdges(nil, []WindEdge{{At: v.now + time.Hour, Rise: true}})},
		{"an edge before the last", AppendWindEdges(nil, []WindEdge{{At: 1, Rise: true}})},
		{"an edge before the session", AppendWindEdges(nil, []WindEdge{{At: -1, Rise: true}})},
	} {
		before := v.in.Counts().BadRecords
		got := v.chunk(Chunk{At: v.now + 250*ms, Source: Wind, Bytes: c.b})
		if len(got) != 1 || got[0].Sample.Quality == rules.Good || v.in.Counts().BadRecords != before+1 {
			t.Errorf("%s: %+v, want one sample that is not good, and a count", c.what, got)
		}
	}
}

func TestMissedPulseIsNotALull(t *testing.T) {
	v := newVane(t, cupAnemometerA)
	v.turn(20, time.Second) // 12.67 m/s, a pulse every 50 ms
	for range 4 {
		v.next()
	}
	v.pulse(v.now + 240*ms) // no rotor slows so
	if s := v.next(); s.Quality == rules.Good {
		t.Errorf("one period of 240 ms after 50 ms: %+v, want no good value", s)
	}
	v.pulse(v.now + 230*ms) // confirmed by the next
	if s := v.next(); s.Quality != rules.Good || math.Abs(s.Value-(0.27+0.62/0.240)) > 1e-6 {
		t.Errorf("confirmed: %+v", s)
	}
}

func TestNoAnemometer(t *testing.T) {
	f := feed(t, Config{})
	if got := f.chunk(Chunk{Source: Wind, Bytes: AppendWindEdges(nil, []WindEdge{{At: 0, Rise: true}})}); len(got) != 0 {
		t.Errorf("a pad without an anemometer gave %+v", got)
	}
}

func TestWindEdgeRoundTrip(t *testing.T) {
	want := []WindEdge{{At: 1, Rise: true}, {At: math.MaxInt64, Lost: 65535}, {At: -5, Failed: true, Lost: 7}}
	b := AppendWindEdges(nil, want)
	if len(b) != len(want)*WindEdgeSize {
		t.Fatalf("%d bytes", len(b))
	}
	for i, w := range want {
		if e, ok := DecodeWindEdge(b[i*WindEdgeSize:]); !ok || e != w {
			t.Errorf("%+v came back as %+v %v", w, e, ok)
		}
	}
}
