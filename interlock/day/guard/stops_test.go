package guard

import (
	"crypto/sha256"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"downhaul/interlock/before/bench"
	"downhaul/interlock/model/craftmodel"
	"downhaul/interlock/records/numbered"
	"downhaul/interlock/records/session"
	"downhaul/interlock/records/stopping"
)

// stopCard has a stop test and two flights behind it.
const stopCard = `version = 1
title   = "Eight 2"

[craft]
name = "Eight 2"
mass = "60 kg"

[motors]
count  = 8
thrust = "150 N"

[[step]]
name        = "stop test"
kind        = "ground"
measured_by = "stop"
tie_down    = "2.4 kN"
anchor      = "3 kN"
envelope    = "tilt.toml"
envelope_sha256 = "@HASH@"

[[step]]
name    = "empty hover"
ballast = "0 kg"
needs   = ["stop test"]
output  = "70 %"

[[step]]
name    = "full pull"
ballast = "20 kg"
needs   = ["empty hover"]
`

// stopFiles are files of a pad that asks for everything, with a card that has a
// stop test.
func stopFiles(t *testing.T, dir string) Files {
	f := testFiles(t, dir, "tilt.toml")
	text := string(f.Pad.Text)
	text = strings.Replace(text, "required = false            # a rehearsal", `every = "30 d"`, 1)
	from := strings.Index(text, "[stop]")
	text = text[:from] + text[from+strings.Index(text[from:], "\n\n"):] + "\n[contactor]\nname = \"K1\"\nload_openings = 9\n"
	f.Pad.Text = []byte(text)
	f.Card = File{Name: "card.toml", Text: []byte(strings.Replace(stopCard, "@HASH@", fmt.Sprintf("%x", sha256.Sum256(f.Envelope.Text)), 1))}
	keepRecord(t, f, time.Now())
	return f
}

// tiedDown is the craft on a tie-down instead of a tether.
func tiedDown() craftmodel.Config {
	c := craftmodel.EightTwo()
	c.TetherLength, c.Turbulence, c.Wind = 0.5, 0, 0.5
	return c
}

// openAt runs the rotors up to about a share of full output and ends the run by
// the emergency stop; the crew then waits for the rotors.
func (f *flight) openAt(share float64) {
	f.t.Helper()
	f.press("reset")
	f.until("ready")
	f.press("start")
	f.until("live")
	must(f.t, f.craft.Do(craftmodel.Event{Act: craftmodel.Arm}))
	f.run(time.Second)
	must(f.t, f.craft.Do(craftmodel.Event{Act: craftmodel.ClimbTo, Value: 2}), f.craft.Do(craftmodel.Event{Act: craftmodel.Runaway, Value: share}))
	f.run(2 * time.Second)
	if s := f.guard.Status(); s.State != "live" {
		f.t.Fatalf("not live but %s at %v: %s", s.State, share, f.name(f.trips[len(f.trips)-1]))
	}
	must(f.t, f.board.Press("estop"))
	f.run(6 * time.Second)
	must(f.t, f.craft.Do(craftmodel.Event{Act: craftmodel.ClearFaults}), f.craft.Do(craftmodel.Event{Act: craftmodel.Disarm}))
	must(f.t, f.board.Release("estop"))
	f.run(6 * time.Second)
	f.press("reset")
	f.run(time.Second)
}

