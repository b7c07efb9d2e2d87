package stopping

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"downhaul/interlock/pad"
	"downhaul/rules"
)

var of = Of{Craft: "eight", Motors: 8, Reach: "wired pair", Contactor: "K1"}

// traced and read are openings as they stand on record.
func traced(number int, output, standing, thrust float64) *Record {
	return &Record{Number: number, Kind: Opening, Of: of, Output: output, Loaded: true, Mirror: "open", Traced: true, StandingS: standing, ThrustS: thrust}
}

func untraced(number int, output float64) *Record {
	return &Record{Number: number, Kind: Opening, Of: of, Output: output, Loaded: true, Mirror: "open", Why: "it was silent"}
}

func read(number, opening int, s float64) *Record {
	return &Record{Number: number, Kind: Reading, Of: of, Opening: opening, ReadS: s}
}

// judge is what the records of a folder prove, read in one go.
func judge(records []*Record, of Of) *Proof {
	var t Tally
	for _, r := range records {
		t.Take(r)
	}
	return t.Prove(of)
}

// known is Tally.Known by the records in the folder.
func known(p *pad.Pad, craft string) (Times, float64) {
	t, trouble := Tally{}.ReadOn(p.LogFolder)
	if len(trouble) > 0 {
		t.Unproven()
	}
	return t.Known(p, craft)
}

const delay = 200 * time.Millisecond

// The stop is measured by an opening at low output, one at half, and three at no
// less than the step needs, in that order on record; the worst of all counts with
// its margin, and any longer one seen later.
func TestProofOfTheStop(t *testing.T) {
	full := []*Record{traced(1, 0.2, 1, 0.3), traced(2, 0.5, 1.5, 0.3), traced(3, 0.8, 2, 0.4), traced(4, 0.9, 2.4, 0.36), traced(5, 0.85, 2.2, 0.38)}
	with := func(more ...*Record) []*Record { return append(append([]*Record(nil), full...), more...) }
	other := func(change func(*Record)) *Record {
		r := traced(6, 0.9, 9, 3)
		change(r)
		return r
	}
	unread := func() []*Record { // the last by a watch: 2.4 s read, 2.9 s counts
		return []*Record{full[0], full[1], full[2], full[3], untraced(5, 0.85), read(6, 5, 2.4)}
	}
	for _, c := range []struct {
		name             string
		records          []*Record
		output           float64
		measured, traced bool
		standing, thrust time.Duration
		next             string
	}{
		// Unmeasured, 3 s and (3 s)/3 with the delay; what was seen longer counts.
		{"nothing", nil, 0.8, false, false, 3 * time.Second, 1200 * ms, "first an opening at 35 % of output or less"},
		{"two of three", full[:4], 0.8, false, false, 3 * time.Second, 1200 * ms, "openings at 80 % or more: 2 of 3"},
		{"three", full, 0.8, true, true, 3 * time.Second, 500 * ms, ""},
		{"for less", full, 0.6, true, true, 3 * time.Second, 500 * ms, ""},
		{"for more than was tried", full, 0.81, false, false, 3 * time.Second, 1200 * ms, "openings at 81 % or more: 2 of 3"},
		{"high ones first", []*Record{full[2], full[3], full[4], full[0], full[1]}, 0.8, false, false, 3 * time.Second, 1200 * ms, "openings at 80 % or more: 0 of 3"},
		{"half left out", []*Record{full[0], full[2], full[3], full[4]}, 0.8, false, false, 3 * time.Second, 1200 * ms, "then an opening at more than 35 % and at most 65 %"},
		// A longer one seen later: 4 s with its margin, and thrust of a lower output pushes less.
		{"longer later", with(traced(6, 0.4, 4, 1.4)), 0.8, true, true, 5 * time.Second, 500 * ms, ""},
		{"more thrust later", with(traced(6, 0.95, 2, 0.6)), 0.8, true, true, 3 * time.Second, 750 * ms, ""},
		{"longer before three", append(full[:4:4], traced(5, 0.3, 4, 1)), 0.8, false, false, 5 * time.Second, (5*time.Second+2)/3 + delay, "openings at 80 % or more: 2 of 3"},
		{"the mirror stayed", with(other(func(r *Record) { r.Mirror = "closed"; r.StandingS = 1 })), 0.8, false, false, 3 * time.Second, 1200 * ms, "first an opening"},
		{"anew behind it", append([]*Record{other(func(r *Record) { r.Mirror = "closed"; r.StandingS = 1; r.Number = 0 })}, full...), 0.8, true, true, 3 * time.Second, 500 * ms, ""},
		{"another contactor's", with(other(func(r *Record) { r.Of.Contactor = "K2" })), 0.8, true, true, 3 * time.Second, 500 * ms, ""},
		{"another craft's", with(other(func(r *Record) { r.Of.Craft = "crane" })), 0.8, true, true, 3 * time.Second, 500 * ms, ""},
		{"a model's", with(other(func(r *Record) { r.Of.Model = true })), 0.8, true, true, 3 * time.Second, 500 * ms, ""},
		{"output not known", with(other(func(r *Record) { r.Output = -1; r.StandingS, r.ThrustS = 2, 0.5 })), 0.8, true, true, 3 * time.Second, 625 * ms, ""},
		{"not read", unread()[:5], 0.8, false, false, 3 * time.Second, 1200 * ms, "how long the rotors took at opening 5 is not known"},
		// 2.4 s read and 0.5 s more, times 1.25: 3.625 s; a third of it behind the delay.
		{"read off a watch", unread(), 0.8, true, false, 3625 * ms, (3625*ms+2)/3 + delay, ""},
		{"read longer than traced", with(read(6, 5, 2.6)), 0.8, true, false, 3875 * ms, (3875*ms+2)/3 + delay, ""},
		{"read of an earlier one", append(unread()[:5:5], read(6, 4, 2.4)), 0.8, false, false, 3625 * ms, (3625*ms+2)/3 + delay, "how long the rotors took at opening 5"},
	} {
		p := judge(c.records, of)
		got := p.Times(c.output, rules.Stated(), delay)
		want := Times{rules.RotorsStanding{Standing: c.standing, Measured: c.measured}, rules.ThrustGone{Gone: c.thrust, Measured: c.measured, Traced: c.traced}}
		if got != want {
			t.Errorf("%s: %+v, want %+v", c.name, got, want)
		}
		if next := p.Next(c.output); next != c.next && (c.next == "" || !strings.HasPrefix(next, c.next)) {
			t.Errorf("%s: next is %q, want %q", c.name, next, c.next)
		}
	}
}

