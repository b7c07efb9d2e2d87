package guard

import (
	"strings"
	"testing"
	"time"

	"downhaul/interlock/model/craftmodel"
	"downhaul/interlock/records/session"
	"downhaul/interlock/records/stopping"
	"downhaul/rules/card"
)

// restingFiles have a card on which the flight needs the ground step, and only
// that one needs the inspection.
func restingFiles(t testing.TB, dir string) Files {
	t.Helper()
	files := cardedFiles(t, dir)
	text := strings.Replace(string(files.Card.Text), "lasts = \"7 d\"\n", "lasts = \"7 d\"\nneeds = [\"blade clearance\"]\n", 1)
	text = strings.Replace(text, `needs   = ["blade clearance", "first power-up"]`, `needs   = ["first power-up"]`, 1)
	text = strings.Replace(text, `needs    = ["empty hover", "blade clearance"]`, `needs    = ["empty hover"]`, 1)
	files.Card.Text = []byte(text)
	return files
}

// An inspection that failed holds a start back however many steps lie between,
// in this session and in the next; so does what was passed on it, until passed
// anew. A lapse only holds back until it is renewed.
//
//fault:row an inspection failed, and a step that rests on it was passed since | not ready, naming both, until each is passed anew from the bottom up
func TestFailedInspectionHoldsAStartBackFromBelow(t *testing.T) {
	dir := t.TempDir()
	f := onPad(t, restingFiles(t, dir), craftmodel.EightTwo())
	g := f.guard
	f.run(2 * time.Second)
	f.press("reset")
	must(t, declare(g, step("empty hover")), declare(g, packA))
	says, err := g.Declare(inspected("blade clearance", "20 mm"))
	if err != nil || says != "blade clearance, 20 mm: NOT GOOD ENOUGH, wanted at least 40 mm" {
		t.Errorf("a failure comes to %q, %v", says, err)
	}
	says, err = g.Declare(inspected("first power-up", "pass"))
	if err != nil || !contains(says, "not in force: blade clearance: 20 mm") {
		t.Errorf("a pass on top of it comes to %q, %v", says, err)
	}
	asks(t, g, "blade clearance: 20 mm, wanted at least 40 mm", "first power-up was passed, but blade clearance, which it rests on, failed")
	f.run(11 * time.Second)
	if s := g.Status(); s.State != "blocked" {
		t.Fatalf("with a failed inspection below: %s", s.State)
	}
	must(t, declare(g, inspected("blade clearance", "41 mm")))
	asks(t, g, "first power-up was passed, but")
	must(t, declare(g, inspected("first power-up", "pass")))
	asks(t, g)
	f.until("ready")
	f.press("start")
	f.until("live")
	f.press("end")
	f.until("blocked")
	must(t, declare(g, step("ballast 12")))
	asks(t, g)
	// A day later the inspection has lapsed: renewed, all that flew counts on.
	f.now += 24*time.Hour + time.Minute
	g.Turn(f.now)
	asks(t, g, "blade clearance has lapsed after 1 d")
	must(t, declare(g, inspected("blade clearance", "42 mm")))
	asks(t, g)
	says, err = g.Declare(inspected("blade clearance", "39 mm"))
	if err != nil || !contains(says, "passed anew after it: first power-up, empty hover") {
		t.Errorf("a failure below what flew comes to %q, %v", says, err)
	}
	must(t, declare(g, inspected("blade clearance", "43 mm")))
	left := []string{"first power-up was passed, but", "empty hover flew, but blade clearance, which it rests on, failed: fly it again"}
	asks(t, g, left...)
	g.Turn(f.now)
	must(t, g.Finish(f.now))

	// The next session reads the same from the record.
	g = onPad(t, restingFiles(t, dir), craftmodel.EightTwo()).guard
	must(t, declare(g, step("ballast 12")), declare(g, packA))
	asks(t, g, left...)
	must(t, g.Finish(0))
}

