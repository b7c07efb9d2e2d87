package bench

import (
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/records/recording"
)

// A craft that is not heard any more while its recording goes on, with another sender
// or with packets that hold nothing for the guard, was silent up to the end.
func TestSilenceUpToTheEndIsASilence(t *testing.T) {
	heard := modelled(t, 10)
	last := heard[len(heard)-1].at
	rows := map[string][]sent{"ends with the craft": nil}
	for at := time.Second; at <= 60*time.Second; at += time.Second {
		other := modelBytes(t, 9, 1)
		rows["another sender goes on"] = append(rows["another sender goes on"], sent{last + at, other})
		rows["empty datagrams go on"] = append(rows["empty datagrams go on"], sent{last + at, nil})
	}
	for name, more := range rows {
		path := filepath.Join(t.TempDir(), "end.pcap")
		if err := os.WriteFile(path, capture(append(slices.Clone(heard), more...)), 0o644); err != nil {
			t.Fatal(err)
		}
		r := replayFile(t, path, envelope(t, "[[rule]]\nname = \"tilt\"\nwatch = \"craft.tilt\"\nabove = \"60 deg\"\nstop = \"immediate\"\n"), nil)
		l, want := r.Link, 0.0
		if more != nil {
			want = 60
			if l.Silences != 1 || l.SilenceAtS < last.Seconds()-0.2 {
				t.Errorf("%s: %+v", name, l)
			}
			if !slices.ContainsFunc(r.Trips, func(e Event) bool { return e.effect.Reason == interlock.ReasonLink && e.AtS > last.Seconds() }) {
				t.Errorf("%s: no trip by the silence up to the end", name)
			}
		}
		near(t, name+": to the end", l.SilentToEndS, want, 0.2)
		near(t, name+": longest", l.SilenceS, max(want, 0.05), 0.2)
	}
}

// Raw bytes tell no time of receipt: a craft whose timed messages are a second apart is
// not silent for it, and its channels are as old as its own clock says.
func TestRawBytesTripForNoAgeOfTheLink(t *testing.T) {
	env := envelope(t, "[[rule]]\nname = \"tilt\"\nwatch = \"craft.tilt\"\nabove = \"60 deg\"\nstop = \"immediate\"\n\n"+
		"[[rule]]\nname = \"age\"\nwatch = \"link.age\"\nabove = \"150 ms\"\nstop = \"immediate\"\n")
	var all []sent
	for i, s := range modelled(t, 20) {
		if i < 100 || int(s.at.Seconds())%4 != 0 {
			all = append(all, s)
		}
	}
	dir := t.TempDir()
	var raw []byte
	for _, s := range all {
		raw = append(raw, s.bytes...)
	}
	for name, b := range map[string][]byte{"flight.raw": raw, "flight.pcap": capture(all)} {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, b, 0o644); err != nil {
			t.Fatal(err)
		}
		r := replayFile(t, path, env, nil)
		byAge, tilt := 0, 0
		for _, e := range slices.Concat(r.Trips, r.Cautions) {
			if e.effect.Rule < 0 && e.effect.Reason == interlock.ReasonLink || e.Rule == "age" {
				byAge++
			}
		}
		for _, e := range r.Stops() {
			if e.Rule == "tilt" {
				tilt++
			}
		}
		if (byAge == 0) != (name == "flight.raw") || tilt < 4 || (r.Link.Silences == 0) != (name == "flight.raw") {
			t.Errorf("%s: %d trips by the link's age, %d of a tilt too old, %+v", name, byAge, tilt, r.Link)
		}
	}
}

// A rule on the link's age is told 0 with each frame and its limit when it is passed; how
// old the link really grew is what its row says, and what its picture shows.
func TestTheAgeOfTheLinkIsTold(t *testing.T) {
	env := envelope(t, "[[rule]]\nname = \"age\"\nwatch = \"link.age\"\nabove = \"300 ms\"\nstop = \"immediate\"\n")
	var all []sent
	for _, s := range modelled(t, 10) {
		if s.at < 4*time.Second || s.at > 6*time.Second {
			all = append(all, s)
		}
	}
	path := filepath.Join(t.TempDir(), "gap.pcap")
	if err := os.WriteFile(path, capture(all), 0o644); err != nil {
		t.Fatal(err)
	}
	h := replayFile(t, path, env, nil).Headroom[0]
	near(t, "worst", *h.Least, 0.3-2, 0.1)
	near(t, "at", h.AtS, 6, 0.1)
	if h.Overs != 1 {
		t.Errorf("past it %d times", h.Overs)
	}
	setup, _, err := Watching([]string{path}, env, nil)
	if err != nil {
		t.Fatal(err)
	}
	rec, err := recording.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer rec.Close()
	trace := NewTrace(env)
	if _, err := Replay(path, rec, setup, Tracing(trace)); err != nil {
		t.Fatal(err)
	}
	most := 0.0
	for _, line := range trace.Courses[0].Curves(time.Hour) {
		for _, p := range line {
			most = max(most, p.V)
		}
	}
	near(t, "highest in the picture", most, 2, 0.1)
}
