package interlock

import (
	"encoding/json"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"downhaul/rules"
)

// stream draws what happens at a pad after base, and the calls it made.
func stream(rt *rapid.T, t testing.TB, base *rig) (*rig, []stamped) {
	r := base.twin(t)
	var log []stamped
	r.record(&log)
	for range rapid.IntRange(1, 12).Draw(rt, "happenings") {
		r.happen(rt)
	}
	return r, log
}

// bases are engines from which the streams set out: at power-up, and live in
// the air.
func bases(t testing.TB, change ...func(*Site)) []*rig {
	fresh := busyRig(t, change...)
	live := busyRig(t, change...)
	if live.e.site.Duty == Guard {
		live.live()
	}
	live.glide(0, 100*time.Millisecond)
	live.fly()
	live.glide(3, 3*time.Second)
	return []*rig{fresh, live}
}

func watchDuty(s *Site) { s.Duty = Watch }

// forStreams checks a property over streams from every base, in both duties.
func forStreams(t *testing.T, check func(rt *rapid.T, base *rig, log []stamped)) {
	all := append(bases(t), bases(t, watchDuty)...)
	rapid.Check(t, func(rt *rapid.T) {
		base := rapid.SampledFrom(all).Draw(rt, "base")
		_, log := stream(rt, t, base)
		check(rt, base, log)
	})
}

func sameDecisions(rt *rapid.T, what, a, b string) {
	rt.Helper()
	if a == b {
		return
	}
	x, y := strings.Split(a, "\n"), strings.Split(b, "\n")
	for i := range min(len(x), len(y)) {
		if x[i] != y[i] {
			rt.Fatalf("%s: effect %d of %d and %d is\n%s\nand\n%s", what, i, len(x), len(y), x[i], y[i])
		}
	}
	rt.Fatalf("%s: %d effects and %d", what, len(x), len(y))
}

func TestExtraAdvancesChangeNothing(t *testing.T) {
	forStreams(t, func(rt *rapid.T, base *rig, log []stamped) {
		var more []stamped
		last := base.e.now
		for _, s := range log {
			if gap := s.at - last; gap > 0 && rapid.Bool().Draw(rt, "wake") {
				more = append(more, stamped{at: last + gap/3}, stamped{at: s.at}, stamped{at: s.at - gap})
			}
			more = append(more, s)
			last = s.at
		}
		env := base.e.env
		sameDecisions(rt, "woken as needed and more often", told(env, decide(base.e.Clone(), log)), told(env, decide(base.e.Clone(), more)))
	})
}

// Deadline may be early, never late: woken exactly then, and at the end, the
// engine decides what it decides when it is woken with every input.
func TestDeadlineIsNeverLate(t *testing.T) {
	forStreams(t, func(rt *rapid.T, base *rig, log []stamped) {
		a, b := base.e.Clone(), base.e.Clone()
		var got []Effect
		for _, s := range log {
			for woken := 0; b.Deadline() <= s.at; woken++ {
				if woken > 1000 {
					rt.Fatalf("the deadline stands at %v, woken there 1000 times", b.Deadline())
				}
				due := b.Deadline()
				for _, f := range b.Advance(due) {
					if f.At < due-1 && f.At != 0 { // an instant ends a nanosecond after it
						rt.Fatalf("an effect of %v came at the deadline %v", f.At, due)
					}
					got = append(got, f)
				}
			}
			if s.in != nil {
				got = append(got, b.Step(s.at, s.in)...)
			}
		}
		sameDecisions(rt, "woken at the deadlines", told(a.env, decide(a, log)), told(a.env, inOrder(got)))
	})
}

func TestTimeShiftShiftsDecisions(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		base := busyRig(t)
		_, log := stream(rt, t, base)
		shift := time.Duration(rapid.Int64Range(1, 3600e9).Draw(rt, "shift"))
		later := slices.Clone(log)
		for i := range later {
			later[i].at += shift
		}
		a, b := decide(base.e.Clone(), log), decide(base.e.Clone(), later)
		for i := range b {
			if b[i].At >= shift {
				b[i].At -= shift
			}
		}
		sameDecisions(rt, "now and later", told(base.e.env, a), told(base.e.env, b))
	})
}

func TestCloneHasTheSameFuture(t *testing.T) {
	forStreams(t, func(rt *rapid.T, base *rig, log []stamped) {
		cut := rapid.IntRange(0, len(log)).Draw(rt, "cut")
		e := base.e.Clone()
		decide(e, log[:cut])
		c := e.Clone()
		image := string(e.AppendState(nil))
		if string(c.AppendState(nil)) != image {
			rt.Fatal("the clone's image differs")
		}
		first := told(e.env, decide(c, log[cut:]))
		if string(e.AppendState(nil)) != image {
			rt.Fatal("the clone's steps changed its origin")
		}
		sameDecisions(rt, "clone and origin", told(e.env, decide(e, log[cut:])), first)
		if string(c.AppendState(nil)) != string(e.AppendState(nil)) {
			rt.Fatal("the images differ in the end")
		}
	})
}

