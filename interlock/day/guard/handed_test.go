package guard

import (
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/pad"
	"downhaul/interlock/records/flown"
	"downhaul/interlock/records/ledger"
	"downhaul/interlock/records/numbered"
	"downhaul/interlock/records/session"
	"downhaul/interlock/records/tiltcheck"
	"downhaul/interlock/records/triplog"
	"downhaul/rules"
	"downhaul/rules/card"
)

// ladderCard asks for everything that a later start must know of earlier sessions.
const ladderCard = `version = 1
title   = "@CRAFT@"

[craft]
name = "@CRAFT@"
mass = "60 kg"

[motors]
count  = 4
thrust = "150 N"
@PLACES@
[[step]]
name        = "tilt"
kind        = "ground"
measured_by = "tilt"
lasts       = "7 d"

[[step]]
name     = "blades"
kind     = "inspection"
at_least = "@LEAST@"
lasts    = "1 d"

[[step]]
name  = "bench"
kind  = "ground"
needs = ["tilt", "blades"]

[[step]]
name    = "one"
ballast = "0 kg"
needs   = ["bench"]

[[step]]
name     = "two"
ballast  = "5 kg"
needs    = ["one", "blades"]
no_trips = true

[[step]]
name     = "three"
ballast  = "10 kg"
needs    = ["two"]
no_trips = true
reserve  = "20 %"
`

// seasons is a log folder as crews, power cuts and hands make it.
type seasons struct {
	t     *testing.T
	rng   *rand.Rand
	logs  string
	cards map[string][]byte
	day   time.Time
	whole int // starts that read everything
	// shadow has every session as it ended, whatever becomes of its folder: what nobody took
	// away by hand must count as it counts there.
	shadow string
	keep   session.Keep
	calm   bool     // nothing that has all sessions read, whatever was removed
	less   bool     // some were removed, and those that are left were read anew
	mends  []func() // of what hands did, for when a start tells of it
	lost   int      // starts that told of something lost
}

// mirror keeps a session as it ended.
func (s *seasons) mirror(dir string) {
	must(s.t, os.CopyFS(filepath.Join(s.shadow, filepath.Base(dir)), os.DirFS(dir)))
}

// start looks back as a start with that card does, and holds it against one that reads
// all: no step may be asked for less, or more.
func (s *seasons) start(name string, expectWhole bool) {
	t := s.t
	t.Helper()
	text := s.cards[name]
	var c *card.Card
	var files []session.File
	if text != nil {
		c, _ = card.Read("card.toml", text)
		files = []session.File{{Name: session.Card, From: "card.toml", Text: text}}
	}
	s.day = s.day.Add(time.Duration(s.rng.IntN(30)) * time.Hour)
	if s.rng.IntN(8) == 0 {
		s.day = s.day.Add(-50 * time.Hour) // a clock that was never set
	}
	ses, err := session.Create(s.logs, session.Meta{Software: "test", Wall: s.day, Room: 1, Keep: s.keep}, files)
	must(t, err)
	if s.rng.IntN(12) == 0 { // killed before it had noted itself
		must(t, ses.Close())
		s.mirror(ses.Dir)
		return
	}
	look := func(all bool) (*Guard, *earlier) {
		g := &Guard{pad: &pad.Pad{LogFolder: s.logs}, opts: Options{Software: "test"}, session: ses}
		g.declared.card, g.declared.facts.Limits = c, &rules.Envelope{}
		e := new(earlier)
		var err error
		if all {
			e.all = true
			e.sessions, _, err = session.Earlier(s.shadow, "")
		} else {
			e, err = g.lookBack()
		}
		must(t, err)
		if c == nil {
			e.Ladder = ladder{} // as carded does
			return g, e
		}
		must(t, g.remember(s.day, e))
		return g, e
	}
	g, e := look(false)
	if e.all {
		s.whole++
		s.less = s.less || s.keep != (session.Keep{})
	} else if expectWhole {
		t.Error("what was handed on was taken, and must not be")
	}
	if h, whole := look(true); len(e.lost) > 0 {
		// It holds the start back, until somebody has brought it back or taken it away.
		s.lost++
		for _, mend := range s.mends {
			mend()
		}
		s.mends = nil
	} else if c != nil {
		for i := range c.Steps {
			ask := func(g *Guard) (out []any, unmet []string) {
				f := g.declared.facts
				f.Step, f.Now = c.Steps[i].Name, g.declared.begin
				unmet, next := c.Unmet(&f)
				return append(out, unmet, next-f.Now, c.NotInForce(&f, f.Step), c.Voided(&f, f.Step)), unmet
			}
			got, asks := ask(g)
			want, all := ask(h)
			// What was removed is not read anew; then more may be asked, and never less.
			if less := len(asks) == 0 && len(all) > 0; less || !reflect.DeepEqual(got, want) && !s.less {
				t.Fatalf("session %d, step %s, all read %v:\nhanded on %q\nall read  %q", ses.Info.Number, c.Steps[i].Name, e.all, got, want)
			}
		}
		if n := len(g.declared.facts.Results) + len(g.declared.facts.Runs); n > 60 {
			t.Errorf("%d results and runs are handed on", n)
		}
		s.ledger(e, whole)
	}
	g.handed, g.lost = e.handed, len(e.lost) > 0
	must(t, g.handOn(), ses.Remember("blocked", false))
	s.live(ses)
}

