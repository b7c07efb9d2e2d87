package derived

import (
	"math"
	"reflect"
	"strings"
	"testing"
	"time"
	"unsafe"

	"pgregory.net/rapid"

	"downhaul/interlock/limits"
	"downhaul/rules"
)

// busy is every calculator after some minutes of lively readings, and the
// instant at which they stand.
func busy(t testing.TB) (*rig, time.Duration) { return fedFor(t, 60*15) }

// fedFor is every calculator after so many lively frames.
func fedFor(t testing.TB, frames int) (*rig, time.Duration) {
	t.Helper()
	cfg := whole()
	cfg.HeightSources = []rules.ChannelID{rules.HeightGlobal, rules.HeightLocal}
	cfg.Vote, cfg.Disagreement = Highest, 2
	calcs, err := New(cfg, all)
	if err != nil {
		t.Fatal(err)
	}
	r := &rig{calcs: calcs}
	at := time.Duration(0)
	for k := range frames {
		lively(r, at, k)
		at += ms(100)
	}
	at -= ms(100)
	return r, at
}

// lively feeds one frame of everything.
func lively(r *rig, at time.Duration, k int) {
	x := float64(k) * 0.1
	wave := func(a, w float64) float64 { return a * math.Sin(w*x) }
	r.put(at, rules.CraftBootClock, 50+x-math.Abs(wave(0.05, 3)))
	r.put(at, rules.CraftArmed, 1)
	r.put(at, rules.EstimatorFlags, 4|32)
	r.put(at, rules.HomeLatitude, 0.9)
	r.put(at, rules.HomeLongitude, 0.1)
	r.put(at, rules.HomeAltitude, 12)
	r.put(at, rules.ClimbGlobal, wave(1, 0.3))
	r.put(at, rules.HeightLocal, 4.1-math.Cos(0.3*x)/0.3)
	r.put(at, rules.HeightGlobal, 4-math.Cos(0.3*x)/0.3)
	r.put(at, rules.North, wave(2, 1.1))
	r.put(at, rules.East, wave(1, 1.3))
	r.put(at, rules.Roll, wave(0.2, 2))
	r.put(at, rules.Pitch, wave(0.1, 3))
	for id := rules.Motor1Output; id <= rules.Motor1Output+5; id++ {
		r.put(at, id, 0.6+wave(0.1, float64(id)))
		r.put(at, id+rules.Motor1Speed-rules.Motor1Output, 80+wave(5, float64(id)))
	}
	r.put(at, rules.Tension, 300+wave(100, 4))
	r.put(at+ms(25), rules.Tension, 310+wave(100, 4))
	if k%5 < 2 {
		r.put(at, rules.WindSpeed, 6+wave(3, 0.7))
	}
	if k%4 == 0 {
		amps := 15 + float64(k%3)*4 + wave(1, 2)
		r.put(at, rules.SupplyCurrent, amps)
		r.put(at, rules.SupplyVoltage, 11.8-0.002*x-0.04*amps)
		r.put(at, rules.Pack1Voltage, 11.8-0.002*x-0.04*amps)
		r.put(at, rules.Pack1LowestCell, 3.9-0.001*x-0.014*amps)
	}
}

// excused fields cannot change a later result, or only come from the Config.
var excused = map[string]string{
	"linkLag.lowest":  "the least of linkLag.least",
	"meanWind.output": "set once", "meanWind.tolerated": "set once",
	"peakWind.output": "set once",
	"climb.source":    "set once", "climb.height": "set once", "height.sources": "set once", "height.count": "set once", "height.vote": "set once",
	"height.apart": "set once", "height.climb": "set once", "height.overHome": "set once",
	"apex.errorHeight": "set once", "apex.errorClimb": "set once", "apex.stated": "set once",
	"apex.slow": "set once", "height.slow": "set once",
	"plain.trigger": "set once", "plain.output": "set once", "plain.work": "set once",
	"apex.surplus": "set once", "apex.thresholds": "set once",

	"toFloor.voltage": "set once", "toFloor.current": "set once", "toFloor.floor": "set once", "toFloor.cells": "set once",
	"resistance.voltage": "set once", "resistance.current": "set once", "resistance.span": "set once",
	"window.span": "set once", "window.period": "set once", "extreme.span": "set once", "extreme.lowest": "set once",
	"line.span":      "set once",
	"window.sum":     "the sum of the samples, which are told",
	"window.valid":   "the count of the valid samples, which are told",
	"window.doubted": "the count of the doubtful samples, which are told",
	"window.head":    "where the ring begins does not matter", "extreme.head": "where the ring begins does not matter",
	"line.head": "where the ring begins does not matter",
}

