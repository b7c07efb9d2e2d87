package intake

import (
	"math"
	"testing"
	"time"

	"github.com/bluenviron/gomavlib/v3/pkg/dialects/common"
	"pgregory.net/rapid"

	"downhaul/interlock"
	"downhaul/interlock/day/telemetry"
	"downhaul/rules"
)

// What a repeater sends again must not be taken for a craft that goes on behind a
// long gap: only three frames in order, at most 55 numbers apart each, with a boot
// clock that moved on within them, are that.
func TestOnlyARunInOrderIsAdopted(t *testing.T) {
	type frame struct {
		seq   uint8
		moved bool
	}
	const head = 200 // 0 to 143 are not ahead of it
	for name, c := range map[string]struct {
		frames []frame
		want   uint8
	}{
		"one after the other":            {[]frame{{10, true}, {11, false}, {12, false}}, 12},
		"the clock moves on at the last": {[]frame{{10, false}, {11, false}, {12, true}}, 12},
		"55 apart":                       {[]frame{{10, true}, {65, true}, {120, true}}, 120},
		"56 apart":                       {[]frame{{10, true}, {66, true}, {122, true}}, head},
		"the same number again":          {[]frame{{10, true}, {10, true}, {10, true}, {10, true}}, head},
		"running back":                   {[]frame{{30, true}, {20, true}, {10, true}, {5, true}}, head},
		"two":                            {[]frame{{10, true}, {11, true}}, head},
		"no clock that moves on":         {[]frame{{10, false}, {11, false}, {12, false}, {13, false}}, head},
		"a clock that moved on before the run was broken":    {[]frame{{10, true}, {11, false}, {100, false}, {101, false}, {102, false}}, head},
		"a clock that moved on before the craft itself came": {[]frame{{10, true}, {11, false}, {201, false}, {12, false}, {13, false}, {14, false}}, 201},
		"begun anew at the break":                            {[]frame{{10, true}, {11, false}, {100, true}, {101, false}, {102, false}}, 102},
		"a step ahead of the newest":                         {[]frame{{255, false}}, 255},
		"two steps too far ahead":                            {[]frame{{0, false}}, head},
	} {
		var p past
		p.take(0, head, 1, true, true)
		for i, f := range c.frames {
			p.take(0, f.seq, uint64(i+2), f.moved, false)
		}
		if p.head != c.want {
			t.Errorf("%s: the newest number is %d, want %d", name, p.head, c.want)
		}
	}
	// Under one number the last four frames are remembered.
	var p past
	for i := range uint64(7) {
		p.take(0, 7, 100+i, true, false)
	}
	for i := range uint64(7) {
		if p.has(7, 100+i) != (i > 2) {
			t.Errorf("frame %d of seven under one number is remembered: %v", i, i <= 2)
		}
	}
}

// The charge is held against the current only over a time in which every current was
// told: one that is missing begins it anew, one that is in doubt for its size does not.
func TestChargeIsCountedOverWhatWasTold(t *testing.T) {
	amps := func(v float64, q rules.Quality) *interlock.Sample { return &interlock.Sample{Quality: q, Value: v} }
	for name, c := range map[string]struct {
		between *interlock.Sample
		want    bool
	}{
		"told": {amps(100, rules.Good), true}, "doubtful": {amps(100, rules.Doubtful), true}, "at the offset of a sensor": {amps(-5, rules.Doubtful), true},
		"missing": {amps(0, rules.Missing), false}, "negative past any offset": {amps(-5.1, rules.Doubtful), false},
	} {
		var w wrapping
		w.count(0, amps(100, rules.Good), 0)
		w.count(2*time.Second, c.between, 200)
		w.count(5*time.Second, amps(100, rules.Good), 10_000)
		if w.past != c.want {
			t.Errorf("%s in between: past its field %v, want %v", name, w.past, c.want)
		}
	}
	for gap, want := range map[time.Duration]bool{chargeFor: true, chargeFor + 1: false} {
		var w wrapping
		w.count(0, amps(100, rules.Good), 0)
		if w.count(gap, amps(100, rules.Good), 1e6); w.past != want {
			t.Errorf("after %v without a current: past its field %v, want %v", gap, w.past, want)
		}
	}
	// The sum is of the mean of two neighbours: 0 to 200 A in 5 s are 500 A·s.
	for charge, want := range map[float64]bool{500 + 1500: false, 500 + 1501: true} {
		var w wrapping
		w.count(0, amps(0, rules.Good), 0)
		if w.count(5*time.Second, amps(200, rules.Good), charge); w.past != want {
			t.Errorf("%v A·s: past its field %v, want %v", charge, w.past, want)
		}
		// And begins anew behind each verdict.
		w.past = false
		w.count(9*time.Second, amps(200, rules.Good), charge+1e6)
		if w.past {
			t.Error("4 s behind a verdict there is another")
		}
		if w.count(10*time.Second, amps(200, rules.Good), charge+1000+1500); w.past {
			t.Error("5 s behind a verdict the charge of before counts")
		}
	}
	// A charge that runs back is a sender that began anew.
	w := wrapping{past: true}
	w.count(0, amps(1, rules.Good), 1000)
	w.count(4*time.Second, amps(1, rules.Good), 10)
	if w.count(5*time.Second, amps(1, rules.Good), 11); !w.past {
		t.Error("a count that began anew within 5 s vouches for the current")
	}
}

