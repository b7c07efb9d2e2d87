package rehearsal

import (
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"downhaul/interlock/before/hazard"
	"downhaul/interlock/model/craftmodel"
	"downhaul/interlock/records/triplog"
)

var usual = made{mass: 60, ratio: 1.8, tether: 9, motors: 8, cells: 14}

// fly1 flies one scenario that ships.
func fly1(t *testing.T, x made, name string) (*Setup, *Result) {
	t.Helper()
	s, err := Prepare(x.files(), "", t.TempDir(), true)
	if err != nil {
		t.Fatalf("%+v: %v", x, err)
	}
	if s, err = s.In(t.TempDir()); err != nil {
		t.Fatal(err)
	}
	scenario, err := s.Shipped(name)
	if err != nil {
		t.Fatal(err)
	}
	r, err := s.Fly(name, scenario)
	if err != nil {
		t.Fatalf("%+v: %s: %v", x, name, err)
	}
	return s, r
}

// Crafts of every size start, hover and land on a calm day without a stop, and a
// runaway of theirs is stopped.
func TestCraftsFlyFromStartToEnd(t *testing.T) {
	t.Parallel()
	for i, x := range crafts() {
		if x.cells > craftmodel.MostCellsTold || i%2 == 1 && testing.Short() {
			continue
		}
		if _, r := fly1(t, x, Calm); !r.AsExpected || len(r.Harms) > 0 {
			t.Errorf("%+v: calm day: %q, stopped %+v, %+v", x, r.NoStart, r.Stopped, r.Harms)
		}
		if _, r := fly1(t, x, "runaway-at-the-hover"); !r.AsExpected {
			t.Errorf("%+v: runaway: %q, stopped %+v", x, r.NoStart, r.Stopped)
		}
	}
}

// A cut craft falls: it arrives with the speed of the fall from the greatest height,
// v = √(2 g h), less what drag takes; a runaway from the pad is no faster than its
// thrust makes it, v = √(2 a H) (energy).
func TestFlightsKeepToPhysics(t *testing.T) {
	t.Parallel()
	for _, x := range []made{usual, {mass: 5, ratio: 2.1, tether: 16, motors: 4, cells: 6}, {mass: 400, ratio: 1.6, tether: 30, motors: 12, cells: 14, imperial: true}} {
		_, r := fly1(t, x, "gate-in-the-hover")
		if free := hazard.FallSpeed(r.Truth.Height); r.Truth.Arrival > 1.01*free || r.Truth.Arrival < 0.8*free {
			t.Errorf("%+v: from %.2f m it arrives at %.2f m/s; free fall is %.2f m/s", x, r.Truth.Height, r.Truth.Arrival, free)
		}
		c, err := craftmodel.New(func() craftmodel.Config {
			cfg := modelOf(t, x).Config
			cfg.Wind, cfg.Turbulence, cfg.Unpowered, cfg.DragArea = 0, 0, false, 0
			return cfg
		}())
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range []craftmodel.Event{{Act: craftmodel.Arm}, {Act: craftmodel.ClimbTo, Value: 5}, {Act: craftmodel.Runaway, Value: 1}} {
			if err := c.Do(e); err != nil {
				t.Fatal(err)
			}
		}
		for c.Truth().Height < 0.3*x.tether {
			c.Step(5e6)
		}
		s := c.Truth()
		// The pack is fuller than under the stated load, the motors lag: both ends.
		if v := hazard.FromRest((x.ratio-1)*9.80665, s.Height); s.Climb > 1.05*v || s.Climb < 0.8*v {
			t.Errorf("%+v: a runaway climbs at %.2f m/s at %.2f m, by energy %.2f m/s", x, s.Climb, s.Height, v)
		}
	}
}

// The same files, scenario and seed give the same flight.
func TestAFlightIsTheSameAgain(t *testing.T) {
	t.Parallel()
	_, a := fly1(t, usual, "gust-front")
	_, b := fly1(t, usual, "gust-front")
	if d := cmp.Diff(a, b, cmpopts.IgnoreFields(Result{}, "Session")); d != "" {
		t.Error(d)
	}
}

