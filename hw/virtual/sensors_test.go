package virtual

import (
	"context"
	"errors"
	"testing"
	"time"

	"downhaul/hw"
)

// Published example of a counted anemometer: 300 pulses in 60 s are 5 Hz
// (calibration report of a cup anemometer).
func TestAnemometerGivesThePublishedCount(t *testing.T) {
	v, c := open(t, Config{})
	must(t, v.Turn(5))
	var edges []hw.Edge
	for c.now() < time.Minute {
		c.add(37 * ms) // whenever it is looked at
		c.set(min(c.now(), time.Minute))
		edges = append(edges, edgesOf(v)...)
	}
	if len(edges) != 600 {
		t.Fatalf("%d edges in 60 s at 5 Hz, want 600", len(edges))
	}
	for i, e := range edges {
		want := hw.Edge{Rise: i%2 == 0, At: time.Duration(i+1) * 100 * ms}
		if e != want {
			t.Fatalf("edge %d is %+v, want %+v", i, e, want)
		}
	}
}

func TestAnemometerTurnsOnThroughAChange(t *testing.T) {
	v, c := open(t, Config{})
	must(t, v.Turn(1)) // edges every 500 ms
	c.set(750 * ms)    // half way to the second
	must(t, v.Turn(10))
	c.set(800 * ms) // half of 50 ms later is 775
	got := edgesOf(v)
	if len(got) != 2 || got[0].At != 500*ms || got[1].At != 775*ms || !got[0].Rise || got[1].Rise {
		t.Errorf("edges %+v, want a rise at 500 ms and a fall at 775 ms", got)
	}
	must(t, v.Turn(0)) // half way to the next at 825
	c.set(time.Minute)
	if got := edgesOf(v); len(got) != 0 {
		t.Errorf("edges %+v from an anemometer that stands still", got)
	}
	must(t, v.Turn(1))
	c.set(time.Minute + 250*ms)
	if got := edgesOf(v); len(got) != 1 || got[0].At != time.Minute+250*ms {
		t.Errorf("edges %+v, want one at 1m0.25s", got)
	}
}

func TestAnemometerNobodyReads(t *testing.T) {
	v, c := open(t, Config{Inputs: []string{"anemometer"}, ClosedLow: []string{"anemometer"}})
	must(t, v.Turn(1000))
	c.set(10 * time.Second)
	must(t, v.Turn(500)) // makes what was due; 20,000 edges
	c.set(11 * time.Second)
	edges := edgesOf(v)
	if len(edges) != 4096 || edges[0].Lost != 21000-4096 || edges[4095].At != 11*time.Second {
		t.Fatalf("%d edges, first %+v, last %+v", len(edges), edges[0], edges[len(edges)-1])
	}
	for i, e := range edges {
		// The rotor's 21,000th edge opens the contact, which lets the line rise.
		if e.Rise != (i%2 == 1) || i > 0 && (e.Lost != 0 || e.At <= edges[i-1].At) {
			t.Fatalf("edge %d is %+v after %+v", i, e, edges[max(i-1, 0)])
		}
	}
	c.set(21*time.Second + ms) // 10,001 edges at once: the contact is closed after them
	if levels(t, v)["anemometer"] {
		t.Error("closed low, the contact must pull the line low after an odd edge")
	}
	edges = edgesOf(v)
	if last := edges[len(edges)-1]; last.Rise || last.At != c.now() || edges[0].Lost != 10001-4096 {
		t.Errorf("after 10,001 edges: first %+v, last %+v", edges[0], last)
	}
	must(t, v.Break("anemometer"))
	c.set(22 * time.Second)
	if got := edgesOf(v); len(got) != 0 {
		t.Errorf("%d edges through a cut wire", len(got))
	}
	must(t, v.Mend("anemometer"))
	c.set(22*time.Second + 2*ms)
	if got := edgesOf(v); len(got) != 2 || got[0].Lost != 0 {
		t.Errorf("edges %+v after mending, want 2 and none known to be lost", got)
	}
}