// An opening goes on record once the rotors stood: what was declared meanwhile is of the next
// run, and its packs wore nothing.
func TestAnOpeningIsOfThePacksThatItRanOn(t *testing.T) {
	f := onPad(t, stopFiles(t, t.TempDir()), tiedDown())
	f.run(2 * time.Second)
	must(t, declare(f.guard, step("stop test")), declare(f.guard, packA))
	f.press("reset")
	f.until("ready")
	f.press("start")
	f.until("live")
	must(t, f.craft.Do(craftmodel.Event{Act: craftmodel.Arm}))
	f.run(2 * time.Second)
	must(t, f.board.Press("estop"))
	f.run(100 * ms)
	must(t, declare(f.guard, step("empty hover")), declare(f.guard, session.Declaration{What: session.DeclaredPacks, Packs: []string{"b"}, By: "test"}))
	if n := len(f.guard.declared.proof.Load().Packs); n > 0 {
		t.Fatalf("%d packs are on record before the rotors stood", n)
	}
	f.run(8 * time.Second)
	if p := f.guard.declared.proof.Load().Packs; len(p) != 1 || p[0].Name != "a" || p[0].Live < 2*time.Second {
		t.Errorf("on record: %+v", p)
	}
	must(t, f.guard.Finish(f.now))
}

// An inspection that was told of the whole craft, or of another pack, counts no hours of this
// one: those would put off what is due after 5 h of this pack by 20 h more.
func TestHoursOfAnInspectionAreOfItsOwnPack(t *testing.T) {
	cards := map[string]*card.Card{}
	for name, packs := range map[string]string{"craft": "", "A": "packs = [\"A\"]\n", "B": "packs = [\"B\"]\n"} {
		text := strings.Replace(string(testFile(t, "card.toml")), "lasts    = \"1 d\"\n", "every = \"5 h\"\n"+packs, 1)
		c, faults := card.Read("card.toml", []byte(strings.Replace(text, "[[step]]", "[[pack]]\nname = \"B\"\ncells = 14\n\n[[step]]", 1)))
		must(t, faults.Err())
		cards[name] = c
	}
	g := onPad(t, cardedFiles(t, t.TempDir()), craftmodel.EightTwo()).guard
	d := &g.declared
	for _, row := range []struct {
		was, is string
		due     bool
	}{{"craft", "craft", false}, {"A", "A", false}, {"B", "B", false}, {"craft", "A", true}, {"B", "A", true}, {"A", "craft", true}} {
		worn := func(of string) {
			d.card, d.facts.Results = cards[of], nil
			d.facts.Live, d.facts.PackLive = 20*time.Hour, map[string]time.Duration{"A": 17 * time.Hour, "B": 30 * time.Hour}
		}
		worn(row.was)
		said := d.said.room()
		must(t, declare(g, inspected("blade clearance", "41 mm")))
		x, _ := session.ParseDeclaration(*said)
		worn(row.is)
		d.result(&x, 0)
		s, _ := d.card.Step(x.Step)
		if r := d.facts.Results[0]; (d.facts.Hours(s)-r.Live >= s.Every) != row.due {
			t.Errorf("told of %s, asked of %s: %v behind %v, want it due: %v", row.was, row.is, d.facts.Hours(s), r.Live, row.due)
		}
	}
	// Names are the same whatever the case of their letters, on the card before as well.
	d.card = cards["A"]
	d.proof.Store(&stopping.Proof{Packs: []stopping.PackWorn{{Name: "a", Worn: stopping.Worn{Live: time.Hour}}, {Name: "A", Worn: stopping.Worn{Live: time.Hour}}}})
	d.changed(0)
	s, _ := d.card.Step("blade clearance")
	if d.facts.Hours(s) != 2*time.Hour {
		t.Errorf("pack A wore %v of 2 h", d.facts.Hours(s))
	}
	d.facts.Results = nil
	d.result(&session.Declaration{What: session.DeclaredInspection, Step: s.Name, Value: "41 mm", Packs: []string{"a"}, LiveS: 3600}, 0)
	if d.facts.Results[0].Live != time.Hour {
		t.Errorf("told of pack a at 1 h: %v", d.facts.Results[0].Live)
	}
	d.card = nil
	must(t, g.Finish(0))
}