// turning feeds single pulses and empty chunks at times of its own.
type turning struct {
	*feeder
	last interlock.Sample
}

func newTurning(t *testing.T, slope float64, change func(*AnemometerConfig)) *turning {
	c := AnemometerConfig{Fitted: true, Slope: slope, MaxHz: 1000}
	if change != nil {
		change(&c)
	}
	return &turning{feeder: feed(t, Config{Anemometer: c})}
}

// until sends a chunk at that time with pulses in it.
func (v *turning) until(at time.Duration, pulses ...time.Duration) interlock.Sample {
	v.t.Helper()
	var edges []WindEdge
	for _, p := range pulses {
		edges = append(edges, WindEdge{At: p, Rise: true})
	}
	v.last, _ = value(v.chunk(Chunk{At: at, Source: Wind, Bytes: AppendWindEdges(nil, edges)}), rules.WindSpeed)
	return v.last
}

// A fast rotor may take three times its last period; what takes longer is a pulse
// that was missed, and silence is doubted from there on. Three metres a second is not
// fast: cups stop from there without a fault.
func TestThreePeriodsAndThreeMetresASecond(t *testing.T) {
	const p = 100 * ms
	for _, c := range []struct {
		slope float64 // 10 pulses a second
		gap   time.Duration
		want  rules.Cause
	}{
		{0.4, 3 * p, rules.NoCause}, {0.4, 3*p + 2, rules.NoCause}, {0.4, 3*p + 3, rules.Disagreement}, {0.3, 3*p + 3, rules.NoCause}, {0.3001, 3*p + 3, rules.Disagreement},
		{0.3, 40 * p, rules.NoCause},
	} {
		v := newTurning(t, c.slope, func(a *AnemometerConfig) { a.StillAfter = time.Minute })
		v.until(p, 0, p)
		if s := v.until(p+c.gap, p+c.gap); s.Cause != c.want {
			t.Errorf("slope %v, a period of %v after one of %v: %+v, want %q", c.slope, c.gap, p, s, c.want)
		}
		want := c.want
		if want == rules.Disagreement {
			want = rules.Stale
		}
		v = newTurning(t, c.slope, func(a *AnemometerConfig) { a.StillAfter = time.Minute })
		v.until(p, 0, p)
		if s := v.until(p + c.gap); s.Cause != want || math.Abs(s.Value-c.slope/c.gap.Seconds()) > 1e-9 {
			t.Errorf("slope %v, silent for %v after a period of %v: %+v, want %q", c.slope, c.gap, p, s, want)
		}
	}
	// From StillAfter on it stands: a fault where it was fast, a calm where not.
	for _, c := range []struct {
		slope float64
		quiet time.Duration
		want  interlock.Sample
	}{
		{0.3, time.Second - 1, interlock.Sample{Quality: rules.Good, Value: 0.3 / (time.Second - 1).Seconds()}},
		{0.3, time.Second, interlock.Sample{Quality: rules.Good}},
		{0.3001, time.Second, missing(0, rules.SensorFailed)},
		{0.3001, time.Second - 1, interlock.Sample{Quality: rules.Doubtful, Cause: rules.Stale, Value: 0.3001 / (time.Second - 1).Seconds()}},
	} {
		v := newTurning(t, c.slope, func(a *AnemometerConfig) { a.StillAfter = time.Second })
		v.until(p, 0, p)
		s := v.until(p + c.quiet)
		if c.want.Channel = rules.WindSpeed; s.Channel != c.want.Channel || s.Quality != c.want.Quality || s.Cause != c.want.Cause || math.Abs(s.Value-c.want.Value) > 1e-12 {
			t.Errorf("slope %v, silent for %v: %+v, want %+v", c.slope, c.quiet, s, c.want)
		}
	}
}

