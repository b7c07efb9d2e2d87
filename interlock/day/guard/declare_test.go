package guard

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"downhaul/interlock/before/bench"
	"downhaul/interlock/day/answers"
	"downhaul/interlock/day/answers/ask"
	"downhaul/interlock/model/craftmodel"
	"downhaul/interlock/records/numbered"
	"downhaul/interlock/records/session"
	"downhaul/interlock/records/tiltcheck"
	"downhaul/rules/card"
)

// cardedFiles are the files of the flight with a test card beside them.
func cardedFiles(t testing.TB, dir string) Files {
	t.Helper()
	f := testFiles(t, dir, "flight.toml")
	f.Card = File{Name: "card.toml", Text: testFile(t, "card.toml")}
	return f
}

func step(name string) session.Declaration {
	return session.Declaration{What: session.DeclaredStep, Step: name, By: "test"}
}

func inspected(name, value string) session.Declaration {
	return session.Declaration{What: session.DeclaredInspection, Step: name, Value: value, Initials: "AB", By: "test"}
}

// declare wants an answer to whatever is taken.
func declare(g *Guard, d session.Declaration) error {
	says, err := g.Declare(d)
	if err == nil && says == "" {
		return errors.New("it was taken, and nothing is said")
	}
	return err
}

var packA = session.Declaration{What: session.DeclaredPacks, Packs: []string{"a"}, By: "test"}

// asks wants the card to ask for just these, each told by some of its words.
func asks(t testing.TB, g *Guard, want ...string) {
	t.Helper()
	got := g.Status().Declared.Asks
	ok := len(got) == len(want)
	for i := range want {
		ok = ok && strings.Contains(got[i], want[i])
	}
	if !ok {
		t.Errorf("the card asks %q, want %q", got, want)
	}
}

// A start wants the declared step, the packs, and what the card asks before the
// step; a run that ended counts for the next step; all of it is on record, and
// the session replays as it was.
func TestCardHoldsAStartBack(t *testing.T) {
	f := onPad(t, cardedFiles(t, t.TempDir()), craftmodel.EightTwo())
	g := f.guard
	f.run(2 * time.Second)
	f.press("reset")
	f.run(11 * time.Second)
	if s := g.Status(); s.State != "blocked" || !slices.ContainsFunc(s.NotReady, func(why string) bool { return contains(why, "no step of the test card") }) {
		t.Fatalf("without a declared step: %s, %q", s.State, s.NotReady)
	}
	must(t, declare(g, step("Empty Hover")))
	asks(t, g, "blade clearance is not told yet", "first power-up is not told yet", "no pack set")
	must(t, declare(g, packA), declare(g, inspected("first power-up", "pass")), declare(g, inspected("blade clearance", "39 mm")))
	asks(t, g, "blade clearance: 39 mm, wanted at least 40 mm")
	f.run(time.Second)
	if s := g.Status(); s.State != "blocked" {
		t.Fatalf("with a bad inspection: %s", s.State)
	}
	must(t, declare(g, inspected("blade clearance", "41 mm")))
	asks(t, g)
	f.until("ready")
	f.press("start")
	f.until("live")
	if err := declare(g, step("ballast 12")); err == nil || !contains(err.Error(), "the guard is live: declarations count before a start only") {
		t.Errorf("declared while live: %v", err)
	}
	f.press("end")
	f.until("blocked")

	// The next step needs the first to have flown; one beyond has limits of its
	// own, which this guard does not run on.
	must(t, declare(g, step("ballast 12")))
	asks(t, g)
	if s := g.Status().Declared; s.Step != "ballast 12" || len(s.Packs) != 1 || s.Packs[0] != "A" || len(s.Conditions) != 1 || s.Conditions[0] != "keep-out empty" {
		t.Errorf("declared: %+v", s)
	}
	must(t, declare(g, step("ballast 24")))
	asks(t, g, "ballast 12 has not flown yet", "start it with --envelope heavy.toml")
	// An inspection that lapses asks again, by the engine's clock alone.
	must(t, declare(g, step("ballast 12")))
	f.now += 24*time.Hour + time.Minute
	g.Turn(f.now)
	asks(t, g, "blade clearance has lapsed after 1 d")
	must(t, g.Finish(f.now))

	s, err := session.Open(g.Folder())
	must(t, err)
	r, err := bench.ReplaySession(s)
	must(t, err)
	if !r.Equal.Claimed || !r.Equal.Holds {
		t.Errorf("%s\nlive   %s\nreplay %s", r.Equal.Says(), r.Equal.Log, r.Equal.Here)
	}
	story, err := s.Story()
	must(t, err)
	if len(story.Declarations) != 8 || story.Declarations[0].By != "test" || story.Declarations[3].Passed || !story.Declarations[4].Passed {
		t.Errorf("declarations on record: %+v", story.Declarations)
	}
	if len(story.Runs) != 1 {
		t.Fatalf("runs on record: %+v", story.Runs)
	}
	run := story.Runs[0]
	if run.Step != "empty hover" || run.Packs[0] != "A" || !run.Ended || run.Trips != 0 || run.How != "blocked" || run.End <= run.Begin ||
		run.Envelope != fmt.Sprintf("%x", g.env.Hash) || run.Card == "" {
		t.Errorf("the run on record: %+v", run)
	}
}

