package stopping

import (
	"encoding/json"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"downhaul/interlock/records/numbered"
	"downhaul/rules"
)

// plainly judges records by going through all of them, with each opening's readings
// looked up behind it, as the handbook words it.
func plainly(records []*Record, of Of) *Proof {
	p := new(Proof)
	for i, r := range records {
		if r.Kind != Opening {
			continue
		}
		for _, name := range r.Packs {
			if r.Of.Model != of.Model {
				continue
			}
			k := slices.IndexFunc(p.Packs, func(w PackWorn) bool { return w.Name == name })
			if k < 0 {
				k, p.Packs = len(p.Packs), append(p.Packs, PackWorn{Name: name, Model: of.Model})
			}
			w := &p.Packs[k].Worn
			*w = Worn{w.Starts + 1, w.Live + seconds(r.LiveS), w.Full + seconds(r.FullS), w.Openings + 1}
		}
		if r.Of.Craft == of.Craft && r.Of.Model == of.Model {
			p.Worn.Starts++
			p.Worn.Live += seconds(r.LiveS)
			p.Worn.Full += seconds(r.FullS)
		}
		if r.Of.Contactor == of.Contactor && r.Of.Model == of.Model {
			p.Worn.Openings++
			if r.Loaded {
				p.Loaded++
			}
		}
		if r.Of != of {
			continue
		}
		p.Last, p.Waits = r.Number, 0
		if r.Mirror == "closed" {
			p.Low, p.Half, p.Full = false, false, nil
			continue
		}
		e := Ended{Output: r.Output}
		known := r.Traced
		if r.Traced {
			e.Traced, e.Standing, e.Thrust = true, seconds(r.StandingS), seconds(r.ThrustS)
		}
		for _, l := range records[i+1:] {
			if l.Kind == Reading && l.Opening == r.Number {
				known = true
				if read := seconds(l.ReadS) + ReadError; read > e.Standing {
					e.Standing, e.Traced = read, false
				}
			}
		}
		if !known {
			p.Waits = r.Number
			continue
		}
		p.Ended = append(p.Ended, e)
		p.Worst = max(p.Worst, e.Standing)
		switch {
		case r.Output < 0:
		case !p.Low:
			p.Low = r.Output <= lowMost
		case !p.Half:
			p.Half = r.Output > lowMost && r.Output <= halfMost
		default:
			p.Full = append(p.Full, r.Output)
			slices.Sort(p.Full)
			slices.Reverse(p.Full)
		}
	}
	return p
}

// A tally that was written down and read back after any record proves what all the
// records prove, for every stop and every output, however many there were; a reading
// that comes behind the next opening makes nothing shorter and proves nothing.
func TestTallyAgainstAllRecords(t *testing.T) {
	stops := []Of{of, {Craft: "eight", Motors: 8, Reach: "wired pair", Contactor: "K2"}, {Craft: "crane", Motors: 4, Reach: "enable line", Contactor: "K1"}}
	late := 0
	for seed := range uint64(400) {
		rng := rand.New(rand.NewPCG(seed, 7))
		var records []*Record
		var tally Tally
		last := map[Of]int{}
		lateOf := map[Of]bool{}
		for number := 1; number <= 5+rng.IntN(60); number++ {
			of := stops[min(rng.IntN(5), 2)]
			r := traced(number, float64(rng.IntN(20))/20, 1+rng.Float64()*3, rng.Float64())
			r.LiveS, r.FullS, r.Loaded, r.Of = rng.Float64()*100, rng.Float64(), rng.IntN(3) > 0, of
			for _, name := range []string{"A", "B", "C"} {
				if rng.IntN(2) == 0 {
					r.Packs = append(r.Packs, name)
				}
			}
			if seed%3 == 0 && number%5 == 0 {
				r.Of.Model = true // a rehearsal wears no pack
			}
			switch rng.IntN(8) {
			case 0:
				packs := r.Packs
				r = untraced(number, r.Output)
				r.Of, r.Packs = of, packs
			case 1:
				r.Output = -1
			case 2:
				if rng.IntN(4) == 0 {
					r.Mirror = "closed"
				}
			case 3, 4:
				if n := last[of]; n > 0 && records[n-1].Mirror == "open" {
					r = read(number, n, rng.Float64()*4)
					r.Of = of
					if seed%4 == 0 && rng.IntN(4) == 0 && n > 1 && records[n-2].Of == of && records[n-2].Kind == Opening && records[n-2].Mirror == "open" {
						r.Opening, lateOf[of] = n-1, true
					}
				}
			}
			if records = append(records, r); r.Kind == Opening {
				last[of] = number
			}
			tally.Take(r)
			if rng.IntN(3) == 0 {
				text, err := json.Marshal(tally)
				if err != nil {
					t.Fatal(err)
				}
				tally = Tally{}
				if err := json.Unmarshal(text, &tally); err != nil {
					t.Fatal(err)
				}
			}
		}
		for _, of := range stops {
			got, want := tally.Prove(of), plainly(records, of)
			if lateOf[of] {
				late++
				if got.Worst != want.Worst || got.UpTo() > want.UpTo() || got.Worn != want.Worn {
					t.Fatalf("seed %d, a late reading: %+v, all records %+v", seed, got, want)
				}
				continue
			}
			if !slices.Equal(got.Packs, want.Packs) {
				t.Fatalf("seed %d: packs %+v, all records %+v", seed, got.Packs, want.Packs)
			}
			if got.Waits != want.Waits || got.Last != want.Last || got.Worn != want.Worn || got.Loaded != want.Loaded || got.Worst != want.Worst || got.UpTo() != want.UpTo() {
				t.Fatalf("seed %d: %+v, all records %+v", seed, got, want)
			}
			for output := 0.0; output <= 1; output += 0.025 {
				for _, delay := range []time.Duration{0, delay, 2 * time.Second} {
					if g, w := got.Times(output, rules.Stated(), delay), want.Times(output, rules.Stated(), delay); g.Rotors != w.Rotors || g.Thrust.Measured != w.Thrust.Measured || g.Thrust.Gone < w.Thrust.Gone || g.Thrust.Traced && !w.Thrust.Traced {
						t.Fatalf("seed %d, %v with %v: %+v, all records %+v", seed, output, delay, g, w)
					}
				}
				if g, w := got.Next(output), want.Next(output); g != w {
					t.Fatalf("seed %d, %v: next %q, all records %q", seed, output, g, w)
				}
			}
		}
		if n := len(tally.Stops); n > 2*len(stops) || slices.ContainsFunc(tally.Stops, func(s Stop) bool { return len(s.Full) > fullRuns || len(s.Ended) > 42 }) {
			t.Fatalf("seed %d: a tally that grows: %+v", seed, tally)
		}
	}
	if late < 10 {
		t.Errorf("only %d with a late reading", late)
	}
}