// 24-bit two's complement that clips at 800000h and 7FFFFFh: data sheet HX711.
func TestLoadCellCounts(t *testing.T) {
	v, c := open(t, Config{})
	at := func(now time.Duration) []hw.Count { c.set(now); return v.TakeCounts(now) }
	if got := at(time.Second); len(got) != 80 || got[0] != (hw.Count{Value: 84000, At: 12500 * time.Microsecond}) || got[79].At != time.Second {
		t.Fatalf("first second: %d counts, %+v", len(got), got)
	}
	value := func(newtons float64) int32 {
		t.Helper()
		must(t, v.Load(newtons))
		got := at(c.now() + 12500*time.Microsecond)
		if len(got) != 1 || got[0].Failed {
			t.Fatalf("at %v N: %+v, want one count", newtons, got)
		}
		return got[0].Value
	}
	for _, row := range []struct {
		newtons float64
		want    int32
	}{{900, 84000 + 360000}, {-10, 80000}, {0.001, 84000}, {1e6, 0x7FFFFF}, {-1e6, -0x800000}} {
		if got := value(row.newtons); got != row.want {
			t.Errorf("%v N: %d, want %d", row.newtons, got, row.want)
		}
	}
	c.add(25 * ms) // two conversions of the old force before the new one
	must(t, v.Load(1))
	if got := at(c.now() + 12500*time.Microsecond); len(got) != 3 || got[0].Value != -0x800000 || got[1].Value != -0x800000 || got[2].Value != 84400 {
		t.Errorf("force changed before the counts were taken: %+v", got)
	}
	must(t, v.Load(0), v.Break("saturate"))
	if got := at(c.now() + 25*ms); len(got) != 2 || got[0].Value != 0x7FFFFF {
		t.Errorf("saturated: %+v", got)
	}
	must(t, v.Break("load_cell"))
	if got := at(c.now() + 25*ms); len(got) != 2 || !got[0].Failed || got[0].Value != 0 {
		t.Errorf("failed: %+v", got)
	}
	must(t, v.Break("load_cell_silent"))
	if got := at(c.now() + time.Second); len(got) != 0 {
		t.Errorf("silent: %+v", got)
	}
	must(t, v.Mend("saturate"), v.Mend("load_cell"), v.Mend("load_cell_silent"))
	if got := at(c.now() + 25*ms); len(got) != 2 || got[1].Value != 84000 {
		t.Errorf("mended: %+v", got)
	}
	if got := at(c.now() + time.Hour); len(got) != 4096 || got[4095].At != c.now() {
		t.Errorf("after an hour: %d counts", len(got))
	}
}

func TestEdgesAndCountsCome(t *testing.T) {
	start := time.Now()
	v, err := Open(Config{Inputs: padInputs, Now: func() time.Duration { return time.Since(start) }})
	must(t, err)
	must(t, v.Turn(200))
	ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
	defer cancel()
	counts := make(chan error)
	n := 0
	go func() {
		counts <- v.Counts(ctx, func(hw.Count) {
			if n++; n == 5 {
				cancel()
			}
		})
	}()
	must(t, <-counts)
	var last time.Duration
	edges := edgesOf(v)
	for _, x := range edges {
		if gap := x.At - last; last != 0 && x.Lost == 0 && gap != 2500*time.Microsecond {
			t.Errorf("edges %v apart, want 2.5 ms", gap)
		}
		last = x.At
	}
	if len(edges) < 20 || n < 5 {
		t.Errorf("only %d edges and %d counts in 30 s", len(edges), n)
	}
	must(t, v.Close())
	if _, err := v.Edges(nil); !errors.Is(err, hw.ErrClosed) {
		t.Errorf("edges of a closed board ended with %v", err)
	}
}

// edgesOf takes the anemometer's edges.
func edgesOf(v *Board) []hw.Edge {
	edges, _ := v.Edges(nil)
	return edges
}