// What was inspected and flown in earlier sessions of the same craft counts on
// until it lapses, and of another craft it does not.
func TestEarlierSessionsCountForTheirCraft(t *testing.T) {
	dir := t.TempDir()
	files := cardedFiles(t, dir)
	first := onPad(t, files, craftmodel.EightTwo())
	must(t, declare(first.guard, inspected("blade clearance", "41 mm")), declare(first.guard, inspected("first power-up", "pass")))
	first.run(time.Second)
	must(t, first.guard.Finish(first.now))

	again := onPad(t, files, craftmodel.EightTwo())
	must(t, declare(again.guard, step("empty hover")), declare(again.guard, packA))
	asks(t, again.guard)
	must(t, again.guard.Finish(again.now))

	// The limit is the one that the card has now.
	stricter := files
	stricter.Card.Text = []byte(strings.Replace(string(files.Card.Text), "40 mm", "50 mm", 1))
	g := onPad(t, stricter, craftmodel.EightTwo()).guard
	must(t, declare(g, step("empty hover")), declare(g, packA))
	asks(t, g, "blade clearance: 41 mm, wanted at least 50 mm")
	must(t, g.Finish(0))

	other := files
	other.Card.Text = []byte(strings.Replace(string(files.Card.Text), `name = "Eight 2"`, `name = "Eight 3"`, 1))
	g = onPad(t, other, craftmodel.EightTwo()).guard
	must(t, declare(g, step("empty hover")), declare(g, packA))
	asks(t, g, "blade clearance is not told yet", "first power-up is not told yet")
	must(t, g.Finish(0))
}

// A name says nothing of what flies under it today: a step that flew lighter than the card
// has it now has not flown.
//
//fault:row the card is edited between two starts: a step that flew has more ballast now, or its craft more mass | it counts as not flown, for the steps above it and for the lift to spare
func TestAStepThatFlewLighterHasNotFlown(t *testing.T) {
	files := cardedFiles(t, t.TempDir())
	f := onPad(t, files, craftmodel.EightTwo())
	must(t, declare(f.guard, inspected("blade clearance", "41 mm")), declare(f.guard, inspected("first power-up", "pass")), declare(f.guard, packA), declare(f.guard, step("empty hover")))
	f.run(2 * time.Second)
	f.press("reset")
	f.until("ready")
	f.press("start")
	f.until("live")
	f.press("end")
	f.until("blocked")
	must(t, f.guard.Finish(f.now))
	const lighter = "empty hover flew lighter than the card has it now: fly it again"
	for _, row := range []struct {
		was, now string
		asks     []string
	}{{"", "", nil}, {`ballast = "0 kg"`, `ballast = "10 kg"`, []string{lighter}}, {`mass = "60 kg"`, `mass = "66 kg"`, []string{lighter}}, {`mass = "60 kg"`, `mass = "59 kg"`, nil}} {
		edited := files
		edited.Card.Text = []byte(strings.Replace(string(files.Card.Text), row.was, row.now, 1))
		g := onPad(t, edited, craftmodel.EightTwo()).guard
		must(t, declare(g, packA), declare(g, step("ballast 12")))
		asks(t, g, row.asks...)
		must(t, g.Finish(0))
	}
}

