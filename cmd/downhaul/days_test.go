package main

import (
	"errors"
	"net/netip"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"downhaul/hw/virtual"
	"downhaul/interlock/day/answers/told"
	"downhaul/interlock/day/guard"
	"downhaul/interlock/model/benchboard"
	"downhaul/interlock/model/craftmodel"
	"downhaul/interlock/model/rehearsal"
	"downhaul/interlock/records/session"
)

// days FOLDER BALLAST... flies one day for each ballast, in kg, with a guard
// stepped beside the modelled craft of the demo: a hover at 4 m, and on the first
// day a pull at the tether with all it has. Each day is a session below FOLDER,
// named day-1 and on; the files stand there too.
func days(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: days FOLDER BALLAST...")
	}
	dir := ts.MkAbs(args[0])
	ts.Check(os.MkdirAll(dir, 0o755))
	link, err := rehearsal.FreePort()
	ts.Check(err)
	ts.Check(hoverFiles(dir, link))
	var made []string
	for i, kg := range args[1:] {
		flown, err := hoverDay(dir, link, hovering{ballast: kg, seed: uint64(i + 1), pull: i == 0})
		ts.Check(err)
		made = append(made, flown)
	}
	for i, name := range made { // once no guard needs to find them any more
		ts.Check(os.Rename(name, filepath.Join(dir, "day-"+strconv.Itoa(i+1))))
	}
}

// hoverFiles writes the files of testdata/season for a guard below dir that hears the link.
func hoverFiles(dir string, link netip.AddrPort) error {
	names, err := filepath.Glob("../../testdata/season/*.toml")
	if err != nil {
		return err
	}
	here := strings.NewReplacer("/tmp/downhaul-season", dir, "127.0.0.1:40123", link.String())
	for _, name := range names {
		text, err := os.ReadFile(name)
		if err != nil {
			return err
		}
		if err := os.WriteFile(filepath.Join(dir, filepath.Base(name)), []byte(here.Replace(string(text))), 0o644); err != nil {
			return err
		}
	}
	return nil
}

// hovering is one day: its ballast in kg, whether the craft pulls at the tether,
// how long it then stands on the pad, and how often it sends which messages.
type hovering struct {
	ballast string
	seed    uint64
	pull    bool
	stands  time.Duration
	periods map[uint32]time.Duration
}

// hoverDay is one session below dir, with one run at one ballast. It gives its folder.
func hoverDay(dir string, link netip.AddrPort, day hovering) (string, error) {
	step, envelope := "ballast "+day.ballast, ""
	if day.pull {
		step, envelope = "full pull", filepath.Join(dir, "pull.toml")
	}
	files, err := guard.ReadFiles(filepath.Join(dir, session.Pad), envelope, "")
	if err != nil {
		return "", err
	}
	var clock time.Duration
	opts := guard.Options{Virtual: benchboard.Open, Software: guard.Software(), Room: 64 << 20, Stepped: true, Now: func() time.Duration { return clock }}
	g, err := guard.Open(files, opts)
	if err != nil {
		return "", err
	}
	cfg := craftmodel.EightTwo()
	cfg.Ballast, err = strconv.ParseFloat(day.ballast, 64)
	if err != nil {
		return "", err
	}
	cfg.Seed, cfg.Unpowered, cfg.Wind, cfg.Periods = day.seed, true, 1, day.periods
	cfg.Packs, cfg.Capacity, cfg.CellResistance, cfg.SlowResistance = 2, 22, 0.0022, 0.0009
	craft, err := craftmodel.New(cfg)
	if err != nil {
		return "", err
	}
	board := g.Board().(*virtual.Board)
	crew, err := crewOf(g)
	if err != nil {
		return "", err
	}
	s := &stage{craft: craft, board: board, guard: g, send: straight(g, link), crew: crew}
	do := func(events ...craftmodel.Event) func() error {
		return func() error {
			for _, e := range events {
				if err := craft.Do(e); err != nil {
					return err
				}
			}
			return nil
		}
	}
	declare := func() error {
		_, packs := g.Declare(session.Declaration{What: session.DeclaredPacks, Packs: []string{"A", "B"}, By: "a test"})
		_, flown := g.Declare(session.Declaration{What: session.DeclaredStep, Step: step, By: "a test"})
		return errors.Join(packs, flown)
	}
	var at time.Duration
	then := func(wait time.Duration, want string, act func() error) {
		s.crew.scenes = append(s.crew.scenes, scene{func(now time.Duration, st *told.Status) bool {
			return now-at >= wait && (want == "" || st.State == want)
		}, "the next scene", func(now time.Duration, _ *told.Status) error { at = now; return act() }})
	}
	second := time.Second
	then(second, "", declare)
	then(second, "", func() error { return board.CloseContact("gate") })
	then(second, "", func() error { return board.Press("reset") })
	then(300*time.Millisecond, "", func() error { return board.Release("reset") })
	then(12*second, "ready", func() error { return board.Press("start") })
	then(300*time.Millisecond, "", func() error { return board.Release("start") })
	then(second, "live", do(craftmodel.Event{Act: craftmodel.Arm}, craftmodel.Event{Act: craftmodel.ClimbTo, Value: 4}))
	then(30*second, "", func() error { return nil })
	if day.pull {
		then(0, "", do(craftmodel.Event{Act: craftmodel.ClimbTo, Value: 40}))
		then(30*second, "", func() error { return nil })
	}
	then(0, "", do(craftmodel.Event{Act: craftmodel.LandNow}))
	then(20*second, "", func() error { return board.Press("end") })
	then(300*time.Millisecond, "", func() error { return board.Release("end") })
	then(12*second, "", func() error { return nil })
	for left := day.stands; left > 0; left -= patience / 2 {
		then(patience/2, "", func() error { return nil })
	}
	if err := board.OpenContact("gate"); err != nil {
		return "", errors.Join(err, g.Finish(0))
	}
	err = runStepped(s, g, &clock)
	return g.Folder(), errors.Join(err, g.Finish(clock))
}