// A trial that is left out, or cut off once the craft lies without power, would have
// reached what is taken for it.
func TestTrialsLeaveOutWhatChangesNothing(t *testing.T) {
	t.Parallel()
	files := usual.files()
	files.Envelope.Text = append(files.Envelope.Text, "\n[[rule]]\nname = \"drift\"\nwatch = \"craft.distance\"\nabove = \"8 m\"\nstop = \"controlled\"\ngrace = \"10 s\"\n"...)
	s, err := Prepare(files, "", t.TempDir(), true)
	if err != nil {
		t.Fatal(err)
	}
	fly := func(s *Setup, brief bool) *Result {
		set, err := s.In(t.TempDir())
		if err != nil {
			t.Fatal(err)
		}
		scenario, err := set.Shipped("tumble")
		if err != nil {
			t.Fatal(err)
		}
		r, err := set.fly("tumble", scenario, brief)
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	whole := fly(s, false)
	if r := fly(s, true); r.Truth != whole.Truth || r.Timeline[len(r.Timeline)-1].At > whole.Timeline[len(whole.Timeline)-1].At {
		t.Errorf("cut off: %+v, whole %+v", r.Truth, whole.Truth)
	}
	variants, err := s.variants()
	if err != nil {
		t.Fatal(err)
	}
	left := 0
	for _, v := range variants {
		if !v.needless(whole) {
			continue
		}
		left++
		if r := fly(v.set, false); r.Truth != whole.Truth {
			t.Errorf("%s: %+v, without it %+v", v.what, r.Truth, whole.Truth)
		}
	}
	if left != 2 { // the drift rule's grace and its stop
		t.Errorf("%d trials were left out", left)
	}
}

// What a mishap does to limits that watch for it, by what stops it first.
func TestWhatStopsAMishap(t *testing.T) {
	t.Parallel()
	for name, want := range map[string]string{
		"runaway-from-the-pad": "ceiling", "tumble": "tilt", "link-silent": "", "gate-in-the-hover": "", "hold-let-go": "",
		"stop-in-the-climb": "", "link-doubled": "", "reboot": "", "load-cell-open": "pull", "guard-killed": "",
	} {
		_, r := fly1(t, usual, name)
		if r.Stopped == nil || r.Stopped.Rule != want {
			t.Errorf("%s: stopped by %+v, want rule %q", name, r.Stopped, want)
		}
	}
	for _, name := range []string{"gate-at-the-start", "contactor-dead"} {
		if _, r := fly1(t, usual, name); !r.AsExpected {
			t.Errorf("%s: live %v, %q", name, r.Live, r.NoStart)
		}
	}
	_, r := fly1(t, usual, "contactor-welded")
	if !slices.ContainsFunc(r.Harms, func(h Harm) bool { return h.What == "power stays on the rotors after the stop" }) {
		t.Errorf("a welded contactor: %+v", r.Harms)
	}
	_, r = fly1(t, usual, "contactor-slow")
	if !slices.ContainsFunc(r.Timeline, func(l Line) bool { return strings.HasPrefix(l.Says, "FAULT: POWER NOT REMOVED") }) {
		t.Errorf("a contactor that opens a second late: %+v", r.Timeline)
	}
	if _, r := fly1(t, usual, "one-cell-low"); r.AsExpected {
		t.Error("limits without a pack stop for a low cell")
	}
}

// A disk that takes nothing more delays no stop, and what could not be written is there
// once it takes something again: the log is whole.
func TestAFullDiskDelaysNoStopAndLosesNothing(t *testing.T) {
	t.Parallel()
	_, r := fly1(t, usual, "disk-full")
	_, stop := fly1(t, usual, "stop-in-the-climb")
	if r.Stopped == nil || r.Stopped.Why != stop.Stopped.Why || !r.AsExpected {
		t.Fatalf("stopped %+v, want as with a good disk, %+v", r.Stopped, stop.Stopped)
	}
	parts, err := triplog.Parts(r.Session)
	if err != nil || len(parts) != 2 {
		t.Fatalf("the log's files: %v, %v", parts, err)
	}
	if v, err := triplog.WalkFiles(parts, nil); err != nil || v.Verdict != triplog.Whole {
		t.Errorf("the log: %+v, %v; want it whole", v, err)
	}
}

// A step on the ground is rehearsed with its own limits, and stopped by its own trip: none
// of the limits stops a craft that leaves the ground there. A card without one lacks it.
func TestACraftThatLeavesTheGroundInAStepOnIt(t *testing.T) {
	t.Parallel()
	if _, r := fly1(t, usual, "leaves-the-ground"); r.Lacks == "" || r.Live {
		t.Errorf("without such a step it is flown: %+v", r)
	}
	dir := t.TempDir()
	files := usual.files()
	files.Card.Name = filepath.Join(dir, "card.toml")
	limits := "version = 1\ntitle = \"on the ground\"\nchanged = \"first\"\n[[rule]]\nname = \"tilt\"\nwatch = \"craft.tilt\"\nabove = \"35 deg\"\nstop = \"immediate\"\n"
	files.Card.Text = append(files.Card.Text, "\n[[step]]\nname = \"power-up\"\nkind = \"ground\"\npass = \"each motor starts\"\nenvelope = \"ground.toml\"\nenvelope_sha256 = \""+fmt.Sprintf("%x", sha256.Sum256([]byte(limits)))+"\"\n"...)
	if err := os.WriteFile(filepath.Join(dir, "ground.toml"), []byte(limits), 0o600); err != nil {
		t.Fatal(err)
	}
	s, err := Prepare(files, "", t.TempDir(), true)
	if err != nil {
		t.Fatal(err)
	}
	if s, err = s.In(t.TempDir()); err != nil {
		t.Fatal(err)
	}
	scenario, err := s.Shipped("leaves-the-ground")
	if err != nil {
		t.Fatal(err)
	}
	r, err := s.Fly("leaves-the-ground", scenario)
	if err != nil || !r.AsExpected || r.Stopped == nil || r.Stopped.Why != "the craft left the ground in a step on the ground" || r.Truth.Height > 1.6 {
		t.Errorf("%v: stopped by %+v at %.2f m: %s", err, r.Stopped, r.Truth.Height, r.NoStart)
	}
}

// Everything that a rehearsal leaves says that it is one.
func TestARehearsalIsMarked(t *testing.T) {
	t.Parallel()
	s, r := fly1(t, usual, Calm)
	text, err := os.ReadFile(filepath.Join(r.Session, "session.json"))
	if err != nil {
		t.Fatal(err)
	}
	var info struct{ Mark string }
	if err := json.Unmarshal(text, &info); err != nil || info.Mark != "virtual board, a rehearsal" {
		t.Errorf("session.json has the mark %q, %v", info.Mark, err)
	}
	if !s.Checked.Pad.Rehearses() || s.Checked.Pad.LogFolder == "/var/lib/downhaul" {
		t.Errorf("a rehearsal's pad counts: %+v", s.Checked.Pad.Commission)
	}
}

func TestEveryMishapIsReadAndNamed(t *testing.T) {
	t.Parallel()
	s, err := Prepare(usual.files(), "", t.TempDir(), true)
	if err != nil {
		t.Fatal(err)
	}
	if n := len(Names()); n < 25 {
		t.Errorf("%d mishaps ship, the calm day among them", n)
	}
	for _, name := range Names() {
		sc, err := s.Shipped(name)
		if err != nil {
			t.Error(err)
		} else if sc.Title == "" || sc.End == 0 || math.IsInf(sc.End.Seconds(), 0) {
			t.Errorf("%s: no title or end", name)
		}
	}
}
