package guard

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"downhaul/hw/localsocket"
	"downhaul/interlock"
	"downhaul/interlock/model/craftmodel"
	"downhaul/interlock/records/session"
	"downhaul/rules/card"
)

// crewed is the card with all that only the crew can give.
func crewed(t *testing.T, dir string) Files {
	t.Helper()
	f := cardedFiles(t, dir)
	f.Card.Text = []byte(strings.NewReplacer(`mass = "60 kg"`, "mass = \"60 kg\"\nafter_crash = \"15 min\"",
		`ballast = "0 kg"`, "ballast = \"0 kg\"\nconfirmed_by = 2",
		`ballast  = "12 kg"`, "ballast  = \"12 kg\"\nballast_within = \"200 g\"",
		`at_least = "40 mm"`, "at_least = \"40 mm\"\nevery = \"2 h\"").Replace(string(f.Card.Text)))
	return f
}

func by(what session.What, value, initials string) session.Declaration {
	return session.Declaration{What: what, Value: value, Initials: initials, By: "test"}
}

// Two persons stand for a step, and the ballast is weighed, each time that it is declared.
func TestTheCrewConfirmsAndWeighs(t *testing.T) {
	f := onPad(t, crewed(t, t.TempDir()), craftmodel.EightTwo())
	g := f.guard
	wants := func(want string, d session.Declaration) {
		t.Helper()
		if err := declare(g, d); err == nil || !contains(err.Error(), want) {
			t.Errorf("%+v: %v, want %q", d, err, want)
		}
	}
	wants("no step is declared yet", by(session.DeclaredConfirm, "", "AB"))
	must(t, declare(g, step("empty hover")), declare(g, packA), declare(g, inspected("blade clearance", "41 mm")), declare(g, inspected("first power-up", "pass")))
	asks(t, g, `"empty hover" wants the initials of 2 persons, and has none`)
	must(t, declare(g, by(session.DeclaredConfirm, "", "AB")))
	asks(t, g, "and has AB")
	wants("another person", by(session.DeclaredConfirm, "", "ab"))
	wants("the initials", by(session.DeclaredConfirm, "", ""))
	must(t, declare(g, by(session.DeclaredConfirm, "", "CD")))
	asks(t, g)
	must(t, declare(g, step("empty hover")))
	asks(t, g, "and has none")
	must(t, declare(g, step("ballast 12")))
	asks(t, g, "empty hover has not flown", "is not weighed yet, and must be 12 kg")
	wants("has no unit", by(session.DeclaredBallast, "12", "AB"))
	wants("0 or more", by(session.DeclaredBallast, "-1 kg", "AB"))
	must(t, declare(g, by(session.DeclaredBallast, "11.7 kg", "AB")))
	asks(t, g, "empty hover has not flown", "weighs 11.7 kg, and must be 12 kg to within 0.2 kg")
	must(t, declare(g, by(session.DeclaredBallast, "12.1 kg", "AB")))
	asks(t, g, "empty hover has not flown")
	// Safe at the end of the day: nothing is fitted any more, and a start wants it anew.
	must(t, declare(g, by(session.DeclaredSafe, "", "CD")))
	asks(t, g, "no step of the test card is declared")
	if d := g.Status().Declared; len(d.Packs) != 0 || d.KeepOut != "" {
		t.Errorf("after it was made safe: %+v", d)
	}
	r := g.answer([]byte(`{"do":"declare"}`), localsocket.Peer{})
	if r.Declared == nil || strings.Join(r.Declared.Standing, "|") != "in force|in force|not flown yet|not flown yet|not flown yet" {
		t.Errorf("what can be declared: %+v, %s", r.Declared, r.Error)
	}
	must(t, g.Finish(f.now))
}