// ledger takes faults over as a start does, and then from all sessions: none may be left.
func (s *seasons) ledger(e, whole *earlier) {
	b, err := ledger.Read(s.logs, "test")
	must(s.t, err)
	must(s.t, b.TakeOver(e.sessions))
	before := b.Newest()
	if must(s.t, b.TakeOver(whole.sessions)); b.Newest() != before {
		s.t.Fatalf("%d faults of the chain were left out of the ledger", b.Newest()-before)
	}
	e.Ledger = before
}

// live fills a session with what a day brings, and ends it or does not.
func (s *seasons) live(ses *session.Session) {
	t, rng := s.t, s.rng
	at := time.Second
	put := func(line triplog.Line) {
		at += time.Duration(1+rng.IntN(3600)) * time.Second
		line.At = at
		must(t, ses.Trips.Append(line, false))
	}
	for run := 1; rng.IntN(4) > 0; run++ {
		switch rng.IntN(6) {
		case 0, 1:
			d := session.Declaration{What: session.DeclaredInspection, Step: "blades", Value: fmt.Sprintf("%d mm", 38+rng.IntN(5)), Initials: "AB", By: "test"}
			put(triplog.Line{Kind: triplog.KindHost, Text: d.Text()})
		case 2, 3:
			d := session.Declaration{What: session.DeclaredInspection, Step: "bench", Value: []string{"pass", "fail", "pass"}[rng.IntN(3)], Initials: "AB", By: "test"}
			put(triplog.Line{Kind: triplog.KindHost, Text: d.Text()})
		case 4:
			r := session.Run{Number: run, Step: []string{"one", "two", "three", "four"}[rng.IntN(4)], Packs: []string{}}
			put(triplog.Line{Kind: triplog.KindNote, Text: r.BeginText()})
			if r.Ended, r.How, r.Trips = rng.IntN(5) > 0, "blocked", rng.IntN(3)/2; r.Ended {
				put(triplog.Line{Kind: triplog.KindNote, Text: r.EndText()})
			}
		case 5:
			if rng.IntN(3) == 0 {
				put(triplog.Line{Kind: triplog.KindDecision, State: "fault", Decision: fmt.Appendf(nil, `{"at_ns":%d,"kind":"state","from":"live","state":"fault","reason":%q}`, at, interlock.ReasonPowerRemains.String())})
			}
		}
	}
	if rng.IntN(4) > 0 {
		must(t, ses.Trips.Append(triplog.Line{At: at, Kind: triplog.KindEnded, State: "blocked"}, true), ses.Remember("blocked", true))
		s.mirror(ses.Dir)
		before, err := filepath.Glob(filepath.Join(s.logs, "*Z-s*"))
		ses.Retain(s.day)
		must(t, err, ses.Close())
		for i, dir := range before { // a power cut, and so many were not removed yet
			if _, err := os.Stat(dir); err != nil && i > rng.IntN(6) {
				must(t, os.CopyFS(dir, os.DirFS(filepath.Join(s.shadow, filepath.Base(dir)))))
			}
		}
		if rng.IntN(3) > 0 {
			must(t, os.WriteFile(filepath.Join(ses.Dir, session.ReportedName), []byte(`{"v":1,"trips":0,"lines":99}`), 0o644))
		}
		return
	}
	must(t, ses.Close())
	s.mirror(ses.Dir)
}

