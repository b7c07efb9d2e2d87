package bench

import (
	"fmt"
	"math"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"downhaul/interlock/records/recording"
	"downhaul/rules"

	"github.com/google/go-cmp/cmp"
)

const sweptRules = `
[[rule]]
name = "tilt"
watch = "craft.tilt"
above = "12 deg"
caution = "9 deg"
stale_after = "3 s"
stop = "immediate"
[[rule]]
name = "height"
watch = "craft.height"
above = "2.5 m"
lasting = "300 ms"
stale_after = "3 s"
while = "airborne"
stop = "controlled"
grace = "5 s"
[[rule]]
name = "snatch"
watch = "tether.tension"
rising_faster = "400 N/s"
over = "200 ms"
stale_after = "3 s"
stop = "immediate"
`

func sweepOf(t *testing.T, env *rules.Envelope, rule string, turn Turn, from, to string, steps int) *Sweep {
	t.Helper()
	s, err := NewSweep(env, rule, turn, from, to, steps)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func sweepFile(t *testing.T, s *Sweep, path string, setup Setup) *Swept {
	t.Helper()
	rec, err := recording.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer rec.Close()
	run, err := s.Run(path, rec, setup)
	if err != nil {
		t.Fatal(err)
	}
	return run
}

// Every step of a sweep gives exactly what a replay of its own gives through an
// envelope file in which that value stands.
func TestSweepEqualsReplaysOfTheirOwn(t *testing.T) {
	path := filepath.Join("testdata", "kept.pcapng")
	for _, row := range []struct {
		rule     string
		turn     Turn
		old      string // what stands in the file
		from, to string
		steps    int
	}{
		{"tilt", TurnLimit, "12 deg", "3 deg", "23 deg", 9},
		{"height", TurnLimit, "2.5 m", "5 ft", "13 ft", 7},
		{"height", TurnLasting, "300 ms", "0 s", "3 s", 7},
		{"snatch", TurnLimit, "400 N/s", "50 N/s", "2 kN/s", 6},
	} {
		setup := keptSetup(t)
		env := envelope(t, sweptRules)
		s := sweepOf(t, env, row.rule, row.turn, row.from, row.to, row.steps)
		run := sweepFile(t, s, path, setup)
		seen := map[string]bool{}
		for k, text := range s.Texts {
			file := strings.Replace(sweptRules, `"`+row.old+`"`, fmt.Sprintf("%q", text), 1)
			if s.Steps[k].NoCaution {
				file = strings.Replace(file, "caution = \"9 deg\"\n", "", 1)
			}
			setup.Envelope = envelope(t, file)
			rec, err := recording.Open(path)
			if err != nil {
				t.Fatal(err)
			}
			r, err := Replay(path, rec, setup)
			if err != nil {
				t.Fatal(err)
			}
			_ = rec.Close()
			var want, got []float64
			silences := uint64(0)
			for _, e := range r.Stops() {
				switch {
				case e.Rule != row.rule:
				case e.Value == nil:
					silences++
				default:
					want = append(want, e.AtS, *e.Value, *e.Limit)
				}
			}
			for _, sp := range run.steps[k].trips {
				got = append(got, sp.from.Seconds(), sp.value, sp.limit)
			}
			if diff := cmp.Diff(want, got); diff != "" || silences != run.steps[k].silences {
				t.Errorf("%s at %s: %d and %d silences\n%s", row.rule, text, silences, run.steps[k].silences, diff)
			}
			if h := r.Headroom[s.Rule]; h.Least == nil != !run.steps[k].has || h.Least != nil && (*h.Least != run.steps[k].least || h.AtS != run.steps[k].leastAt.Seconds()) {
				t.Errorf("%s at %s: headroom %v at %v, swept %+v", row.rule, text, h.Least, h.AtS, run.steps[k])
			}
			seen[fmt.Sprint(got)] = true
		}
		if len(seen) < 2 {
			t.Errorf("%s: every step does the same: it proves nothing", row.rule)
		}
	}
}

// The crash is told by the craft itself at +44.7 s (sebastien17/MAVlink_plug,
// commit 722bd99f); it was armed from +26.8 to +45.8 s, and flew well from +73.7
// to +182.8 s. A tilt limit that is too low cries out over the good flight; one
// that is too high never sees the tumble.
func TestSweepOfARealCrash(t *testing.T) {
	path := shared(t, "quad-crash-then-mission.pcap")
	env := envelope(t, `
[[rule]]
name = "tilt"
watch = "craft.tilt"
above = "60 deg"
lasting = "100 ms"
stale_after = "3 s"
while = "armed"
stop = "immediate"
`)
	setup, _, err := Watching([]string{path}, env, hudPad(t))
	if err != nil {
		t.Fatal(err)
	}
	s := sweepOf(t, env, "tilt", TurnLimit, "10 deg", "170 deg", 33)
	run := sweepFile(t, s, path, setup)
	crash := time.Duration(44.7 * float64(time.Second))
	j, err := s.Judge([]*Swept{run}, []Real{{path, crash, crash}}, false, 5*time.Second)
	if err != nil {
		t.Fatal(err)
	}
	if *j.Reals != 1 || j.First < 0 {
		t.Fatalf("%d real times, good from step %d on", *j.Reals, j.First)
	}
	for i, st := range j.Steps {
		good := i >= j.First && i <= j.Last
		if good != st.good() {
			t.Errorf("%s: %d false, %d missed, and the good ones are %d to %d", st.Text, *st.False, *st.Missed, j.First, j.Last)
		}
		if *st.Caught+*st.Missed != 1 || st.Trips < *st.False {
			t.Errorf("%s: %+v", st.Text, st)
		}
		if good && (*st.SlowestS > 0 || *st.SlowestS < -5) {
			t.Errorf("%s: found %.2f s after the craft said that it crashed", st.Text, *st.SlowestS)
		}
		// A tighter limit is never found later.
		if i > j.First && good && *st.SlowestS < *j.Steps[i-1].SlowestS {
			t.Errorf("%s is found sooner than %s", st.Text, j.Steps[i-1].Text)
		}
	}
	if *j.Steps[0].False == 0 {
		t.Error("10 degrees cry out nowhere in a mission flown by hand and wind")
	}
}

// free fall: a body thrown up from h0 with v0 has its apex at h0 + v0²/2g
// whenever one looks (energy; g = 9.80665 m/s², the standard value of BIPM).
// Worked by hand: h0 = 3 m, v0 = 5 m/s gives 4.27465 m.
func TestSweepFindsTheApexOfAThrow(t *testing.T) {
	const g = 9.80665
	path := throwFile(t, 3, 5)
	env := envelope(t, `
[[rule]]
name = "ceiling"
watch = "craft.apex"
above = "4 m"
stale_after = "1 s"
stop = "immediate"
[[rule]]
name = "too high"
watch = "craft.height"
above = "4 m"
stale_after = "1 s"
stop = "immediate"
`)
	setup, _, err := Watching([]string{path}, env, throwPad(t))
	if err != nil {
		t.Fatal(err)
	}
	apex := 3 + 5.0*5/(2*g)
	for _, row := range []struct {
		rule string
		// when the body passes the limit on its way up; the apex says so at once
		at func(limit float64) float64
	}{
		{"ceiling", func(float64) float64 { return 0 }},
		{"too high", func(limit float64) float64 { return (5 - math.Sqrt(25-2*g*(limit-3))) / g }},
	} {
		s := sweepOf(t, env, row.rule, TurnLimit, "3.5 m", "5 m", 31)
		run := sweepFile(t, s, path, setup)
		for k, st := range run.steps {
			limit := s.Steps[k].Value
			// The link tells height to a millimetre and climb to a centimetre a
			// second, which is v·δv/g in the apex; and until the next sample, and
			// for the pad's reaction of 1 ms, the climb counts on: v·3 ms.
			if above := limit - apex; above > -0.005 && above < 0.021 {
				continue
			}
			if want := limit < apex; want != (len(st.trips) > 0) {
				t.Errorf("%s at %s: tripped %v, and the apex is %.3f m", row.rule, s.Texts[k], !want, apex)
				continue
			}
			if len(st.trips) == 0 {
				continue
			}
			after := st.trips[0].from.Seconds() - throwAt.Seconds() - row.at(limit)
			if after < -0.002 || after > throwPeriod.Seconds()+0.03 {
				t.Errorf("%s at %s: tripped %.3f s after the instant worked out by hand, want within a sample and what the apex counts on", row.rule, s.Texts[k], after)
			}
		}
	}
}

func TestNewSweepRefuses(t *testing.T) {
	env := envelope(t, sweptRules)
	for _, row := range []struct {
		rule     string
		turn     Turn
		from, to string
		steps    int
		want     string
	}{
		{"tilts", TurnLimit, "1 deg", "2 deg", 3, `it has "tilt", "height", "snatch"`},
		{"tilt", TurnLimit, "1 deg", "1 deg", 3, "one value only"},
		{"tilt", TurnLimit, "1 m", "2 deg", 3, "begins at 1 m"},
		{"tilt", TurnLimit, "1 deg", "200 deg", 3, "ends at 200 deg"},
		{"tilt", TurnLow, "1 deg", "2 deg", 3, "one limit"},
		{"tilt", TurnLimit, "1 deg", "2 deg", 1, "2 to 1000"},
	} {
		if _, err := NewSweep(env, row.rule, row.turn, row.from, row.to, row.steps); err == nil || !strings.Contains(err.Error(), row.want) {
			t.Errorf("%+v: %v", row, err)
		}
	}
}

// Judged by hand: trips and real times on one line, and what each is.
func TestJudgeByHand(t *testing.T) {
	at := func(s float64) time.Duration { return time.Duration(s * 1e9) }
	trip := func(from, to float64) span { return span{from: at(from), to: at(to)} }
	for _, row := range []struct {
		name                  string
		trips                 []span
		reals                 []Real
		wrong, caught, missed uint64
		slowest               float64
	}{
		{"on time", []span{trip(11, 12)}, []Real{{"", at(10), at(10)}}, 0, 1, 0, 1},
		{"a little early", []span{trip(9, 12)}, []Real{{"", at(10), at(10)}}, 0, 1, 0, -1},
		{"too late", []span{trip(13, 14)}, []Real{{"", at(10), at(10)}}, 1, 0, 1, 0},
		{"still standing from before", []span{trip(2, 12)}, []Real{{"", at(10), at(10)}}, 1, 1, 0, -8},
		{"gone before", []span{trip(2, 5)}, []Real{{"", at(10), at(10)}}, 1, 0, 1, 0},
		{"again while it lasts", []span{trip(11, 12), trip(16, 17)}, []Real{{"", at(10), at(15)}}, 0, 1, 0, 1},
		{"two, the second missed", []span{trip(10.5, 12)}, []Real{{"", at(10), at(10)}, {"", at(30), at(30)}}, 0, 1, 1, 0.5},
		{"nothing real", []span{trip(1, 2), trip(3, 4)}, nil, 2, 0, 0, 0},
	} {
		v := verdicts{within: 2 * time.Second}
		v.add(row.trips, row.reals)
		if v.wrong != row.wrong || v.caught != row.caught || v.missed != row.missed || math.Abs(v.slowest-row.slowest) > 1e-9 {
			t.Errorf("%s: %+v", row.name, v)
		}
	}
}