// takeUp declares what the card asks for its first hover, starts, and brings the craft up.
func (f *flight) takeUp() {
	t := f.t
	t.Helper()
	must(t, declare(f.guard, step("empty hover")), declare(f.guard, packA), declare(f.guard, inspected("blade clearance", "41 mm")),
		declare(f.guard, inspected("first power-up", "pass")), declare(f.guard, by(session.DeclaredConfirm, "", "AB")), declare(f.guard, by(session.DeclaredConfirm, "", "CD")))
	f.run(2 * time.Second)
	f.press("reset")
	f.until("ready")
	f.press("start")
	f.until("live")
	must(t, f.craft.Do(craftmodel.Event{Act: craftmodel.Arm}))
	f.run(2 * time.Second)
	must(t, f.craft.Do(craftmodel.Event{Act: craftmodel.ClimbTo, Value: 2}))
	f.run(5 * time.Second)
}

// After power went off in the air the crew keeps out for the time on the card, whatever
// the rotors do, in the next session too; then one person takes the packs out first and
// says how warm they are.
func TestNobodyGoesInAfterACrash(t *testing.T) {
	dir := t.TempDir()
	files := crewed(t, dir)
	f := onPad(t, files, craftmodel.EightTwo())
	f.takeUp()
	r := f.guard.answer([]byte(`{"do":"declare"}`), localsocket.Peer{})
	if !contains(r.Error, "before a start only") {
		t.Errorf("what can be declared while live: %+v", r)
	}
	if !f.guard.Status().Airborne {
		t.Fatal("the craft is not in the air")
	}
	must(t, f.board.Press("estop"))
	f.run(time.Second)
	must(t, f.board.Release("estop"))
	f.until("tripped")
	f.run(10 * time.Second)
	wants := func(g *Guard, want string, d session.Declaration) {
		t.Helper()
		if err := declare(g, d); err == nil || !contains(err.Error(), want) {
			t.Errorf("%+v: %v, want %q", d, err, want)
		}
	}
	kept := func(g *Guard, want string) {
		t.Helper()
		s := g.Status()
		if want != "" && (!s.KeepOut || len(s.DoNow) == 0 || !contains(s.DoNow[0], want)) || want == "" && s.KeepOut {
			t.Errorf("keep out %v, %q, want %q", s.KeepOut, s.DoNow, want)
		}
	}
	kept(f.guard, "Keep out for 15 min more")
	wants(f.guard, "keep out for 15 min more", by(session.DeclaredSafe, "30 °C", "AB"))
	must(t, f.guard.Finish(f.now))
	s, err := session.Open(f.guard.Folder())
	must(t, err)
	story, err := s.Story()
	must(t, err)
	if len(story.Runs) != 1 || !story.Runs[0].Fell {
		t.Errorf("on record: %+v", story.Runs)
	}

	next := onPad(t, files, craftmodel.EightTwo())
	kept(next.guard, "Keep out for ")
	asks(t, next.guard, "keep out for ", "no step of the test card is declared")
	next.now += 16 * time.Minute
	next.guard.Turn(next.now)
	kept(next.guard, "Power went off in the air: look at the packs' temperature")
	wants(next.guard, "its temperature is wanted too", by(session.DeclaredSafe, "", "AB"))
	must(t, declare(next.guard, by(session.DeclaredSafe, "31 °C", "AB")))
	asks(t, next.guard, "no step of the test card is declared")
	next.run(time.Second)
	must(t, next.guard.Finish(next.now))

	last := onPad(t, files, craftmodel.EightTwo())
	asks(t, last.guard, "no step of the test card is declared")
	must(t, last.guard.Finish(last.now))
	if names, _ := filepath.Glob(filepath.Join(dir, "20*")); len(names) != 3 {
		t.Errorf("sessions: %q", names)
	}
}

