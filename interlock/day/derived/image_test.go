package derived

import (
	"math"
	"testing"
	"time"

	"downhaul/interlock/limits"
	"downhaul/rules"
)

// What has left a window for good must not show in its image: two histories
// that differ only there are one state.
func TestImageForgetsWhatLeft(t *testing.T) {
	const period = 100 * time.Millisecond
	feed := func(old float64, silence time.Duration) [4]string {
		w := newWindow(time.Second, period)
		e := newExtreme(time.Second, period, false)
		l := newLine(time.Second, 64)
		s := limits.NewSlope(time.Second)
		at := time.Duration(0)
		for k := range 60 {
			v := old
			if k >= 30 {
				v = 5 - 0.1*float64(k)
			}
			at = time.Duration(k) * period
			w.add(at, v, true)
			e.add(at, v)
			l.add(at, v)
			s.Add(at, v)
		}
		now := at + silence
		return [4]string{
			string(w.appendState(nil, now)), string(e.appendState(nil, now)),
			string(l.appendState(nil, now)), string(s.AppendState(nil, now)),
		}
	}
	for _, silence := range []time.Duration{0, period, period/2 + 1, 950 * time.Millisecond, time.Minute} {
		a, b := feed(77, silence), feed(3, silence)
		for i, name := range []string{"window", "extreme", "line", "slope"} {
			if a[i] != b[i] {
				t.Errorf("%s: after %v the image tells of what has left", name, silence)
			}
		}
	}
	empty := newWindow(time.Second, period)
	if got := feed(1, time.Minute); got[0] != string(empty.appendState(nil, 0)) || len(got[1]) != 8 || len(got[2]) != 8 {
		t.Error("after a minute of silence the images are not those of nothing kept")
	}
	if a := feed(1, 0); len(a[0]) != 8+8+10*18 || len(a[2]) != 8+11*16 {
		t.Errorf("expected 10 samples in the window and 11 on the line, got images of %d and %d bytes", len(a[0]), len(a[2]))
	}
}

// The image of the lag after a silence is the one it would have if it had been
// told the time.
func TestImageOfLagAfterSilence(t *testing.T) {
	r := newRig(t, whole(), rules.LinkLag)
	at := time.Duration(0)
	for k := range 3000 {
		at = time.Duration(k) * ms(250)
		r.put(at, rules.CraftBootClock, seconds(at)-0.01*float64(k%17))
	}
	for _, silence := range []time.Duration{0, 3 * time.Second, 10 * time.Second, 25 * time.Second, 590 * time.Second, 600 * time.Second, time.Hour} {
		l := r.calcs[0].(*linkLag)
		told := l.Clone().(*linkLag)
		told.advance(at + silence)
		if string(l.AppendState(nil, at+silence)) != string(told.AppendState(nil, at+silence)) {
			t.Errorf("after %v the images differ", silence)
		}
	}
}

func TestPublish(t *testing.T) {
	good := limits.Reading{Quality: rules.Good}
	doubtful := limits.Reading{Quality: rules.Doubtful, Cause: rules.Saturated}
	for _, c := range []struct {
		v    float64
		in   []limits.Reading
		want limits.Result
	}{
		{2, []limits.Reading{good}, limits.Result{Value: 2, Quality: rules.Good}},
		{2, []limits.Reading{good, doubtful, good}, limits.Result{Value: 2, Quality: rules.Doubtful, Cause: rules.Saturated}},
		{2, []limits.Reading{doubtful, {Cause: rules.Stale}}, limits.Result{Cause: rules.InputMissing}},
		{2, []limits.Reading{good, {Cause: rules.HomeMoved}}, limits.Result{Cause: rules.HomeMoved}},
		{math.NaN(), []limits.Reading{good}, limits.Result{Cause: rules.NotANumber}},
		{math.Inf(-1), []limits.Reading{doubtful}, limits.Result{Cause: rules.NotANumber}},
	} {
		if got := publish(c.v, c.in...); got != c.want {
			t.Errorf("%v of %v: expected %+v, got %+v", c.v, c.in, c.want, got)
		}
	}
	if got := publish(math.Copysign(0, -1), good); math.Signbit(got.Value) {
		t.Error("−0 left")
	}
}