func TestDeclarationsThatAreRefused(t *testing.T) {
	f := onPad(t, cardedFiles(t, t.TempDir()), craftmodel.EightTwo())
	for _, c := range []struct {
		d    session.Declaration
		want string
	}{
		{session.Declaration{What: "reset"}, `nothing is called "reset" here`},
		{step("ballast 13"), `has no step "ballast 13"; it has: blade clearance, first power-up,`},
		{step("blade clearance"), "is an inspection: downhaul declare inspection"},
		{inspected("empty hover", "pass"), `"empty hover" flies`},
		{inspected("blade clearance", "41"), "has no unit"},
		{inspected("blade clearance", "pass"), "does not begin with a number"},
		{inspected("first power-up", "yes"), `"pass" or "fail"`},
		{session.Declaration{What: session.DeclaredInspection, Step: "first power-up", Value: "pass"}, "the initials is one line of 1 to 10 characters (got 0)"},
		{session.Declaration{What: session.DeclaredInspection, Step: "first power-up", Value: "pass", Initials: "a\u202eb"}, "printable"},
		{session.Declaration{What: session.DeclaredPacks}, "1 to 16 names (got 0)"},
		{session.Declaration{What: session.DeclaredPacks, Packs: []string{"B"}}, `no pack "B"`},
		{session.Declaration{What: session.DeclaredPacks, Packs: []string{"A", "a"}}, `"A" is named twice`},
		{session.Declaration{What: session.DeclaredWind, Value: "6"}, "has no unit"},
		{session.Declaration{What: session.DeclaredWind, Value: "-1 mph"}, "must be from 0"},
		{session.Declaration{What: session.DeclaredWind, Value: "800 mph"}, "must be from 0"},
	} {
		if err := declare(f.guard, c.d); err == nil || !contains(err.Error(), c.want) {
			t.Errorf("%+v: %v, want %q", c.d, err, c.want)
		}
	}
	f.run(100 * time.Millisecond)
	must(t, f.guard.Finish(f.now))
	s, err := session.Open(f.guard.Folder())
	must(t, err)
	if story, err := s.Story(); err != nil || len(story.Declarations) != 0 {
		t.Errorf("what was refused is on record: %+v, %v", story, err)
	}
}

// A wind read by hand lapses after ten minutes, and is never more than that.
func TestWindByHandLapses(t *testing.T) {
	dir := t.TempDir()
	files := cardedFiles(t, dir)
	f := onPad(t, files, craftmodel.EightTwo())
	must(t, declare(f.guard, session.Declaration{What: session.DeclaredWind, Value: "6 mph"}))
	w := f.guard.Status().Declared.Wind
	// A mile per hour is 0.44704 m/s by definition.
	if w == nil || w.Value != 2.68224 || w.Unit != "m/s" || w.Text != "6 mph" || w.Says != "declared, not measured" {
		t.Errorf("wind by hand: %+v", w)
	}
	f.now = card.WindLasts
	f.guard.Turn(f.now)
	if f.guard.Status().Declared.Wind == nil {
		t.Error("it lapsed before ten minutes were over")
	}
	f.now += time.Millisecond
	f.guard.Turn(f.now)
	if w := f.guard.Status().Declared.Wind; w != nil {
		t.Errorf("after ten minutes: %+v", w)
	}
	must(t, f.guard.Finish(f.now))
}