// A start reads the records that it has not taken yet, and no other. Where the last that
// it took is gone, all that stand there are read; where one cannot be read, none counts
// until it is mended.
func TestTallyReadsOn(t *testing.T) {
	logs := t.TempDir()
	put := func(output float64) string {
		r := traced(0, output, 2, 0.4)
		r.Schema, r.Made = Schema, time.Date(2031, 5, 1, 8, 0, 0, 0, time.UTC)
		if err := r.Write(logs); err != nil {
			t.Fatal(err)
		}
		return filepath.Join(Folder(logs), numbered.Name(r.Number, r.Made))
	}
	var tally Tally
	openings := func(want int) {
		t.Helper()
		var trouble []error
		tally, trouble = tally.ReadOn(logs)
		if got := tally.Prove(of).Worn.Openings; got != want || len(trouble) > 0 {
			t.Errorf("%d openings, want %d; %v", got, want, trouble)
		}
	}
	openings(0)
	first := put(0.2)
	put(0.5)
	openings(2)
	openings(2)
	if err := os.WriteFile(first, []byte("{"), 0o644); err != nil {
		t.Fatal(err)
	}
	third := put(0.8)
	openings(3)
	bad := put(0.8)
	text, err := os.ReadFile(bad)
	if err != nil {
		t.Fatal(err)
	}
	put(0.9)
	if err := os.WriteFile(bad, text[1:], 0o644); err != nil {
		t.Fatal(err)
	}
	was, err := json.Marshal(tally)
	if err != nil {
		t.Fatal(err)
	}
	// What can be read goes on to make times longer and to wear, and nothing is proved.
	for _, from := range []Tally{tally, {}} {
		some, trouble := from.ReadOn(logs)
		proof := some.Unproven().Prove(of)
		whole := 4
		if from.Through == 0 {
			whole = 3 // the first is damaged, too, and was taken while it was whole
		}
		if len(trouble) != 5-whole || proof.Worn.Openings != whole || proof.UpTo() != 0 || proof.Worst == 0 || proof.Next(1) == "" {
			t.Errorf("with some that cannot be read: %v, %+v", trouble, proof)
		}
	}
	if is, err := json.Marshal(tally); err != nil || string(is) != string(was) {
		t.Errorf("what was proved before is no longer what it was: %s, was %s", is, was)
	}
	if err := os.WriteFile(bad, text, 0o644); err != nil {
		t.Fatal(err)
	}
	openings(5)
	if err := os.Remove(first); err != nil { // taken, and not the last
		t.Fatal(err)
	}
	put(0.9)
	openings(6)
	names, err := filepath.Glob(filepath.Join(Folder(logs), "*.json"))
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range names {
		if name != third {
			if err := os.Remove(name); err != nil {
				t.Fatal(err)
			}
		}
	}
	openings(1)
}

// A log folder that was copied is read on, however quickly it was copied: by its times alone
// nobody can tell what came behind the last record that was taken.
//
//fault:row the log folder is a copy, made before the openings of its last session were taken | they are read
func TestTallyOfACopiedFolder(t *testing.T) {
	logs := t.TempDir()
	put := func() {
		t.Helper()
		r := traced(0, 0.2, 2, 0.4)
		r.Schema, r.Made = Schema, time.Date(2031, 5, 1, 8, 0, 0, 0, time.UTC)
		if err := r.Write(logs); err != nil {
			t.Fatal(err)
		}
	}
	put()
	tally, trouble := Tally{}.ReadOn(logs)
	put()
	to := t.TempDir()
	if err := os.CopyFS(Folder(to), os.DirFS(Folder(logs))); err != nil || len(trouble) > 0 {
		t.Fatal(err, trouble)
	}
	if tally.UpToDate(to) {
		t.Error("a copy counts as read, and its second opening was not")
	}
	if tally, trouble = tally.ReadOn(to); tally.Prove(of).Worn.Openings != 2 || len(trouble) > 0 {
		t.Errorf("%d openings, %v", tally.Prove(of).Worn.Openings, trouble)
	}
}
