package panel

import (
	"math"
	"testing"
	"time"
)

// The ring against what was put in: means and highest gusts of five-second
// steps, ten minutes of them and no more, and nothing where there was no wind.
func TestWindRing(t *testing.T) {
	var w windRing
	type sum struct {
		n         int
		sum, gust float64
	}
	want := map[int64]*sum{}
	const end = 1234 * time.Second
	for at := time.Duration(0); at <= end; at += 100 * time.Millisecond {
		v := 5 + 3*math.Sin(at.Seconds()/9)
		if at > 700*time.Second && at < 730*time.Second {
			continue
		}
		gusts := at <= 900*time.Second || at >= 920*time.Second
		w.take(at, v, v+1, gusts)
		i := int64(at / windStep)
		if want[i] == nil {
			want[i] = &sum{}
		}
		want[i].n++
		want[i].sum += v
		if gusts {
			want[i].gust = max(want[i].gust, v+1)
		}
	}
	past := w.list(end)
	// 120 steps, of which those of the thirty seconds without wind are missing but
	// for the one that began with wind.
	if len(past) != 115 || past[len(past)-1].Index != int64(end/windStep) || past[0].Index != int64(end/windStep)-119 {
		t.Fatalf("%d steps, %d to %d", len(past), past[0].Index, past[len(past)-1].Index)
	}
	for _, p := range past {
		s := want[p.Index]
		if s == nil || p.Count != s.n || math.Abs(p.Mean-s.sum/float64(s.n)) > 1e-12 || (p.Gust != nil) != (s.gust > 0) || p.Gust != nil && *p.Gust != s.gust {
			t.Errorf("step %d: %+v, want %+v", p.Index, p, s)
		}
	}
	if got := w.list(end + time.Hour); len(got) != 0 {
		t.Errorf("an hour later: %d steps", len(got))
	}
}