// Every field of every calculator is in its image, or excused with a reason. A
// time that no longer matters is not told, so some fields show only in
// calculators that are young.
func TestAppendStateIsComplete(t *testing.T) {
	told := map[string]bool{}
	for _, frames := range []int{1, 12, 900} {
		r, now := fedFor(t, frames)
		if frames == 12 { // home moves, and the height with it
			now += ms(100)
			r.put(now, rules.HomeAltitude, 20)
			r.put(now, rules.HeightGlobal, -4)
		}
		for _, c := range r.calcs {
			v := reflect.ValueOf(c)
			if v.Kind() == reflect.Pointer {
				walk(v.Elem(), v.Elem().Type().Name(), func() string { return string(imageOf(c, nil, now)) }, told)
				continue
			}
			for i := range v.NumField() { // a plain value has no state
				if v.Field(i).Type() != reflect.TypeFor[untimed]() {
					name := v.Type().Name() + "." + v.Type().Field(i).Name
					told[name] = false
				}
			}
		}
	}
	seen := map[string]bool{}
	for path, is := range told {
		_, name, inside := strings.Cut(path, ": ") // type and field, behind the way there
		if !inside {
			name = path
		}
		if seen[name] = true; !is && excused[name] == "" {
			t.Errorf("%s is not in the image", path)
		}
	}
	for name := range excused {
		if !seen[name] {
			t.Errorf("%s is excused, but there is no such field", name)
		}
	}
	if len(told) < 60 {
		t.Errorf("only %d fields were looked at", len(told))
	}
}

// walk changes each field in turn and notes whether the image changes, under the
// way to it: of two windows each must be told.
func walk(v reflect.Value, way string, image func() string, told map[string]bool) {
	for i := range v.NumField() {
		f := v.Field(i)
		field := v.Type().Name() + "." + v.Type().Field(i).Name
		name := way + ": " + field
		if f.Type() == reflect.TypeFor[untimed]() {
			continue
		}
		if excused[field] != "" {
			told[name] = false
			continue
		}
		f = reflect.NewAt(f.Type(), unsafe.Pointer(f.UnsafeAddr())).Elem()
		switch f.Kind() {
		case reflect.Struct:
			walk(f, way+"."+v.Type().Field(i).Name, image, told)
		case reflect.Slice, reflect.Array:
			// Some element must be in the image, with each of its parts.
			element := f.Type().Elem()
			if element.Kind() != reflect.Struct {
				told[name] = told[name] || anyTold(f.Len(), f.Index, image)
				continue
			}
			for k := range element.NumField() {
				part := name + "[]." + element.Field(k).Name
				told[part] = told[part] || anyTold(f.Len(), func(j int) reflect.Value {
					p := f.Index(j).Field(k)
					return reflect.NewAt(p.Type(), unsafe.Pointer(p.UnsafeAddr())).Elem()
				}, image)
			}
		default:
			told[name] = told[name] || anyTold(1, func(int) reflect.Value { return f }, image)
		}
	}
}

func anyTold(n int, at func(int) reflect.Value, image func() string) bool {
	for j := range n {
		v := at(j)
		if v.Kind() == reflect.Array {
			v = v.Index(0)
		}
		before, was := image(), reflect.New(v.Type()).Elem()
		was.Set(v)
		switch v.Kind() {
		case reflect.Bool:
			v.SetBool(!v.Bool())
		case reflect.Float64:
			v.SetFloat(v.Float() + 0.5)
		case reflect.Uint8:
			v.SetUint(v.Uint() + 1)
		case reflect.Int, reflect.Int64:
			v.SetInt(v.Int() - 1)
		default:
			panic(v.Kind().String())
		}
		changed := image() != before
		v.Set(was)
		if changed {
			return true
		}
	}
	return false
}

func (r *rig) image(now time.Duration) string {
	var b []byte
	for _, c := range r.calcs {
		b = imageOf(c, b, now)
	}
	return string(b)
}

func TestCloneSharesNothingThatChanges(t *testing.T) {
	r, now := busy(t)
	image := r.image(now)
	twin := r.clone()
	if twin.image(now) != image {
		t.Fatal("a clone has another image")
	}
	for k := range 200 {
		lively(twin, now+time.Duration(k+1)*ms(100), 7*k+3)
	}
	if r.image(now) != image {
		t.Fatal("what the clone was fed changed the first")
	}
	// And from the same state the same readings give the same results.
	other := r.clone()
	for k := range 200 {
		lively(other, now+time.Duration(k+1)*ms(100), 7*k+3)
	}
	if other.last != twin.last || other.image(now) != twin.image(now) {
		t.Fatal("two clones went different ways")
	}
}

// A shift in time changes neither the results nor the image.
func TestTimeShift(t *testing.T) {
	cfg := whole()
	a, err := New(cfg, all)
	if err != nil {
		t.Fatal(err)
	}
	b, _ := New(cfg, all)
	ra, rb := &rig{calcs: a}, &rig{calcs: b}
	const shift = 977*time.Hour + 12345
	for k := range 2000 {
		lively(ra, time.Duration(k)*ms(100), k)
		lively(rb, time.Duration(k)*ms(100)+shift, k)
		if ra.last != rb.last {
			for id := range ra.last {
				if ra.last[id] != rb.last[id] {
					t.Fatalf("frame %d: %v: %+v, later %+v", k, rules.ChannelID(id), ra.last[id], rb.last[id])
				}
			}
		}
	}
	now := 200 * time.Second
	if ra.image(now) != rb.image(now+shift) {
		t.Fatal("the images differ")
	}
}