// A guard that is killed, or whose computer loses its power, while the craft flies drops it,
// and no end of that run is on record: the next session has the crew keep out as after any
// crash.
//
//fault:row the guard dies, or its computer loses its power, while power is on | the next session counts it as a fall: where the card asks for a wait, keep out for all of it, then the packs out
func TestNobodyGoesInAfterAGuardThatDiedInTheAir(t *testing.T) {
	f := onPad(t, crewed(t, t.TempDir()), craftmodel.EightTwo())
	f.takeUp()
	died := t.TempDir() // what a guard that dies now leaves
	must(t, os.CopyFS(died, os.DirFS(filepath.Dir(f.guard.Folder()))))
	must(t, f.guard.Finish(f.now))

	next := onPad(t, crewed(t, died), craftmodel.EightTwo())
	asks(t, next.guard, "keep out for 15 min more", "no step of the test card is declared")
	must(t, next.guard.Finish(next.now))
	// Nobody has made it safe: what is handed on says so too.
	last := onPad(t, crewed(t, died), craftmodel.EightTwo())
	asks(t, last.guard, "keep out for 15 min more", "no step of the test card is declared")
	must(t, last.guard.Finish(last.now))
}

// A guard without a test card asks for no wait, but what fell under it may be the craft that
// a card names today: nobody goes in to that either.
func TestAFallWithoutACardIsCarriedOnToOneThatAsksForAWait(t *testing.T) {
	dir := t.TempDir()
	bare := crewed(t, dir)
	bare.Card = File{}
	f := onPad(t, bare, craftmodel.EightTwo())
	f.run(2 * time.Second)
	f.press("reset")
	f.until("ready")
	f.press("start")
	f.until("live")
	must(t, f.craft.Do(craftmodel.Event{Act: craftmodel.Arm}))
	f.run(2 * time.Second)
	must(t, f.craft.Do(craftmodel.Event{Act: craftmodel.ClimbTo, Value: 2}))
	f.run(5 * time.Second)
	f.press("end")
	must(t, f.guard.Finish(f.now))

	next := onPad(t, crewed(t, dir), craftmodel.EightTwo())
	asks(t, next.guard, "keep out for 15 min more", "no step of the test card is declared")
	must(t, next.guard.Finish(next.now))
}

// How long ago a crash was is reckoned from the clock of that session where that was kept
// set; one that was not may have been hours behind, so the time begins anew.
func TestACrashByAClockThatWasNotKeptSetWasJustNow(t *testing.T) {
	story := session.Story{Runs: []session.Run{{Number: 1, Step: "s", Fell: true, Ended: true, Wall: time.Unix(1000, 0), Begin: time.Minute, End: 3 * time.Minute}}}
	for _, row := range []struct {
		clock string
		ended bool
		fell  time.Duration
	}{{"synchronised, to 5ms at worst", true, 1120 * time.Second}, {"not synchronised: without a battery", true, whoKnows}, {"synchronised, to 5ms at worst", false, whoKnows}} {
		d := declared{card: &card.Card{Craft: card.Craft{AfterCrash: time.Hour}}}
		story.Runs[0].Ended = row.ended
		d.retell(&story, &session.Info{Clocks: session.Clocks{Wall: clockWas + row.clock}}, d.card)
		if d.facts.Fell != row.fell {
			t.Errorf("%+v: fell at %v", row, d.facts.Fell)
		}
	}
}

// What is a crash: power that goes off while the craft was seen in the air within the last
// second, unless it goes off because the craft is down.
func TestWhatCountsAsACrash(t *testing.T) {
	for _, row := range []struct {
		aloft  time.Duration
		reason interlock.Reason
		fell   bool
	}{{9900 * ms, interlock.ReasonEStop, true}, {8900 * ms, interlock.ReasonEStop, false}, {9900 * ms, interlock.ReasonDown, false}, {0, interlock.ReasonEnd, false}} {
		b := runBook{aloft: func() time.Duration { return row.aloft }}
		b.saw(&interlock.Effect{Kind: interlock.StateEffect, From: interlock.Closing, State: interlock.Live, At: 2 * time.Second})
		b.saw(&interlock.Effect{Kind: interlock.StateEffect, From: interlock.Live, State: interlock.Tripped, At: 10 * time.Second, Reason: row.reason})
		if b.open.Fell != row.fell {
			t.Errorf("%+v: fell %v", row, b.open.Fell)
		}
	}
}
