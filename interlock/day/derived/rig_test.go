package derived

import (
	"math"
	"slices"
	"testing"
	"time"

	"downhaul/interlock/limits"
	"downhaul/rules"
)

// rig feeds calculators the way the engine does: due ticks first, then the
// reading into the table, then every calculator that it triggers, and so on
// with what those publish.
type rig struct {
	t     limits.Table
	calcs []limits.Calculator
	last  [rules.ChannelCount]limits.Result
	count [rules.ChannelCount]int // results so far
}

func newRig(t testing.TB, cfg Config, ids ...rules.ChannelID) *rig {
	t.Helper()
	calcs, err := New(cfg, func(id rules.ChannelID) bool { return slices.Contains(ids, id) })
	if err != nil {
		t.Fatal(err)
	}
	return &rig{calcs: calcs}
}

func (r *rig) clone() *rig {
	c := *r
	c.calcs = nil
	for _, x := range r.calcs {
		c.calcs = append(c.calcs, x.Clone())
	}
	return &c
}

func (r *rig) advance(at time.Duration) {
	for {
		next := -1
		for i, c := range r.calcs {
			if c.Due() <= at && (next < 0 || c.Due() < r.calcs[next].Due()) {
				next = i
			}
		}
		if next < 0 {
			return
		}
		c := r.calcs[next]
		due := c.Due()
		res, ok := c.Tick(due, &r.t)
		if c.Due() <= due {
			panic("due did not move on")
		}
		if ok {
			r.store(due, c.Output(), res)
		}
	}
}

func (r *rig) store(at time.Duration, id rules.ChannelID, res limits.Result) {
	if math.IsNaN(res.Value) || math.IsInf(res.Value, 0) || res.Quality == rules.Missing && res.Value != 0 {
		panic("bad value left a calculator")
	}
	if (res.Quality == rules.Good) != (res.Cause == rules.NoCause) {
		panic("quality and cause do not go together: " + id.String() + ": " + res.Cause.String())
	}
	r.t[id] = limits.Reading{At: at, Value: res.Value, Quality: res.Quality, Cause: res.Cause}
	r.last[id] = res
	r.count[id]++
	for _, c := range r.calcs {
		if c.Trigger() == id {
			if out, ok := c.Sample(at, &r.t); ok {
				r.store(at, c.Output(), out)
			}
		}
	}
}

func (r *rig) put(at time.Duration, id rules.ChannelID, v float64) {
	r.advance(at)
	r.store(at, id, limits.Result{Value: v, Quality: rules.Good})
}

func (r *rig) miss(at time.Duration, id rules.ChannelID, c rules.Cause) {
	r.advance(at)
	r.store(at, id, limits.Result{Cause: c})
}

func (r *rig) doubtful(at time.Duration, id rules.ChannelID, v float64, c rules.Cause) {
	r.advance(at)
	r.store(at, id, limits.Result{Value: v, Quality: rules.Doubtful, Cause: c})
}

func (r *rig) wantGood(t *testing.T, id rules.ChannelID, want, tolerance float64) {
	t.Helper()
	got := r.last[id]
	if got.Quality != rules.Good {
		t.Fatalf("%v: expected good %v, got quality %d (%v), value %v", id, want, got.Quality, got.Cause, got.Value)
	}
	if !(math.Abs(got.Value-want) <= tolerance) {
		t.Fatalf("%v: expected %v ± %v, got %v", id, want, tolerance, got.Value)
	}
}

func (r *rig) wantMissing(t *testing.T, id rules.ChannelID, c rules.Cause) {
	t.Helper()
	if got := r.last[id]; got.Quality != rules.Missing || got.Cause != c {
		t.Fatalf("%v: expected missing, %v; got quality %d (%v), value %v", id, c, got.Quality, got.Cause, got.Value)
	}
}

func (r *rig) wantDoubtful(t *testing.T, id rules.ChannelID, c rules.Cause) {
	t.Helper()
	if got := r.last[id]; got.Quality != rules.Doubtful || got.Cause != c {
		t.Fatalf("%v: expected doubtful, %v; got quality %d (%v), value %v", id, c, got.Quality, got.Cause, got.Value)
	}
}

// whole is a Config in which everything is stated.
func whole() Config {
	return Config{
		HeightSources:   []rules.ChannelID{rules.HeightGlobal},
		MaxAcceleration: 2 * Gravity, Reaction: 300 * time.Millisecond,
		ApexThresholds: []float64{7, 5.5},
		Motors:         6,
		PackVoltage:    rules.SupplyVoltage, PackCurrent: rules.SupplyCurrent, Cells: 3, PackFloor: 10.2,
		Full:             FullOutput{Pull: 100, Resting: 12.6, Volts: 10.6, Amps: 50},
		AnemometerHeight: 2, RotorHeight: 6, Method: LogLaw, Roughness: 0.03,
	}
}

func ms(n int) time.Duration { return time.Duration(n) * time.Millisecond }
