package chart

import (
	"bytes"
	"encoding/xml"
	"errors"
	"io"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"downhaul/interlock/before/bench"
	"downhaul/interlock/records/recording"
	"downhaul/rules"
)

// words reads a picture as XML and gives what is written in it, and how many
// paths it draws.
func words(t *testing.T, picture []byte) (texts []string, paths int) {
	t.Helper()
	d := xml.NewDecoder(bytes.NewReader(picture))
	inText := false
	for {
		tok, err := d.Token()
		if errors.Is(err, io.EOF) {
			return texts, paths
		}
		if err != nil {
			t.Fatalf("the picture is no XML: %v", err)
		}
		switch e := tok.(type) {
		case xml.StartElement:
			inText = e.Name.Local == "text"
			if e.Name.Local == "path" {
				paths++
			}
		case xml.EndElement:
			inText = false
		case xml.CharData:
			if inText {
				texts = append(texts, string(e))
			}
		}
	}
}

func keptCourses(t *testing.T) (*rules.Envelope, *bench.Result, *bench.Trace) {
	t.Helper()
	env, faults := rules.ReadEnvelope("e", []byte(`version = 1
title = "t"
[[rule]]
name = "ceiling"
watch = "craft.height"
above = "8 ft"
caution = "5 ft"
stale_after = "3 s"
stop = "immediate"
[[rule]]
name = "leaning & falling"
watch = "craft.roll"
outside = ["-20 deg", "20 deg"]
stale_after = "3 s"
stop = "immediate"
[[rule]]
name = "climbing"
watch = "craft.height"
rising_faster = "1 m/s"
over = "1 s"
stale_after = "3 s"
stop = "immediate"
[[rule]]
name = "never there"
watch = "winch.tension"
above = "100 N"
stop = "immediate"
`))
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	path := filepath.Join("..", "testdata", "kept.pcapng")
	setup, _, err := bench.Watching([]string{path}, env, nil)
	if err != nil {
		t.Fatal(err)
	}
	rec, err := recording.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer rec.Close()
	trace := bench.NewTrace(env)
	r, err := bench.Replay(path, rec, setup, bench.Tracing(trace))
	if err != nil {
		t.Fatal(err)
	}
	return env, r, trace
}

// Every limit stands in the picture in the unit that the crew wrote, and every
// trip is marked and counted.
func TestCourseShowsLimitsAndTrips(t *testing.T) {
	env, r, trace := keptCourses(t)
	if len(trace.Courses) != 4 {
		t.Fatalf("%d courses, want one for each channel and one for the rate", len(trace.Courses))
	}
	for i, want := range [][]string{
		{"craft.height in ft over time in s, kept.pcapng", "ceiling: not above 8 ft", "caution 5 ft", "trip (1)", "caution (1)"},
		{"craft.roll in deg", "leaning & falling: not below -20 deg", "leaning & falling: not above 20 deg"},
		{"craft.height rate in m/s", "climbing: not rising faster than 1 m/s"},
		{"winch.tension in N over time in s, kept.pcapng (never had a value)"},
	} {
		var b bytes.Buffer
		if err := Course(&b, env, r, trace.Courses[i]); err != nil {
			t.Fatal(err)
		}
		texts, paths := words(t, b.Bytes())
		for _, w := range want {
			if !slices.ContainsFunc(texts, func(s string) bool { return strings.Contains(s, w) }) {
				t.Errorf("course %d does not say %q; it says %q", i, w, texts)
			}
		}
		if paths < 10 && i < 3 {
			t.Errorf("course %d draws %d paths", i, paths)
		}
	}
}

// The greatest and the least value of a course are those of the replay's own
// headroom: no spike is smoothed away, however often the slices were joined.
func TestCourseKeepsSpikes(t *testing.T) {
	_, r, trace := keptCourses(t)
	high, n := math.Inf(-1), 0
	for _, line := range trace.Courses[0].Curves(1e9) {
		for k, p := range line {
			high = max(high, p.V)
			n++
			if k > 0 && p.At < line[k-1].At {
				t.Fatalf("the course runs back at %v", p.At)
			}
		}
	}
	want := 8*0.3048 - *r.Headroom[0].Least
	if math.Abs(high-want) > 1e-12 || n < 50 {
		t.Errorf("%d points up to %v m, and the headroom says %v m", n, high, want)
	}
}

func TestSweepShowsTheRange(t *testing.T) {
	n := func(v uint64) *uint64 { return &v }
	s := func(v float64) *float64 { return &v }
	j := &bench.Judged{Rule: "r", Channel: "craft.tilt", Unit: "rad", Reals: n(1), First: 1, Last: 2, Steps: []bench.Step{
		{Text: "10 deg", Value: 0.1745, Trips: 9, False: n(8), Caught: n(1), Missed: n(0), SlowestS: s(0.1), MeanS: s(0.1)},
		{Text: "20 deg", Value: 0.3491, Trips: 1, False: n(0), Caught: n(1), Missed: n(0), SlowestS: s(0.2), MeanS: s(0.2)},
		{Text: "30 deg", Value: 0.5236, Trips: 1, False: n(0), Caught: n(1), Missed: n(0), SlowestS: s(0.4), MeanS: s(0.4)},
		{Text: "40 deg", Value: 0.69814, False: n(0), Caught: n(0), Missed: n(1)},
	}}
	var b bytes.Buffer
	if err := Sweep(&b, j, "deg", "r: its limit"); err != nil {
		t.Fatal(err)
	}
	texts, _ := words(t, b.Bytes())
	for _, w := range []string{"r: its limit", "no false, none missed: 20 deg to 30 deg", "trips", "false trips", "real ones missed", "slowest, s after the real time", "40"} {
		if !slices.Contains(texts, w) {
			t.Errorf("the picture does not say %q; it says %q", w, texts)
		}
	}
	j.Reals, j.First, j.Last = nil, -1, -1
	for i := range j.Steps {
		j.Steps[i] = bench.Step{Text: j.Steps[i].Text, Value: j.Steps[i].Value, Trips: 3}
	}
	b.Reset()
	if err := Sweep(&b, j, "deg", "t"); err != nil {
		t.Fatal(err)
	}
	if texts, _ := words(t, b.Bytes()); slices.Contains(texts, "false trips") || slices.Contains(texts, "slowest, s after the real time") {
		t.Errorf("with nothing known it says %q", texts)
	}
}