// A clone shares with its origin only what was laid when the engine was made and
// never changes: whatever else both point at, one of them would change for the other.
func TestCloneSharesNothingThatChanges(t *testing.T) {
	r := busyRig(t)
	r.run(time.Second)
	laid := []string{".ages", ".env", ".limits.calcs.thresholds", ".limits.channels.calcs", ".limits.channels.perms", ".limits.channels.rules",
		".limits.env", ".limits.helps", ".limits.needed", ".limits.needs", ".limits.used", ".outputs", ".site.Derived.HeightSources", ".speeds"}
	got := shared(reflect.ValueOf(r.e).Elem(), reflect.ValueOf(r.e.Clone()).Elem(), "")
	if diff := cmp.Diff(laid, got); diff != "" {
		t.Errorf("a clone shares with its origin (-want +got):\n%s", diff)
	}
}

// shared returns the places, named as Go does without their indices, in which two
// values of one type point at the same memory.
func shared(a, b reflect.Value, path string) (found []string) {
	switch a.Kind() {
	case reflect.Pointer, reflect.Map, reflect.Slice:
		switch {
		case a.IsNil() || a.Kind() == reflect.Slice && a.Cap() == 0:
		case a.Pointer() == b.Pointer():
			return []string{path}
		case a.Kind() == reflect.Pointer && !a.Type().Elem().ConvertibleTo(reflect.TypeFor[Engine]()): // that leads up again
			return shared(a.Elem(), b.Elem(), path)
		case a.Kind() == reflect.Slice:
			for i := range min(a.Len(), b.Len()) {
				found = append(found, shared(a.Index(i), b.Index(i), path)...)
			}
		}
	case reflect.Interface:
		if !a.IsNil() {
			return shared(a.Elem(), b.Elem(), path)
		}
	case reflect.Array:
		for i := range a.Len() {
			found = append(found, shared(a.Index(i), b.Index(i), path)...)
		}
	case reflect.Struct:
		for i := range a.NumField() {
			found = append(found, shared(a.Field(i), b.Field(i), path+"."+a.Type().Field(i).Name)...)
		}
	}
	slices.Sort(found)
	return slices.Compact(found)
}

func TestUnwantedChannelsMayBeLeftOut(t *testing.T) {
	forStreams(t, func(rt *rapid.T, base *rig, log []stamped) {
		wanted := base.e.Wanted()
		var less []stamped
		for _, s := range log {
			if s.in == nil || s.in.Kind != SampleInput || wanted[s.in.Sample.Channel] {
				less = append(less, s)
			} else {
				less = append(less, stamped{at: s.at}) // the same wake-up
			}
		}
		env := base.e.env
		sameDecisions(rt, "with and without", told(env, decide(base.e.Clone(), log)), told(env, decide(base.e.Clone(), less)))
	})
	// Currents that nothing but the check of the opening reads are wanted.
	r := busyRig(t, func(s *Site) { s.IdleCurrent = 5 })
	if w := r.e.Wanted(); !w[rules.SupplyCurrent] || !w[rules.Pack1Current] || !w[rules.Pack2Current] || w[rules.Pack2Voltage] {
		t.Error("the currents that verify an opening are not wanted, or a voltage is")
	}
}

// sayRules is what a stream of effects says of all rules but the one named,
// without the numbers that other rules can move.
func sayRules(env *rules.Envelope, effects []Effect, but string) string {
	var b strings.Builder
	for _, f := range effects {
		switch {
		case f.Kind == TripEffect && (f.Reason == ReasonThenSilent || f.Reason == ReasonLink):
			// Any rule may be the first to miss the craft, and any value stand in
			// front of a silence. The link's own end is told without a rule.
			if f.Lasted != 500*time.Millisecond {
				continue
			}
			f = Effect{Kind: ConsequenceEffect, At: f.At, Stop: f.Stop, Reason: ReasonLink, Rule: -1, Permissive: -1}
		case f.Kind == SoundEffect, f.Reason == ReasonSilenced, f.Rule >= 0 && env.Rules[f.Rule].Name == but:
			continue
		}
		if f.Kind == TripEffect {
			f.Kind = ConsequenceEffect
		}
		f.Trip, f.FirstOut = 0, false
		b.Write(AppendDecision(nil, env, f))
		b.WriteByte('\n')
	}
	return b.String()
}