// Over the socket a declaration carries the local user that the kernel names,
// whatever the client writes, and a flood is held off.
func TestDeclareOverTheSocket(t *testing.T) {
	dir := shortDir(t)
	files := liveFiles(t, dir)
	files.Card = File{Name: "card.toml", Text: testFile(t, "card.toml")}
	g := openLive(t, files)
	stop := running(t, g)
	socket := filepath.Join(dir, "guard.sock")
	d := step("empty hover")
	d.By = "somebody else"
	r, err := ask.Guard(socket, answers.Request{Do: "declare", Declare: &d})
	must(t, err)
	if r.Declared == nil || r.Declared.Step != "empty hover" || len(r.Declared.Asks) != 3 {
		t.Errorf("answer %+v", r.Declared)
	}
	who := fmt.Sprintf("user %d", os.Getuid())
	soon(t, "it is on record", func() bool {
		story, err := g.session.Story()
		return err == nil && len(story.Declarations) == 1 && contains(story.Declarations[0].By, who)
	})
	if r, err := ask.Guard(socket, answers.Request{Do: "declare"}); err != nil || len(r.Declared.Standing) != 5 || r.Declared.Says != "" {
		t.Errorf("what can be declared: %+v, %v", r.Declared, err)
	}
	held := false
	for range 3 * burst {
		_, err := ask.Guard(socket, answers.Request{Do: "mark", Text: "flood"})
		held = held || err != nil && contains(err.Error(), "too many")
	}
	if !held {
		t.Error("a flood is not held off")
	}
	if _, err := ask.Guard(socket, answers.Request{Do: "status"}); err != nil {
		t.Errorf("and status with it: %v", err)
	}
	must(t, stop())
}

func TestRateGivesOneASecondAfterTheBurst(t *testing.T) {
	var r rate
	now := time.Date(2031, 5, 1, 10, 0, 0, 0, time.UTC)
	for i := range burst {
		if !r.take(now) {
			t.Fatalf("the burst ends after %d", i)
		}
	}
	if r.take(now) || r.take(now.Add(500*time.Millisecond)) {
		t.Error("the burst does not end")
	}
	if !r.take(now.Add(1100 * time.Millisecond)) {
		t.Error("nothing is given a second later")
	}
}

// A group that the pad file names and the system does not have is an error that
// says how to make it.
func TestSocketGroupThatIsNotThere(t *testing.T) {
	if _, err := groupID("downhaul-no-such-group"); err == nil || !contains(err.Error(), "groupadd") {
		t.Errorf("error %v", err)
	}
	if id, err := groupID(""); id != -1 || err != nil {
		t.Errorf("no group named: %d, %v", id, err)
	}
}

