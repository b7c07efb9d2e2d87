package bench

import (
	"math"
	"testing"

	"downhaul/interlock/records/recording"
	"downhaul/rules"
)

// stretches works out by plain arithmetic from when to when a rule without a
// delay asks for its stop.
func stretches(values []value, past, back func(v float64) bool) (out [][2]float64) {
	over := false
	for _, x := range values {
		switch {
		case past(x.v) && !over:
			over = true
			out = append(out, [2]float64{x.at, math.Inf(1)})
		case back(x.v) && over:
			over = false
			out[len(out)-1][1] = x.at
		}
	}
	return out
}

// alone counts the stretches of a that no stretch of b overlaps.
func alone(a, b [][2]float64) (n uint64) {
	for _, x := range a {
		found := false
		for _, y := range b {
			found = found || x[0] == y[0] || x[0] < y[1] && y[0] < x[1]
		}
		if !found {
			n++
		}
	}
	return n
}

// What two limits make of a real flight, against readings decoded by libraries
// and stretches held against each other one by one.
func TestCompareOnARealFlightWorkedOutApart(t *testing.T) {
	path := shared(t, "quad-crash-then-mission.pcap")
	volts, tilts := pcapReadings(t, path)
	env := func(pack, tilt, more string) *rules.Envelope {
		return envelope(t, `
[[rule]]
name = "pack"
watch = "supply.voltage"
below = "`+pack+`"
stale_after = "30 s"
stop = "immediate"
[[rule]]
name = "tilt"
watch = "craft.tilt"
above = "`+tilt+`"
stale_after = "30 s"
stop = "immediate"
`+more)
	}
	a, b := env("10.2 V", "20 deg", ""), env("10.5 V", "35 deg", "[[rule]]\nname = \"new\"\nwatch = \"craft.armed\"\nis = true\nstale_after = \"30 s\"\nstop = \"immediate\"\n")
	setup, _, err := Watching([]string{path}, a, hudPad(t))
	if err != nil {
		t.Fatal(err)
	}
	rec, err := recording.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer rec.Close()
	d, err := Compare(path, rec, setup, a, b)
	if err != nil {
		t.Fatal(err)
	}
	below := func(limit float64) [][2]float64 {
		return stretches(volts, func(v float64) bool { return v < limit }, func(v float64) bool { return v >= limit+0.02*limit })
	}
	above := func(degrees float64) [][2]float64 {
		limit := degrees * math.Pi / 180
		return stretches(tilts, func(v float64) bool { return v > limit }, func(v float64) bool { return v <= limit-0.02*limit })
	}
	checked := 0
	for _, row := range d.Tallies {
		var inA, inB [][2]float64
		switch {
		case row.What != "trip":
			continue
		case row.Rule == "pack":
			inA, inB = below(10.2), below(10.5)
		case row.Rule == "tilt":
			inA, inB = above(20), above(35)
		case row.Rule == "new":
			// Armed twice, says the maker of the recording.
			if row.OnlyIn != "b" || row.A != 0 || row.B != 2 || row.Gained != 2 {
				t.Errorf("a rule that only B has: %+v", row)
			}
			checked++
			continue
		}
		checked++
		want := Tally{Rule: row.Rule, What: "trip", A: uint64(len(inA)), B: uint64(len(inB)), Lost: alone(inA, inB), Gained: alone(inB, inA)}
		if row.A != want.A || row.B != want.B || row.Lost != want.Lost || row.Gained != want.Gained {
			t.Errorf("%+v, worked out: %+v", row, want)
		}
		if row.Rule == "tilt" && (row.Later == 0 || row.Earlier > 0) || row.Rule == "pack" && row.Later > 0 {
			t.Errorf("a looser limit is never earlier, a tighter one never later: %+v", row)
		}
	}
	if checked != 3 {
		t.Errorf("%d rows checked", checked)
	}
	for i, c := range d.Changes {
		if i > 0 && c.AtS < d.Changes[i-1].AtS || c.ByS < 0 || (c.How == "earlier" || c.How == "later") != (c.ByS > 0) {
			t.Errorf("change %d: %+v", i, c)
		}
	}
	// Held against itself, an envelope differs in nothing.
	again, err := recording.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer again.Close()
	if d, err = Compare(path, again, setup, a, a); err != nil || len(d.Changes) > 0 {
		t.Errorf("%v, %+v", err, d.Changes)
	}
}

// The lossy link: 8,681 good frames, 1,204 gaps in their numbering (as its
// makers' bytes were counted by a resynchronising reader); the real link has
// other senders, 255 among them.
func TestLinksOfRealRecordings(t *testing.T) {
	env := envelope(t, "[[rule]]\nname = \"tilt\"\nwatch = \"craft.tilt\"\nabove = \"60 deg\"\nstale_after = \"30 s\"\nstop = \"immediate\"\n")
	r := replayFile(t, shared(t, "sim-lossy.raw"), env, nil)
	if r.Link.Breaks != 1204 || r.Link.Lost < 1204 || r.Link.LagS != nil || r.Frames != 8681 {
		t.Errorf("the lossy link: %+v, %d frames", r.Link, r.Frames)
	}
	r = replayFile(t, shared(t, "quad-crash-then-mission.pcap"), env, hudPad(t))
	of := uint64(0)
	for _, g := range r.IgnoredWhy {
		of += g.Count
	}
	if of != r.Ignored || r.Link.LagS == nil || r.Frames+r.Ignored < 11_400 {
		t.Errorf("the real link: %+v, ignored %+v, %d in all", r.Link, r.IgnoredWhy, r.Ignored)
	}
}