// between does what may happen while no guard runs; it reports whether the next start
// must read all.
func (s *seasons) between() bool {
	t, rng := s.t, s.rng
	dirs, err := filepath.Glob(filepath.Join(s.logs, "*Z-s*"))
	must(t, err)
	pick := func() string { return dirs[rng.IntN(len(dirs))] }
	what := rng.IntN(22)
	if s.keep != (session.Keep{}) && what < 2 || s.calm && (what == 2 || what > 19) {
		return false
	}
	switch what {
	case 0:
		dir := pick()
		must(t, os.RemoveAll(dir), os.RemoveAll(filepath.Join(s.shadow, filepath.Base(dir))))
		return true
	case 1: // one that is copied in under another name
		from := pick()
		to := filepath.Join(s.logs, fmt.Sprintf("2020-01-01T00-00-%02dZ-s%04d", rng.IntN(60), 1+rng.IntN(4)))
		if _, err := os.Stat(to); err == nil {
			return false
		}
		must(t, os.CopyFS(to, os.DirFS(from)))
		s.mends = append(s.mends, func() { must(t, os.RemoveAll(to)) })
		return true
	case 18: // two that change places
		a, b := pick(), pick()
		swap := func() {
			must(t, os.Rename(a, a+"x"))
			must(t, os.Rename(b, a))
			must(t, os.Rename(a+"x", b))
		}
		if a != b && s.keep == (session.Keep{}) && len(s.mends) == 0 {
			swap()
			s.mends = append(s.mends, swap)
		}
	case 19: // a session's copy of the card
		name := filepath.Join(pick(), session.Card)
		if text, err := os.ReadFile(name); err == nil {
			must(t, os.Remove(name))
			s.mends = append(s.mends, func() { _ = os.WriteFile(name, text, 0o644) })
		}
	case 20: // a rehearsal's session
		other := t.TempDir()
		ses, err := session.Create(other, session.Meta{Software: "test", Wall: s.day, Room: 1, Mark: "virtual board, a rehearsal"}, []session.File{{Name: session.Card, Text: s.cards["a"]}})
		must(t, err)
		d := session.Declaration{What: session.DeclaredInspection, Step: "blades", Value: "60 mm", Initials: "AB", By: "test"}
		r := session.Run{Number: 1, Step: "two", Packs: []string{}, Ended: true, How: "blocked"}
		must(t, ses.Trips.Append(triplog.Line{At: 1, Kind: triplog.KindHost, Text: d.Text()}, false), ses.Trips.Append(triplog.Line{At: 2, Kind: triplog.KindNote, Text: r.BeginText()}, false),
			ses.Trips.Append(triplog.Line{At: 3, Kind: triplog.KindNote, Text: r.EndText()}, false), ses.Trips.Append(triplog.Line{At: 4, Kind: triplog.KindEnded, State: "blocked"}, true), ses.Close())
		if to := filepath.Join(s.logs, filepath.Base(ses.Dir)); os.Mkdir(to, 0o755) == nil {
			must(t, os.CopyFS(to, os.DirFS(ses.Dir)))
		}
	case 21: // the note of a pad that only watches
		other := t.TempDir()
		ses, err := session.Create(other, session.Meta{Software: "test", Wall: s.day.AddDate(0, 0, 9), Room: 1, Duty: session.DutyWatch}, nil)
		must(t, err)
		must(t, ses.HandOn(handed{}), ses.Remember("blocked", true), ses.Close())
		text, err := os.ReadFile(filepath.Join(other, ".last-session.json"))
		must(t, err, os.WriteFile(filepath.Join(s.logs, ".last-session.json"), text, 0o644))
		return true
	case 2:
		must(t, os.Remove(filepath.Join(s.logs, ".last-session.json")))
		return true
	case 3, 4:
		c, _ := card.Read("card.toml", s.cards["a"])
		sessions, _, err := session.Earlier(s.logs, "")
		must(t, err)
		n := 0
		for _, o := range sessions {
			n = max(n, o.Info.Number)
		}
		r := tiltcheck.Record{Schema: tiltcheck.Schema, Made: s.day, Craft: c.Craft.Name, Motors: tiltcheck.Digest(c), After: n, Passed: rng.IntN(3) > 0}
		_, err = numbered.Write(tiltcheck.Folder(s.logs), r.Made, &r.Number, &r)
		must(t, err)
	case 5, 6, 7:
		r := flown.Record{Schema: flown.Schema, Made: s.day, Craft: "Eight", Reserves: []card.Reserve{{Step: "three", Mass: 70, Go: true, Numbers: true, Low: 0.3, High: 0.5}}}
		for _, dir := range dirs {
			if rng.IntN(40) > 0 {
				r.Sessions = append(r.Sessions, filepath.Base(dir))
			}
		}
		_, err := numbered.Write(flown.Folder(s.logs), r.Made, &r.Number, &r)
		must(t, err)
	case 8: // the newest record of either; an older one was taken while it was whole
		if names, _ := filepath.Glob(filepath.Join(s.logs, []string{"tilt", "shown"}[rng.IntN(2)], "*.json")); len(names) > 0 {
			must(t, os.WriteFile(names[len(names)-1], []byte("{"), 0o644))
		}
	}
	return false
}