// The whole stop test on a modelled craft that is tied down: until it was made
// only the step on the ground starts; each opening goes on record in its order;
// three at the output that a step needs prove the stop for that step, by the two
// times that the model's own rotors have, and for no harder one. The session
// replays as it was, and the next guard knows what the records prove.
//
//fault:row openings under load reach the number that the contactor's maker states | no start before it was replaced
func TestStopTestFromEndToEnd(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	files := stopFiles(t, dir)
	f := onPad(t, files, tiedDown())
	g := f.guard
	f.run(2 * time.Second)
	must(t, declare(g, step("empty hover")))
	asks(t, g, "stop test: first an opening at 35 % of output or less", `"empty hover" flies, and the limits of stop test are enforced`, `the stop was not measured, and "empty hover" flies`)
	must(t, declare(g, step("stop test")))
	asks(t, g)
	if err := declare(g, inspected("stop test", "pass")); err == nil || !contains(err.Error(), "nobody's word counts") {
		t.Errorf("told by hand: %v", err)
	}
	f.run(time.Second)
	for _, share := range []float64{0.1, 0.25, 0.6, 0.6, 0.6} {
		if strings.Contains(strings.Join(g.Status().NotReady, "\n"), "stop not measured") {
			t.Fatalf("a step on the ground is held back: %q", g.Status().NotReady)
		}
		f.openAt(share)
	}
	records, trouble, err := numbered.Read(stopping.Folder(dir), stopping.Schema, func(r *stopping.Record) (schema, number int) { return r.Schema, r.Number })
	must(t, err)
	if len(trouble) > 0 || len(records) != 5 {
		t.Fatalf("%d openings on record, %v", len(records), trouble)
	}
	for _, r := range records {
		t.Log(r.Says())
		// The model's rotors fall by e in 0.35 s, from the contactor's opening on.
		if !r.Traced || r.Mirror != "open" || r.Step != "stop test" || r.ThrustS < 0.175 || r.ThrustS > 0.175+0.15+0.2 || r.StandingS < 0.8 || r.StandingS > 2.2 {
			t.Errorf("opening %+v", r)
		}
	}
	var all stopping.Tally
	for _, r := range records {
		all.Take(r)
	}
	p := all.Prove(g.stopOf())
	if p.UpTo() < 0.7 || p.UpTo() > 0.99 || p.Loaded < 4 {
		t.Fatalf("proven up to %v, %d under load", p.UpTo(), p.Loaded)
	}
	must(t, declare(g, step("empty hover")))
	asks(t, g, `"empty hover" flies, and the limits of stop test are enforced`)
	f.run(time.Second)
	if s := strings.Join(g.Status().NotReady, "\n"); strings.Contains(s, "stop not measured") {
		t.Errorf("the stop is proven, and the engine was not told: %s", s)
	}
	if c := g.Status().Counted; c == nil || c.Starts != 5 || c.Openings != 5 || c.Loaded != p.Loaded || c.LiveS < 15 || c.LiveS > 60 || c.FullOutputS != 0 || c.Contactor != "K1" || c.MakerStates != 9 || c.Trouble != "" {
		t.Errorf("counted %+v", c)
	}
	must(t, declare(g, step("full pull")))
	f.run(time.Second)
	if s := strings.Join(g.Status().NotReady, "\n"); !strings.Contains(s, "stop not measured") {
		t.Errorf("proven for less than the step needs: %s", s)
	}
	must(t, g.Finish(f.now))
	s, err := session.Open(g.Folder())
	must(t, err)
	r, err := bench.ReplaySession(s)
	must(t, err)
	if !r.Equal.Claimed || !r.Equal.Holds {
		t.Errorf("%s\nlive   %s\nreplay %s", r.Equal.Says(), r.Equal.Log, r.Equal.Here)
	}

	// The next guard goes by the records: proven for the hover, and with four more
	// openings the contactor has made all that it may.
	f = onPad(t, files, tiedDown())
	f.run(time.Second)
	must(t, declare(f.guard, step("stop test")))
	for n := p.Loaded; n < 9; n++ {
		f.openAt(0.6)
	}
	if due := f.guard.dueTests(); len(due) != 1 || !strings.Contains(due[0], "the contactor K1 has opened under load 9 times, and its maker states 9") {
		t.Errorf("due %q", due)
	}
	must(t, f.guard.Finish(f.now))

	if c := f.guard.Status().Counted; c == nil || c.Openings != 5+9-p.Loaded { // over sessions
		t.Errorf("counted %+v", c)
	}

	// One that a start has taken already counts on, whatever becomes of it. A newer one
	// that cannot be read leaves the stop unproven, and says so.
	names, err := filepath.Glob(filepath.Join(stopping.Folder(dir), "*.json"))
	must(t, err)
	must(t, os.WriteFile(names[2], []byte("{"), 0o644))
	f = onPad(t, files, tiedDown())
	if c := f.guard.Status().Counted; c == nil || c.Openings != 5+9-p.Loaded || c.Trouble != "" {
		t.Errorf("counted %+v", c)
	}
	must(t, f.guard.Finish(f.now), os.WriteFile(filepath.Join(stopping.Folder(dir), "0099-x.json"), []byte("{"), 0o644))
	f = onPad(t, files, tiedDown())
	must(t, declare(f.guard, step("empty hover")))
	if c := f.guard.Status().Counted; c == nil || !strings.Contains(c.Trouble, "counts as not measured") {
		t.Errorf("counted %+v", c)
	}
	if !slices.ContainsFunc(f.guard.Status().Declared.Asks, func(s string) bool { return strings.Contains(s, "the stop was not measured") }) ||
		!strings.Contains(strings.Join(f.guard.Opening(), "\n"), "the stop counts as not measured") {
		t.Errorf("asks %q, opening %q", f.guard.Status().Declared.Asks, f.guard.Opening())
	}
	must(t, f.guard.Finish(f.now))
}

// Where the craft's controllers are silent without power, a watch is read: half a
// second more counts, and without the reading the opening proves nothing.
func TestStopTestByWatch(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	f := onPad(t, stopFiles(t, dir), tiedDown())
	g := f.guard
	f.on = func(b []byte) {
		if esc := len(b) > 9 && b[0] == 0xfd && uint32(b[7])|uint32(b[8])<<8|uint32(b[9])<<16 == 291; !esc || f.board.PowerOn() || f.guard.Status().State == "blocked" || f.guard.Status().State == "ready" || f.guard.Status().State == "closing" {
			f.send(b)
		}
	}
	f.run(2 * time.Second)
	reading := session.Declaration{What: session.DeclaredStop, Value: "1.9 s", Initials: "AB", By: "test"}
	if err := declare(g, reading); err == nil || !contains(err.Error(), "no opening") {
		t.Errorf("a reading of nothing: %v", err)
	}
	must(t, declare(g, step("stop test")))
	for i, share := range []float64{0.1, 0.25, 0.6, 0.6, 0.6} {
		f.openAt(share)
		if p := g.declared.proof.Load(); p.Waits != p.Last || p.UpTo() != 0 {
			t.Fatalf("opening %d counts without a reading: %+v", i, p)
		}
		if err := declare(g, session.Declaration{What: session.DeclaredStop, Value: "61 s", Initials: "AB"}); err == nil {
			t.Error("61 s is taken")
		}
		must(t, declare(g, reading))
	}
	got := g.declared.proof.Load().Times(0.7, g.pad.Stated(), g.pad.FullThrustAfter())
	// 1.9 s and half a second, with its margin: 3 s; a third behind the drop-out.
	if !got.Rotors.Measured || got.Rotors.Standing != 3*time.Second || got.Thrust.Traced || got.Thrust.Gone != g.pad.Contactor.DropOut+time.Second {
		t.Errorf("proven %+v", got)
	}
	must(t, g.Finish(f.now))
}