func TestLoadedOpeningsAreCounted(t *testing.T) {
	idle, another := traced(2, 0.1, 1, 0.1), traced(3, 0.8, 1, 0.1)
	idle.Loaded, another.Of.Contactor = false, "K2"
	crane := traced(4, 0.8, 1, 0.1)
	crane.Of.Craft = "crane" // the contactor is the same
	if p := judge([]*Record{traced(1, 0.8, 1, 0.1), idle, another, crane, untraced(5, -1), read(6, 5, 1)}, of); p.Loaded != 3 {
		t.Errorf("%d openings under load, want 3", p.Loaded)
	}
}

// What wears is counted over all records of the craft, and of the contactor: each
// start by its opening, whatever is known of the rotors.
func TestWearIsCountedOverRecords(t *testing.T) {
	with := func(r *Record, live, full float64) *Record { r.LiveS, r.FullS = live, full; return r }
	crane := with(traced(3, 0.8, 1, 0.1), 500, 100)
	crane.Of.Craft = "crane" // on the same contactor
	old := with(traced(4, 0.1, 1, 0.1), 60, 2)
	old.Of.Contactor, old.Loaded = "K0", false
	model := with(traced(5, 0.8, 1, 0.1), 900, 90)
	model.Of.Model = true
	p := judge([]*Record{with(traced(1, 0.8, 1, 0.1), 600.5, 3.25), with(untraced(2, -1), 3000, 0), crane, old, model, read(6, 2, 1)}, of)
	want := Worn{Starts: 3, Live: 3660500 * ms, Full: 5250 * ms, Openings: 3}
	if p.Worn != want || p.Loaded != 3 {
		t.Errorf("%+v, %d under load, want %+v", p.Worn, p.Loaded, want)
	}
}

// Budgets go by the records of a real board; what a model gave never enters one,
// and what cannot be read proves nothing.
func TestKnownGoesByTheRecords(t *testing.T) {
	p := &pad.Pad{LogFolder: t.TempDir()}
	p.Board.Kind, p.Reach.How, p.Craft.Motors, p.Contactor = pad.GPIO, "wired pair", 8, pad.Contactor{Name: "K1", DropOut: delay}
	write := func(p *pad.Pad, r *Record) {
		r.Schema, r.Of = Schema, What(p, "Eight")
		if err := r.Write(p.LogFolder); err != nil {
			t.Fatal(err)
		}
	}
	for i, output := range []float64{0.2, 0.5, 0.8, 0.8, 0.9} {
		if got, upTo := known(p, "eight"); got != Stated(p) || upTo != 0 {
			t.Fatalf("after %d openings %+v", i, got)
		}
		write(p, traced(0, output, 2, 0.4))
	}
	for _, craft := range []string{"Eight", "EIGHT", ""} {
		if got, upTo := known(p, craft); upTo != 0.8 || got.Rotors.Standing != 2500*ms || !got.Rotors.Measured || got.Thrust.Gone != 500*ms {
			t.Errorf("%q: %+v from %v", craft, got, upTo)
		}
	}
	if got, upTo := known(p, "Crane"); got != Stated(p) || upTo != 0 {
		t.Errorf("another craft: %+v", got)
	}
	virtual := *p
	virtual.Board.Kind = pad.Virtual
	if got, upTo := known(&virtual, "eight"); got != Stated(p) || upTo != 0 {
		t.Errorf("a virtual board: %+v", got)
	}
	if err := os.WriteFile(filepath.Join(Folder(p.LogFolder), "0009-x.json"), []byte("{"), 0o644); err != nil {
		t.Fatal(err)
	}
	if got, upTo := known(p, "eight"); got != Stated(p) || upTo != 0 {
		t.Errorf("with one that cannot be read: %+v", got)
	}
}
