package bench_test

import (
	"bytes"
	"fmt"
	"io"
	"net/netip"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"downhaul/interlock/before/bench"
	"downhaul/interlock/day/guard"
	"downhaul/interlock/day/intake"
	"downhaul/interlock/model/benchboard"
	"downhaul/interlock/model/craftmodel"
	"downhaul/interlock/records/recorder"
	"downhaul/interlock/records/recording"
	"downhaul/interlock/records/session"
	"downhaul/rules"
)

const watchPad = `version = 1
duty = "watch"
log_folder = %q
[craft]
system = 1
component = 1
motors = 8
[height]
source = "global"
[[link]]
kind = "udp"
address = "127.0.0.1:40123"
`

const watchEnvelope = `version = 1
title = "watch"
[[rule]]
name = "height"
watch = "craft.height"
above = "1 m"
caution = "0.5 m"
stop = "immediate"
`

// watched is the session of a guard that watched a short flight.
func watched(t *testing.T) *session.Session {
	t.Helper()
	dir := t.TempDir()
	var clock time.Duration
	g, err := guard.Open(guard.Files{
		Pad:      guard.File{Name: "pad.toml", Text: fmt.Appendf(nil, watchPad, dir)},
		Envelope: guard.File{Name: "envelope.toml", Text: []byte(watchEnvelope)},
	}, guard.Options{Virtual: benchboard.Open, Software: "test", Room: 1 << 20, Stepped: true, Now: func() time.Duration { return clock }})
	if err != nil {
		t.Fatal(err)
	}
	cfg := craftmodel.EightTwo()
	cfg.Events = []craftmodel.Event{{At: time.Second, Act: craftmodel.Arm}, {At: 2 * time.Second, Act: craftmodel.ClimbTo, Value: 2}}
	c, err := craftmodel.New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	from, to := netip.MustParseAddrPort("127.0.0.1:40124"), netip.MustParseAddrPort("127.0.0.1:40123")
	var sent []craftmodel.Datagram
	for clock = 0; clock < 12*time.Second; clock += 5 * time.Millisecond {
		c.Advance(clock)
		sent = c.Frames(sent[:0])
		for _, d := range sent {
			g.Telemetry(intake.Chunk{From: from, To: to, Bytes: d.Bytes})
		}
		g.Turn(clock)
	}
	if err := g.Finish(clock); err != nil {
		t.Fatal(err)
	}
	s, err := session.Open(g.Folder())
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func equality(t *testing.T, dir string) *bench.Equality {
	t.Helper()
	s, err := session.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	r, err := bench.ReplaySession(s)
	if err != nil {
		t.Fatal(err)
	}
	return r.Equal
}

type file struct{ *os.File }

// rewriteRecording writes a session's recording anew, with every chunk passed
// through change; one that it refuses is left out.
func rewriteRecording(t *testing.T, dir string, change func(*intake.Chunk) bool) {
	t.Helper()
	name := filepath.Join(dir, "recording.pcapng")
	rec, err := recording.Open(name)
	if err != nil {
		t.Fatal(err)
	}
	defer rec.Close()
	f, err := os.Create(filepath.Join(dir, "new.pcapng"))
	if err != nil {
		t.Fatal(err)
	}
	info := rec.Info()
	w, err := recorder.Create(file{f}, recorder.Start{Session: info.Session, Software: info.Software, Wall: info.Start})
	if err != nil {
		t.Fatal(err)
	}
	for {
		c, err := rec.Next()
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		if !change(c) {
			continue
		}
		if err := w.Put(*c); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	if err := os.Rename(f.Name(), name); err != nil {
		t.Fatal(err)
	}
}

func TestPromise08_ReplayOfASessionEqualsIt(t *testing.T) {
	dir := watched(t).Dir
	eq := equality(t, dir)
	if !eq.Claimed || !eq.Holds || eq.Decisions < 5 || eq.Replayed != eq.Decisions {
		t.Fatalf("%s: %+v", eq.Says(), eq)
	}
	// Written anew without any change it still holds.
	rewriteRecording(t, dir, func(*intake.Chunk) bool { return true })
	if eq := equality(t, dir); !eq.Claimed || !eq.Holds {
		t.Fatalf("written anew: %s", eq.Says())
	}
}

func TestReplayDoesNotClaimWhatItCannot(t *testing.T) {
	t.Run("a chunk is missing", func(t *testing.T) {
		dir := watched(t).Dir
		rewriteRecording(t, dir, func(c *intake.Chunk) bool { return c.Seq != 40 })
		eq := equality(t, dir)
		if eq.Claimed || !strings.Contains(eq.Why, "1 chunk") {
			t.Errorf("%s (%q)", eq.Says(), eq.Why)
		}
	})
	t.Run("a time is another", func(t *testing.T) {
		dir := watched(t).Dir
		rewriteRecording(t, dir, func(c *intake.Chunk) bool {
			c.At += 3 * time.Millisecond
			return true
		})
		eq := equality(t, dir)
		if !eq.Claimed || eq.Holds || eq.First == 0 || eq.Log == eq.Here {
			t.Errorf("%s: %+v", eq.Says(), eq)
		}
	})
	t.Run("the log was edited", func(t *testing.T) {
		dir := watched(t).Dir
		name := filepath.Join(dir, "trips.jsonl")
		text, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		edited := bytes.Replace(text, []byte(`"limit":1,`), []byte(`"limit":9,`), 1)
		if bytes.Equal(edited, text) {
			t.Fatal("no such text in the log")
		}
		if err := os.WriteFile(name, edited, 0o644); err != nil {
			t.Fatal(err)
		}
		if eq := equality(t, dir); eq.Claimed {
			t.Errorf("claimed of an edited log: %s", eq.Says())
		}
	})
}

// A session's recording can be held against another envelope.
func TestReplayOfASessionAgainstAnotherEnvelope(t *testing.T) {
	dir := watched(t).Dir
	name := filepath.Join(dir, "recording.pcapng")
	for limit, want := range map[string]int{"1.5 m": 1, "5 m": 0} {
		env := readEnvelope(t, strings.Replace(strings.Replace(watchEnvelope, `"1 m"`, `"`+limit+`"`, 1), "caution = \"0.5 m\"\n", "", 1))
		setup, _, err := bench.Watching([]string{name}, env, nil)
		if err != nil {
			t.Fatal(err)
		}
		rec, err := recording.Open(name)
		if err != nil {
			t.Fatal(err)
		}
		r, err := bench.Replay(name, rec, setup)
		rec.Close()
		if err != nil {
			t.Fatal(err)
		}
		if len(r.Trips) != want {
			t.Errorf("limit %s: %d trips, want %d: %+v", limit, len(r.Trips), want, r.Trips)
		}
	}
}

func readEnvelope(t *testing.T, text string) *rules.Envelope {
	t.Helper()
	env, faults := rules.ReadEnvelope("envelope.toml", []byte(text))
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	return env
}

// A session that another program recorded may have been decided otherwise: a
// difference is said with both names, and blamed on no file. Where it does the same,
// and where the same program differs from itself, nothing is softened.
func TestReplayOfAnotherVersion(t *testing.T) {
	s := watched(t)
	replay := func(by string) *bench.Equality {
		t.Helper()
		r, err := bench.ReplaySession(s, bench.By(by))
		if err != nil {
			t.Fatal(err)
		}
		return r.Equal
	}
	if eq := replay("downhaul 9"); !eq.Claimed || !eq.Holds {
		t.Errorf("another version that decides the same: %s", eq.Says())
	}
	rewriteRecording(t, s.Dir, func(c *intake.Chunk) bool {
		if c.At > 6*time.Second {
			c.At += 50 * time.Millisecond
		}
		return true
	})
	if eq := replay("test"); !eq.Claimed || eq.Holds {
		t.Errorf("the same program differs from itself: %s", eq.Says())
	}
	eq := replay("downhaul 9")
	if says := eq.Says(); eq.Claimed || eq.Holds || !strings.Contains(says, `"test" recorded the session and this is "downhaul 9"`) {
		t.Errorf("another version that differs: %s", says)
	}
}