// A pulse counts from the end of the bounce time on, up to its chunk's own time; one
// at the time of the last is a bounce; the shortest period is the rotor's own.
func TestPulseAtItsBorders(t *testing.T) {
	for _, c := range []struct {
		second  time.Duration
		bounces uint64
		want    rules.Cause
	}{{0, 1, rules.NotFilled}, {2*ms - 1, 1, rules.NotFilled}, {2 * ms, 0, rules.Implausible}, {10*ms - 1, 0, rules.Implausible}, {10 * ms, 0, rules.NoCause}, {250 * ms, 0, rules.NoCause}} {
		v := newTurning(t, 0.01, func(a *AnemometerConfig) { a.MaxHz, a.MinPeriod = 100, 2*ms })
		s := v.until(250*ms, 0, c.second)
		if n := v.in.Counts(); s.Cause != c.want || n.Bounces != c.bounces || n.BadRecords != 0 {
			t.Errorf("a second pulse after %v: %+v, %+v", c.second, s, n)
		}
	}
	// One pulse alone, at the very end of its chunk, bounds nothing; a nanosecond later
	// it does.
	v := newTurning(t, 0.3, nil)
	if s := v.until(250*ms, 250*ms); s != missing(rules.WindSpeed, rules.NotFilled) {
		t.Errorf("one pulse: %+v", s)
	}
	if s := v.until(500 * ms); s.Quality != rules.Doubtful || s.Cause != rules.NotFilled || s.Value != 0.3/0.25 {
		t.Errorf("250 ms behind it: %+v", s)
	}
	// After a failed sensor a period of StillAfter is a silence, a shorter one counts.
	for p, want := range map[time.Duration]rules.Quality{time.Second - 1: rules.Good, time.Second: rules.Missing} {
		v := newTurning(t, 1, func(a *AnemometerConfig) { a.StillAfter = time.Second })
		v.until(100*ms, 0, 100*ms)
		v.until(1100 * ms) // failed
		if v.last.Cause != rules.SensorFailed {
			t.Fatalf("%+v", v.last)
		}
		w := &v.in.decoder.(*decoder).wind
		w.last, w.period = 1200*ms-p, time.Second
		if s := v.until(1200*ms, 1200*ms); s.Quality != want {
			t.Errorf("back after %v: %+v", p, s)
		}
	}
}

// A level of the supervised wire counts for a second; the pulses are held against
// the loop's own time every ten seconds.
func TestLoopAndCompareAtTheirTimes(t *testing.T) {
	for age, want := range map[time.Duration]rules.Cause{loopKeeps: rules.NoCause, loopKeeps + 1: rules.Stale} {
		f := feed(t, Config{Anemometer: AnemometerConfig{Fitted: true, Slope: 0.1, MaxHz: 100, Loop: LineConfig{Fitted: true}}})
		f.chunk(Chunk{Source: Pins, Bytes: AppendPins(nil, 1<<LoopBit, false)})
		edges := AppendWindEdges(nil, []WindEdge{{Rise: true}, {At: 500 * ms, Rise: true}})
		s, _ := value(f.chunk(Chunk{At: age, Source: Wind, Bytes: edges}), rules.WindSpeed)
		if s.Cause != want {
			t.Errorf("a level of %v ago: %+v", age, s)
		}
	}
	for loop, want := range map[time.Duration]bool{compareEvery - 1: false, compareEvery: true} {
		w := wind{checking: true, last: time.Minute}
		if w.compare(loop); w.apart != want || want != (w.checkAt == loop) {
			t.Errorf("after %v it is compared: %v", loop, w.apart)
		}
	}
}