// Ticks that nobody asked for change nothing.
func TestExtraTicks(t *testing.T) {
	r, now := busy(t)
	image := r.image(now)
	for _, c := range r.calcs {
		for d := time.Duration(0); d < time.Second && now+d < c.Due(); d += 7 * time.Millisecond {
			if res, ok := c.Tick(now+d, &r.t); ok {
				t.Fatalf("%v: a tick before its time gave %+v", c.Output(), res)
			}
		}
	}
	if r.image(now) != image {
		t.Fatal("ticks before their time changed the state")
	}
}

// A missing trigger gives a missing result, from every calculator.
func TestMissingTriggerGivesMissing(t *testing.T) {
	r, now := busy(t)
	for _, c := range r.calcs {
		table := r.t
		table[c.Trigger()] = limits.Reading{At: now, Cause: rules.SensorFailed}
		res, ok := c.Clone().Sample(now, &table)
		if !ok || res.Quality != rules.Missing || res.Value != 0 || res.Cause == rules.NoCause {
			t.Errorf("%v: expected a missing result with a cause, got %+v, %v", c.Output(), res, ok)
		}
	}
}

// A doubtful trigger never gives a good result.
func TestDoubtfulTriggerGivesNoGood(t *testing.T) {
	r, now := busy(t)
	for _, c := range r.calcs {
		table := r.t
		in := &table[c.Trigger()]
		in.At, in.Quality, in.Cause = now, rules.Doubtful, rules.OutOfRange
		res, ok := c.Clone().Sample(now, &table)
		if !ok || res.Quality == rules.Good || res.Cause == rules.NoCause {
			t.Errorf("%v: expected no good result, got %+v, %v", c.Output(), res, ok)
		}
	}
}

func TestBusyIsBusy(t *testing.T) {
	r, _ := busy(t)
	for _, c := range r.calcs {
		q := r.last[c.Output()].Quality
		long := c.Output() == rules.Mean10 || c.Output() == rules.Peak10 || c.Output() == rules.Lull10
		if q != rules.Good && !long && c.Output() != rules.Mean2 {
			t.Errorf("%v: expected a good value, got quality %d (%v)", c.Output(), q, r.last[c.Output()].Cause)
		}
	}
}

func TestNoAllocation(t *testing.T) {
	r, now := busy(t)
	for _, c := range r.calcs {
		at := now
		if n := testing.AllocsPerRun(2000, func() {
			at += ms(20)
			for c.Due() <= at {
				c.Tick(c.Due(), &r.t)
			}
			in := r.t[c.Trigger()]
			in.At = at
			in.Value += 1e-9
			r.t[c.Trigger()] = in
			c.Sample(at, &r.t)
		}); n != 0 {
			t.Errorf("%v: %v allocations", c.Output(), n)
		}
	}
	s := limits.NewSlope(time.Second)
	at := time.Duration(0)
	if n := testing.AllocsPerRun(2000, func() { at += ms(3); s.Add(at, 1) }); n != 0 {
		t.Errorf("slope: %v allocations", n)
	}
}

// Whatever comes in, however wild, nothing leaves that is no number (the rig
// looks at each result), and the ages in the table are kept.
func TestWildReadings(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		calcs, err := New(whole(), all)
		if err != nil {
			t.Fatalf("%v", err)
		}
		r := &rig{calcs: calcs}
		var feeds []rules.ChannelID
		for _, ch := range rules.Catalogue() {
			if ch.Derived {
				feeds = append(feeds, whole().Needs(ch.ID)...)
				feeds = append(feeds, whole().Helps(ch.ID)...)
			}
		}
		at := time.Duration(0)
		for range rapid.IntRange(1, 200).Draw(t, "readings") {
			at += time.Duration(rapid.Int64Range(0, 4e8).Draw(t, "gap"))
			id := rapid.SampledFrom(feeds).Draw(t, "channel")
			ch := id.Channel()
			switch rapid.IntRange(0, 9).Draw(t, "what") {
			case 0:
				r.miss(at, id, rules.Cause(rapid.IntRange(1, int(rules.NotIdentified)).Draw(t, "cause")))
			case 1:
				r.doubtful(at, id, rapid.Float64Range(ch.Low, ch.High).Draw(t, "value"), rules.OutOfRange)
			case 2:
				r.put(at, id, rapid.SampledFrom([]float64{ch.Low, ch.High, 0, math.SmallestNonzeroFloat64}).Draw(t, "edge"))
			default:
				r.put(at, id, rapid.Float64Range(ch.Low, ch.High).Draw(t, "value"))
			}
		}
		r.advance(at + time.Hour)
	})
}

// BenchmarkFrame is one frame of everything through every calculator.
func BenchmarkFrame(b *testing.B) {
	r, now := busy(b)
	b.ReportAllocs()
	for k := 1; b.Loop(); k++ {
		lively(r, now+time.Duration(k)*ms(100), k)
	}
}