func TestRuleElsewhereChangesNothingElse(t *testing.T) {
	const more = `
[[rule]]
name = "elsewhere"
watch = "told1"
above = 5
caution = 3
lasting = "30 ms"
stop = "immediate"
`
	// The same pad with one rule more, in front of all others.
	widen := func(env string) string {
		return strings.Replace(env, "[[rule]]", strings.TrimPrefix(more, "\n")+"[[rule]]", 1)
	}
	with := newRig(t, widen(busyEnvelope), watchDuty)
	without := busyRig(t, watchDuty)
	rapid.Check(t, func(rt *rapid.T) {
		_, log := stream(rt, t, without)
		if len(log) == 0 {
			return // nothing came in this stream
		}
		mixed := slices.Clone(log)
		for range rapid.IntRange(1, 40).Draw(rt, "samples elsewhere") {
			i := rapid.IntRange(0, len(mixed)-1).Draw(rt, "behind")
			v := rapid.SampledFrom([]float64{1, 4, 6}).Draw(rt, "value")
			mixed = slices.Insert(mixed, i+1, stamped{mixed[i].at, &Input{Kind: SampleInput, Sample: Sample{Channel: rules.Told1, Value: v, Quality: rules.Good}}})
		}
		a := sayRules(without.e.env, decide(without.e.Clone(), log), "elsewhere")
		b := sayRules(with.e.env, decide(with.e.Clone(), mixed), "elsewhere")
		sameDecisions(rt, "without and with a rule elsewhere", a, b)
	})
}

func TestTighterNeverTripsLater(t *testing.T) {
	const envelope = `
version = 1
title = "one"
[[rule]]
name = "one"
watch = "tether.tension"
above = "%d N"
deadband = "30 N"
lasting = "%d ms"
stop = "immediate"
stale_after = "10 s"
`
	trips := func(e *Engine, log []stamped) (first time.Duration) {
		for _, f := range decide(e, log) {
			if f.Kind == TripEffect {
				return f.At
			}
		}
		return rules.Never
	}
	tripped := 0
	rapid.Check(t, func(rt *rapid.T) {
		loose := rapid.IntRange(200, 1000).Draw(rt, "loose")
		tight := rapid.IntRange(100, loose).Draw(rt, "tight")
		long := rapid.IntRange(0, 60).Draw(rt, "lasting")
		short := rapid.IntRange(0, long).Draw(rt, "shorter")
		var log []stamped
		at := time.Duration(0)
		for range rapid.IntRange(1, 60).Draw(rt, "samples") {
			at += time.Duration(rapid.IntRange(1, 40).Draw(rt, "gap")) * time.Millisecond
			log = append(log, stamped{at, &Input{Kind: SampleInput, Sample: Sample{Channel: rules.Tension,
				Value:   float64(rapid.IntRange(50, 1100).Draw(rt, "value")),
				Quality: rapid.SampledFrom([]rules.Quality{rules.Good, rules.Good, rules.Doubtful}).Draw(rt, "quality")}}})
		}
		log = append(log, stamped{at: at + time.Second})
		a := trips(newRig(t, fmt.Sprintf(envelope, loose, long), watchDuty).e, log)
		b := trips(newRig(t, fmt.Sprintf(envelope, tight, short), watchDuty).e, log)
		if b > a {
			rt.Fatalf("%d N for %d ms tripped at %v, %d N for %d ms at %v", loose, long, a, tight, short, b)
		}
		if a != rules.Never {
			tripped++
		}
	})
	if tripped == 0 {
		t.Error("no stream tripped: the property was never tried")
	}
}

// Every record must be one that a reader can read.
func TestDecisionsAreJSON(t *testing.T) {
	kinds := map[string]int{}
	check := func(rt *rapid.T, base *rig, log []stamped) {
		for line := range strings.SplitSeq(strings.TrimSuffix(told(base.e.env, decide(base.e.Clone(), log)), "\n"), "\n") {
			if line == "" {
				continue
			}
			var v struct {
				At   int64  `json:"at_ns"`
				Kind string `json:"kind"`
			}
			if err := json.Unmarshal([]byte(line), &v); err != nil || v.Kind == "" {
				rt.Fatalf("%s: %v", line, err)
			}
			kinds[v.Kind]++
		}
	}
	untilSeen(t, func() { forStreams(t, check) }, func() string {
		for k := RelayEffect; k < effectKindCount; k++ {
			if kinds[effectName[k]] == 0 {
				return fmt.Sprintf("no effect of kind %q", effectName[k])
			}
		}
		return ""
	})
}