// What blew in the last two minutes, up to the last pulse, by a list of every sample.
func TestWindyIsTheMeanOfTwoMinutes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		type told struct {
			share   int64
			v       float64
			longest time.Duration
		}
		var w windy
		var all []told
		at := time.Duration(rapid.IntRange(0, 1e6).Draw(t, "start"))
		from := at
		for range rapid.IntRange(1, 60).Draw(t, "chunks") {
			s := interlock.Sample{Quality: rules.Good, Value: float64(rapid.IntRange(0, 20).Draw(t, "speed"))}
			if rapid.IntRange(0, 4).Draw(t, "quality") == 0 {
				s = interlock.Sample{Quality: rules.Missing}
			}
			pulsed := rapid.Bool().Draw(t, "pulsed")
			period := time.Duration(rapid.Int64Range(1, 9e9).Draw(t, "period"))
			w.take(at, s, pulsed, period)
			one := told{share: int64((at - from) / (10 * time.Second)), v: s.Value}
			if pulsed {
				one.longest = period
			}
			all = append(all, one)
			if pulsed {
				var sum, n float64
				var longest time.Duration
				for _, x := range all {
					if x.share > one.share-12 {
						sum, n, longest = sum+x.v, n+1, max(longest, x.longest)
					}
				}
				mean := sum / n
				if at-from < time.Minute {
					mean *= (at - from).Seconds() / 60
				}
				if math.Abs(w.before-mean) > 1e-9 || w.longest != longest || w.last != s.Value {
					t.Fatalf("at %v: %v m/s, longest %v, last %v; want %v, %v, %v", at-from, w.before, w.longest, w.last, mean, longest, s.Value)
				}
			}
			at += rapid.SampledFrom([]time.Duration{250 * ms, time.Second, 10*time.Second - 1, 10 * time.Second, 60 * time.Second, 110 * time.Second, 120 * time.Second, 130 * time.Second, time.Hour}).Draw(t, "step")
		}
	})
}

// The share of lost frames, once a second, by a list of every frame: of the second
// at hand and the ten whole ones before it.
func TestLossIsThatOfTenSeconds(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var l loss
		heard, lost := map[int64]float64{}, map[int64]float64{}
		at, seq := time.Duration(rapid.Int64Range(0, 3e9).Draw(t, "start")), uint8(0)
		before := int64(-1)
		for i := range rapid.IntRange(2, 40).Draw(t, "frames") {
			gap := uint8(0)
			if i > 0 {
				at += rapid.SampledFrom([]time.Duration{1, 300 * ms, time.Second - 1, time.Second, 1300 * ms, 9 * time.Second, 10 * time.Second, 11 * time.Second, 12 * time.Second, time.Minute}).Draw(t, "step")
				gap = uint8(rapid.IntRange(0, lossReorder-1).Draw(t, "gap"))
			}
			restarted := i > 0 && rapid.IntRange(0, 9).Draw(t, "restarted") == 0
			seq += gap + 1
			second := int64(at / time.Second)
			s, ok := l.take(at, seq, restarted)
			heard[second]++
			if i > 0 && !restarted {
				lost[second] += float64(gap)
			}
			if want := i > 0 && second > before; ok != want {
				t.Fatalf("at %v it is told: %v", at, ok)
			}
			before = second
			if !ok {
				continue
			}
			var h, n float64
			for k := second - 10; k <= second; k++ {
				h, n = h+heard[k], n+lost[k]
			}
			if s.Channel != rules.LinkLoss || s.Value != n/(h+n) {
				t.Fatalf("at %v: %+v, want %v of %v", at, s, n, h+n)
			}
		}
	})
	// An overtaken frame counts as heard.
	var l loss
	l.take(0, 1, false)
	l.take(ms, 4, false)
	if l.overtaken(); l.heard[0] != 3 || l.lost[0] != 1 {
		t.Errorf("heard %d, lost %d", l.heard[0], l.lost[0])
	}
}

// One chunk that was lost is told, of whatever source, and nothing behind it
// finishes what stood before it.
func TestOneLostChunkIsTold(t *testing.T) {
	for source := Telemetry; source <= HostEvent; source++ {
		f := feed(t, Config{})
		got := f.chunk(Chunk{Source: source, Lost: 1, Bytes: EncodeHost(nil, HostMessage{Host: interlock.HostMark})})
		if len(got) == 0 || got[0] != (interlock.Input{Kind: interlock.HostInput, Host: interlock.HostLost, On: true, Seq: 1}) || f.in.Counts().LostChunks != 1 {
			t.Errorf("source %d: %+v, %d counted", source, got, f.in.Counts().LostChunks)
		}
	}
	f := feed(t, Config{})
	if got := f.chunk(Chunk{Source: Decisions, Lost: 1}); got != nil || f.in.Counts().LostChunks != 0 {
		t.Errorf("what the engine said itself: %+v", got)
	}
	craft := sender{system: 1, component: 1}
	whole := craft.frame(attitude(1000, 0.25))
	for lost, want := range []int{1, 0} {
		f := feed(t, Config{Links: []LinkConfig{{Stream: true}}})
		f.chunk(Chunk{Source: Telemetry, Bytes: whole[:10]})
		if got := f.chunk(Chunk{Source: Telemetry, Lost: uint32(lost), Bytes: whole[10:]}); has(got, interlock.FrameInput) != want {
			t.Errorf("%d chunks lost in the midst of a frame: %+v", lost, got)
		}
	}
}