// fourPlaces are the motors of ladderCard.
func fourPlaces() (places string) {
	for i := range 4 {
		places += fmt.Sprintf("[[motor]]\nnumber = %d\nahead = \"%d m\"\nright = \"%d m\"\nspin = \"cw\"\n", i+1, 1-i%2*2, i-2)
	}
	return places
}

// What one start hands on to the next makes no difference to what is asked before a
// start, whatever crews declare and fly, however guards end, and whatever hands do to
// the folder: it is held against reading every session.
func TestWhatIsHandedOnIsWhatAllSessionsSay(t *testing.T) {
	t.Parallel()
	seeds, days := 8, 40
	if testing.Short() {
		seeds = 2
	}
	fill := func(craft, least string) []byte {
		text := []byte(strings.NewReplacer("@CRAFT@", craft, "@LEAST@", least, "@PLACES@", fourPlaces()).Replace(ladderCard))
		_, faults := card.Read("card.toml", text)
		must(t, faults.Err())
		return text
	}
	cards := map[string][]byte{"a": fill("Eight", "40 mm"), "stricter": fill("EIGHT", "41 mm"), "crane": fill("Crane", "40 mm"), "none": nil}
	carried, lost := 0, 0
	for seed := range seeds {
		s := &seasons{t: t, rng: rand.New(rand.NewPCG(uint64(seed), 1)), logs: t.TempDir(), shadow: t.TempDir(), cards: cards, day: time.Date(2031, 5, 1, 8, 0, 0, 0, time.UTC)}
		if seed%2 == 1 {
			s.keep = session.Keep{Age: 5 * 24 * time.Hour}
		}
		whole := false
		for day := range days {
			s.calm = s.keep != (session.Keep{}) && day < days/2
			name := []string{"crane", "stricter", "none", "a"}[min(s.rng.IntN(12), 3)]
			if s.calm {
				name = "a"
			}
			s.start(name, whole)
			if whole = s.between(); t.Failed() {
				t.Fatalf("seed %d", seed)
			}
		}
		carried += days - s.whole
		lost += s.lost
	}
	if carried < seeds*days/5 || lost == 0 {
		t.Errorf("only %d of %d starts took what was handed on, and %d told of something lost", carried, seeds*days, lost)
	}
	t.Logf("%d of %d starts read one session, %d told of something lost", carried, seeds*days, lost)
}