// A step that is measured wants a record of the tilt response of this craft and
// these motors: nobody's word counts, and a newer failure counts as well.
func TestMeasuredStepWantsItsRecord(t *testing.T) {
	dir := t.TempDir()
	files := cardedFiles(t, dir)
	places := ""
	for i := range 8 {
		places += fmt.Sprintf("[[motor]]\nnumber = %d\nahead = \"%d m\"\nright = \"%d m\"\nspin = \"cw\"\n", i+1, 1-i%2*2, i-4)
	}
	text := strings.Replace(string(files.Card.Text), "[[step]]", "[motors]\ncount = 8\n"+places+`[[step]]
name = "tilt response"
kind = "ground"
measured_by = "tilt"
lasts = "7 d"
[[step]]`, 1)
	text = strings.Replace(text, `needs   = ["blade clearance", "first power-up"]`, `needs   = ["tilt response"]`, 1)
	files.Card.Text = []byte(text)
	c, faults := card.Read("card.toml", files.Card.Text)
	must(t, faults.Err())
	wants := func(want ...string) {
		t.Helper()
		f := onPad(t, files, craftmodel.EightTwo())
		must(t, declare(f.guard, step("empty hover")), declare(f.guard, packA))
		asks(t, f.guard, want...)
		if err := declare(f.guard, inspected("tilt response", "pass")); err == nil || !contains(err.Error(), "nobody's word counts") {
			t.Errorf("told by hand: %v", err)
		}
		must(t, f.guard.Finish(f.now))
	}
	keep := func(passed bool, motors string, ago time.Duration) {
		t.Helper()
		r := tiltcheck.Record{Schema: tiltcheck.Schema, Made: time.Now().Add(-ago), Craft: c.Craft.Name, Motors: motors, Passed: passed}
		_, err := numbered.Write(tiltcheck.Folder(dir), r.Made, &r.Number, &r)
		must(t, err)
	}
	wants("tilt response was not measured yet for these motors")
	keep(true, "other motors", time.Hour)
	wants("tilt response was not measured yet for these motors")
	keep(true, tiltcheck.Digest(c), 8*24*time.Hour)
	wants("tilt response has lapsed after 7 d (downhaul tilt")
	keep(true, tiltcheck.Digest(c), time.Hour)
	wants()
	keep(false, tiltcheck.Digest(c), time.Minute)
	wants("the last check did not pass, record 4 of tilt")
	keep(true, tiltcheck.Digest(c), time.Second)
	wants()

	// The newest record torn by a power cut: it may have been one that did not
	// pass, so the ones before count no more, and that is said.
	names, err := filepath.Glob(filepath.Join(tiltcheck.Folder(dir), "*.json"))
	must(t, err)
	newest, err := os.ReadFile(names[len(names)-1])
	must(t, err, os.WriteFile(names[len(names)-1], newest[:len(newest)/2], 0o644))
	wants("tilt response was not measured yet for these motors")
	f := onPad(t, files, craftmodel.EightTwo())
	if said := strings.Join(f.guard.Opening(), "\n"); !contains(said, "does not count") || !contains(said, "older records in") {
		t.Errorf("nothing is said of a torn record: %s", said)
	}
	must(t, f.guard.Finish(f.now))
	keep(true, tiltcheck.Digest(c), time.Second)
	wants()
}

// What was taken stands on record, however soon the guard ends; what comes while it ends
// is told as perhaps too late, never as taken.
func TestWhatWasTakenIsOnRecordAtTheEnd(t *testing.T) {
	g, at := stepped(t, cardedFiles(t, t.TempDir()))
	*at += 5 * ms
	g.Turn(*at)
	must(t, declare(g, step("Empty Hover")), g.Mark("look here", "test"))
	ctx, stop := context.WithCancel(t.Context())
	stop()
	g.turnUntil(ctx)
	for what, err := range map[string]error{"a declaration": declare(g, packA), "a mark": g.Mark("too late", "test")} {
		if err == nil {
			t.Errorf("%s at the end was told as taken", what)
		}
	}
	must(t, g.finish())
	s, err := session.Open(g.Folder())
	must(t, err)
	story, err := s.Story()
	must(t, err)
	if len(story.Declarations) != 1 || story.Declarations[0].Step != "empty hover" {
		t.Errorf("declarations on record: %+v", story.Declarations)
	}
	marked := false
	for line, err := range s.Lines() {
		must(t, err)
		marked = marked || line.Text == "mark: look here (by test)"
	}
	if !marked {
		t.Error("the mark is not on record")
	}
	r, err := bench.ReplaySession(s)
	must(t, err)
	if !r.Equal.Claimed || !r.Equal.Holds {
		t.Errorf("%s\nlive   %s\nreplay %s", r.Equal.Says(), r.Equal.Log, r.Equal.Here)
	}
}