// Every frame that comes is counted in one place, and in no other.
func TestEveryFrameIsCountedOnce(t *testing.T) {
	craft, radio, other := sender{system: 1, component: 1}, sender{system: 51, component: 68}, sender{system: 9, component: 1}
	var others []uint8 // a radio is counted among them, and is nobody
	f := feed(t, Config{Links: []LinkConfig{{From: addrA}}, Other: func(system, _ uint8) { others = append(others, system) }})
	want := LinkCounts{}
	step := func(what string, at time.Duration, from LinkConfig, b []byte, changed *uint64) {
		t.Helper()
		*changed++
		f.datagram(at, from.From, b)
		if got := f.in.Counts().Links[0]; got != want {
			t.Errorf("%s: %+v, want %+v", what, got, want)
		}
	}
	a, b := LinkConfig{From: addrA}, LinkConfig{From: addrB}
	status := &common.MessageRadioStatus{Rssi: 200, Remrssi: 190, Rxerrors: 3}
	step("a radio before the craft", 0, a, radio.frame(status), &want.Others)
	step("the craft's radio from elsewhere", 0, b, craft.frame(status), &want.WrongAddress)
	step("the craft", ms, a, craft.frame(attitude(5000, 0)), &want.Frames)
	step("its radio", ms, a, radio.frame(status), &want.Radio)
	step("the craft from elsewhere", ms, b, craft.frame(attitude(5001, 0)), &want.WrongAddress)
	step("its radio from elsewhere", ms, b, radio.frame(status), &want.Others)
	step("the same clock", 2*ms, a, craft.frame(attitude(5000, 0)), &want.Repeated)
	step("a clock just behind", 3*ms, a, craft.frame(attitude(4999, 0)), &want.Late)
	step("another", 4*ms, a, other.frame(heartbeat()), &want.Others)
	want.Frames++ // which it is too
	step("a clock behind, up for longer than silent", 5*ms, a, craft.frame(attitude(4000, 0)), &want.Restarts)
	if len(others) != 1 || others[0] != 9 {
		t.Errorf("the others: %v", others)
	}
}

// A declared motor's four must be told of; the age of each four counts by itself.
func TestFoursAtTheirBorders(t *testing.T) {
	for motors := range 17 {
		in, err := New(Config{Craft: Craft{1, 1}, Links: make([]LinkConfig, 1), Fields: telemetry.FieldsConfig{Motors: motors}})
		if err != nil {
			t.Fatal(err)
		}
		if got, want := in.decoder.(*decoder).controllers.declared, int(math.Ceil(float64(motors)/4)); got != want {
			t.Errorf("%d motors are %d fours, want %d", motors, got, want)
		}
	}
	stale := rules.ESCVoltage.Stale()
	for age, want := range map[time.Duration]interlock.Sample{stale: {Channel: rules.ESCVoltage, Quality: rules.Good, Value: 20}, stale + 1: missing(rules.ESCVoltage, rules.Stale)} {
		var c controllers
		c.join([]interlock.Input{sampleInput(interlock.Sample{Channel: rules.ESCVoltage, Quality: rules.Good, Value: 20})}, 0, 0)
		if got := c.join([]interlock.Input{sampleInput(interlock.Sample{Channel: rules.ESCVoltage, Quality: rules.Good, Value: 30})}, 4, age); got[0].Sample != want {
			t.Errorf("the first four is %v old: %+v, want %+v", age, got[0].Sample, want)
		}
	}
	// What is missing in one four, and what another adds.
	for id, want := range map[rules.ChannelID]float64{rules.ESCVoltage: 5, rules.ESCCurrent: 11, rules.ESCTemperature: 6, rules.ESCFailures: 7} {
		var c controllers
		c.join([]interlock.Input{sampleInput(interlock.Sample{Channel: id, Quality: rules.Good, Value: 6})}, 12, 0)
		if got := c.join([]interlock.Input{sampleInput(interlock.Sample{Channel: id, Quality: rules.Good, Value: 5})}, 8, 0); got[0].Sample.Value != want {
			t.Errorf("%s of 6 and 5 is %v, want %v", id, got[0].Sample.Value, want)
		}
	}
}
