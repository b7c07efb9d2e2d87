package guard

import (
	"context"
	"errors"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"downhaul/hw/virtual"
	"downhaul/interlock"
	"downhaul/interlock/day/answers/told"
	"downhaul/interlock/day/intake"
	"downhaul/interlock/model/benchboard"
	"downhaul/interlock/model/craftmodel"
	"downhaul/interlock/records/session"
	"downhaul/interlock/records/triplog"
)

// shortDir is a new folder with a short path: a socket's has about 100 bytes.
func shortDir(t testing.TB) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "dh")
	must(t, err)
	t.Cleanup(func() { os.RemoveAll(dir) })
	return dir
}

// liveFiles are files for a guard with goroutines: a free port, a board with a
// socket, and times for a busy computer.
func liveFiles(t testing.TB, dir string) Files {
	t.Helper()
	c, err := net.ListenUDP("udp4", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1)})
	must(t, err)
	port := c.LocalAddr().String()
	must(t, c.Close())
	f := testFiles(t, dir, "tilt.toml")
	text := strings.ReplaceAll(string(f.Pad.Text), "127.0.0.1:40123", port)
	text = strings.ReplaceAll(text, "[board]\nkind = \"virtual\"\n", "[board]\nkind = \"virtual\"\nsocket = \""+dir+"/board.sock\"\nstale_after = \"2 s\"\n\n[watchdog]\nlongest_gap = \"2 s\"\n")
	f.Pad.Text = []byte(text)
	return f
}

func openLive(t testing.TB, files Files) *Guard {
	t.Helper()
	g, err := Open(files, Options{Virtual: benchboard.Open, Software: "test", Room: 1})
	must(t, err)
	return g
}

// running runs a guard until stop, which waits for its end.
func running(t testing.TB, g *Guard) (stop func() error) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- g.Run(ctx) }()
	stopped := false
	stop = func() error {
		stopped = true
		cancel()
		return <-done
	}
	t.Cleanup(func() {
		if !stopped {
			stop()
		}
	})
	soon(t, "turning", func() bool { return g.Status().Loop.Turns > 3 })
	return stop
}

func ending(t testing.TB, dir string) session.Ending {
	t.Helper()
	s, err := session.Open(dir)
	must(t, err)
	e, err := s.Ending()
	must(t, err)
	return e
}

func sessions(t testing.TB, dir string) (n int) {
	t.Helper()
	entries, err := os.ReadDir(dir)
	must(t, err)
	for _, e := range entries {
		if e.IsDir() {
			n++
		}
	}
	return n
}

// A clean end: relay open, `ended` on record, and the next start as on any
// power-up.
func TestPromise05_CleanEndAndNextStart(t *testing.T) {
	dir := shortDir(t)
	files := liveFiles(t, dir)
	g := openLive(t, files)
	board := g.Board().(*virtual.Board)
	must(t, running(t, g)())
	if board.PowerOn() {
		t.Error("power at the rotors after the end")
	}
	if e := ending(t, g.Folder()); e.How != session.Clean || e.State != "blocked" {
		t.Errorf("the session counts as %+v", e)
	}
	g = openLive(t, files)
	stop := running(t, g)
	if s := g.Status(); s.State != "blocked" || len(g.before) != 0 {
		t.Errorf("came up %s after %v", s.State, g.before)
	}
	must(t, stop())
}

// stepped is a stepped guard with its clock, craft-less.
func stepped(t testing.TB, files Files) (*Guard, *time.Duration) {
	t.Helper()
	now := new(time.Duration)
	g, err := Open(files, Options{Virtual: benchboard.Open, Software: "test", Room: 1, Stepped: true, Now: func() time.Duration { return *now }})
	must(t, err)
	return g, now
}

// How a session ended decides how the next comes up: tripped after a trip or
// without an end, in fault after a fault, however often it is restarted
// between.
func TestPromise05_UnfinishedSessionComesUpLatched(t *testing.T) {
	t.Parallel()
	turn := func(g *Guard, now *time.Duration) {
		for range 20 {
			*now += 5 * ms
			g.Turn(*now)
		}
	}
	for _, row := range []struct {
		name string
		end  func(t *testing.T, g *Guard, now *time.Duration)
		want interlock.State
		says string
	}{
		{"broke off", func(t *testing.T, g *Guard, _ *time.Duration) {
			must(t, g.release()) // all that a killed process leaves: open files closed
		}, interlock.Tripped, "broke off"},
		{"in a trip", func(t *testing.T, g *Guard, now *time.Duration) {
			must(t, g.Board().(*virtual.Board).OpenContact("estop"))
			turn(g, now)
			must(t, g.Finish(*now))
		}, interlock.Tripped, "ended in a trip"},
		{"in a fault", func(t *testing.T, g *Guard, now *time.Duration) {
			must(t, g.Board().(*virtual.Board).Break("weld"))
			turn(g, now)
			must(t, g.Finish(*now))
		}, interlock.Fault, "fault"},
	} {
		t.Run(row.name, func(t *testing.T) {
			dir := shortDir(t)
			files := testFiles(t, dir, "tilt.toml")
			g, now := stepped(t, files)
			turn(g, now)
			row.end(t, g, now)
			for again := range 3 {
				g, now = stepped(t, files)
				turn(g, now)
				s := g.Status()
				if s.State != row.want.String() || s.RelayOn {
					t.Fatalf("start %d came up %s, want %s", again, s.State, row.want)
				}
				if again == 0 && !contains(strings.Join(g.Opening(), "\n"), row.says) {
					t.Errorf("the opening does not say %q: %q", row.says, g.Opening())
				}
				if again == 1 {
					must(t, g.release()) // and killed once more
				} else {
					must(t, g.Finish(*now))
				}
			}
		})
	}
}

// What tells how the last session ended is gone: the guard comes up tripped, says
// why where people look and in its log, and one reset clears it. Where it was a
// fault, it comes up in that. The note itself is written when a trip is kept, so
// that a kill behind it changes nothing.
func TestPromise05_LostMemoryComesUpLatched(t *testing.T) {
	t.Parallel()
	turn := func(g *Guard, now *time.Duration, n int) {
		for range n {
			*now += 5 * ms
			g.Turn(*now)
		}
	}
	for _, row := range []struct {
		name, act string
		lose      func(dir, folder string) error
		want      interlock.State
		says      string
	}{
		{"session deleted after a trip", "trip", func(_, folder string) error { return os.RemoveAll(folder) }, interlock.Tripped, "its folder is gone"},
		{"session deleted after a fault", "fault", func(_, folder string) error { return os.RemoveAll(folder) }, interlock.Fault, "its folder is gone"},
		{"session deleted after a clean end", "", func(_, folder string) error { return os.RemoveAll(folder) }, interlock.Tripped, "its folder is gone"},
		{"note deleted", "", func(dir, _ string) error { return os.Remove(filepath.Join(dir, ".last-session.json")) }, interlock.Tripped, "no note of the last one"},
		{"all deleted: a first start", "trip", func(dir, folder string) error {
			return errors.Join(os.Remove(filepath.Join(dir, ".last-session.json")), os.RemoveAll(folder))
		}, interlock.Blocked, ""},
	} {
		t.Run(row.name, func(t *testing.T) {
			dir := shortDir(t)
			files := testFiles(t, dir, "tilt.toml")
			g, now := stepped(t, files)
			turn(g, now, 20)
			switch row.act {
			case "trip":
				must(t, g.Board().(*virtual.Board).OpenContact("estop"))
				turn(g, now, 20)
				must(t, g.release()) // killed
			case "fault":
				must(t, g.Board().(*virtual.Board).Break("weld"))
				turn(g, now, 20)
				must(t, g.release())
			default:
				must(t, g.Finish(*now))
			}
			must(t, row.lose(dir, g.Folder()))
			g, now = stepped(t, files)
			turn(g, now, 20)
			s := g.Status()
			opening, reasons := strings.Join(g.Opening(), "\n"), strings.Join(s.NotReady, "\n")
			if s.State != row.want.String() || s.RelayOn || !contains(opening, row.says) || !contains(reasons, row.says) {
				t.Errorf("came up %s, want %s\nopening: %s\nnot ready because: %s", s.State, row.want, opening, reasons)
			}
			must(t, g.Finish(*now))
			text, err := os.ReadFile(filepath.Join(g.Folder(), "trips.jsonl"))
			must(t, err)
			if !contains(string(text), row.says) {
				t.Errorf("the log does not say %q", row.says)
			}
		})
	}
}

// A session that trips by its end must not count as ended in order, also when
// somebody reads the status in that very moment.
func TestPromise05_EndIsRecordedFromTheEngine(t *testing.T) {
	dir := shortDir(t)
	g, now := stepped(t, testFiles(t, dir, "tilt.toml"))
	for range 20 {
		*now += 5 * ms
		g.Turn(*now)
	}
	must(t, g.Board().(*virtual.Board).OpenContact("estop"))
	g.shot.mu.Lock() // somebody reads
	*now += 5 * ms
	g.Turn(*now)
	g.loop.End(*now)
	g.shot.mu.Unlock()
	if s := g.State(); s != "tripped" {
		t.Errorf("shown %s: who read in that moment kept others from what came", s)
	}
	must(t, g.finish())
	if e := ending(t, g.Folder()); e.How != session.InTrip {
		t.Errorf("the session counts as %q in state %q", e.How, e.State)
	}
}

// One folder and one board belong to one guard; who comes second is refused
// with the reason and leaves nothing behind.
func TestSecondGuardIsRefused(t *testing.T) {
	dir := shortDir(t)
	files := liveFiles(t, dir)
	stop := running(t, openLive(t, files))
	if _, err := Open(files, Options{Virtual: benchboard.Open, Software: "test", Room: 1}); err == nil || !contains(err.Error(), "another") {
		t.Errorf("a second guard on the folder: %v", err)
	}
	other := shortDir(t)
	second := files
	second.Pad.Text = []byte(strings.Replace(string(files.Pad.Text), `log_folder = "`+dir+`"`, `log_folder = "`+other+`"`, 1))
	if _, err := Open(second, Options{Virtual: benchboard.Open, Software: "test", Room: 1}); !errors.Is(err, virtual.ErrHeld) {
		t.Errorf("a second guard on the board: %v", err)
	}
	if n := sessions(t, dir); n != 1 {
		t.Errorf("%d sessions in the folder, want the first guard's alone", n)
	}
	if n := sessions(t, other); n != 0 {
		t.Errorf("%d sessions left behind by a guard that never began", n)
	}
	must(t, stop())
	// Nothing of the refused ones stands against the next start.
	g := openLive(t, files)
	stop = running(t, g)
	if s := g.Status(); s.State != "blocked" {
		t.Errorf("came up %s", s.State)
	}
	must(t, stop())
}

// A port that is taken: refused with the reason, and no session left that
// would count as broken off.
func TestTakenPortLeavesNoSession(t *testing.T) {
	dir := shortDir(t)
	files := liveFiles(t, dir)
	_, after, _ := strings.Cut(string(files.Pad.Text), `address = "`)
	address, _, _ := strings.Cut(after, `"`)
	addr, err := net.ResolveUDPAddr("udp4", address)
	must(t, err)
	c, err := net.ListenUDP("udp4", addr)
	must(t, err)
	if _, err := Open(files, Options{Virtual: benchboard.Open, Software: "test", Room: 1}); err == nil || !contains(err.Error(), "another program") || contains(err.Error(), "records") {
		t.Errorf("a taken port: %v", err)
	}
	if n := sessions(t, dir); n != 0 {
		t.Errorf("%d sessions left behind", n)
	}
	must(t, c.Close())
	stop := running(t, openLive(t, files))
	must(t, stop())
}

func TestOpenRefusesWithTheReason(t *testing.T) {
	dir := shortDir(t)
	good := testFiles(t, dir, "tilt.toml")
	clock := func() time.Duration { return 0 }
	realPad := File{Name: "../../pad/testdata/guard.toml"}
	var err error
	if realPad.Text, err = os.ReadFile(realPad.Name); err != nil {
		t.Fatal(err)
	}
	for _, row := range []struct {
		name   string
		change func(f *Files, o *Options)
		want   string
	}{
		{"fault in a file", func(f *Files, _ *Options) { f.Envelope.Text = []byte("version = 1\nbad = 2\n") }, "envelope.toml:2"},
		{"no such folder", func(f *Files, _ *Options) {
			f.Pad.Text = []byte(strings.ReplaceAll(string(f.Pad.Text), dir, filepath.Join(dir, "none")))
		}, "no such folder"},
		{"a clock of its own over real pins", func(f *Files, o *Options) { f.Pad, o.Stepped = realPad, false }, "only a rehearsal without real pins"},
		{"stepping without a clock", func(_ *Files, o *Options) { o.Now = nil }, "stepped guard needs a clock"},
		{"no room", func(_ *Files, o *Options) { o.Room = 1 << 62 }, "make room"},
	} {
		files, opts := good, Options{Virtual: benchboard.Open, Software: "test", Room: 1, Stepped: true, Now: clock}
		row.change(&files, &opts)
		g, err := Open(files, opts)
		if err == nil || !contains(err.Error(), row.want) || g != nil {
			t.Errorf("%s: %v, want %q", row.name, err, row.want)
		}
		if n := sessions(t, dir); n != 0 {
			t.Errorf("%s: %d sessions left behind", row.name, n)
		}
	}
}

func TestTripLogOfACleanSessionIsWhole(t *testing.T) {
	dir := shortDir(t)
	g, now := stepped(t, testFiles(t, dir, "tilt.toml"))
	for range 100 {
		*now += 5 * ms
		g.Turn(*now)
	}
	must(t, g.Finish(*now), g.Finish(*now)) // a second end changes nothing
	s, err := session.Open(g.Folder())
	must(t, err)
	parts, err := s.TripParts()
	must(t, err)
	report, err := triplog.WalkFiles(parts, nil)
	must(t, err)
	if report.Verdict != triplog.Whole {
		t.Errorf("%+v", report)
	}
}

// linesOf reads the lines of one file of a trip log, as far as they are whole.
func linesOf(t testing.TB, name string) (out []triplog.Record) {
	t.Helper()
	for line, err := range triplog.FileLines(name) {
		if err != nil {
			break
		}
		line.Decision = append([]byte(nil), line.Decision...)
		out = append(out, line)
	}
	return out
}

// tripText is the trip log as it stands on the disk now.
func tripText(t testing.TB, dir string) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(dir, triplog.PartName(1)))
	must(t, err)
	return string(text)
}

// A status is as old as the loop, not as the last word of the craft: where
// nothing is heard the guard still runs, and both are told apart. A loop that
// stands still is told as that.
func TestSilentCraftIsNoOldStatus(t *testing.T) {
	dir := shortDir(t)
	files := testFiles(t, dir, "tilt.toml")
	// The first evening: a link and nothing else.
	files.Pad.Text = []byte("version = 1\ntitle = \"evening\"\nduty = \"watch\"\nlog_folder = \"" + dir + "\"\nsocket = \"" + dir + "/g.sock\"\n" +
		"[craft]\nsystem = 1\ncomponent = 1\nradius = \"1.7 m\"\nmotors = 8\n[[link]]\nname = \"t\"\nkind = \"udp\"\naddress = \"127.0.0.1:40123\"\n")
	g, now := stepped(t, files)
	defer func() { must(t, g.Finish(*now)) }()
	turnTo := func(end time.Duration) {
		for *now < end {
			*now = max(*now+time.Microsecond, min(g.Turn(*now), end))
		}
		g.Turn(*now)
	}
	turnTo(24 * time.Second)
	told := func(want string) {
		t.Helper()
		s := g.Status()
		if s.AgeS > told.OldAfter.Seconds()/2 || s.At < now.Seconds()-0.5 {
			t.Errorf("at %v the status stands at %.1f s and counts as %.1f s old", *now, s.At, s.AgeS)
		}
		if text := strings.Join(s.DoNow, "\n"); strings.Contains(text, "not heard") != (want != "") || !strings.Contains(text, want) {
			t.Errorf("what to do is %q, want %q in it", text, want)
		}
	}
	told("Craft not heard yet. The guard is running")
	g.Telemetry(intake.Chunk{From: craftFrom, To: guardPort, Bytes: heartbeatOf(t)})
	turnTo(*now + 500*time.Millisecond)
	told("")
	turnTo(*now + 23700*time.Millisecond)
	told("Craft not heard for 24 s. The guard is running")
	*now += 7 * time.Second // the loop stands still
	if s := g.Status(); s.AgeS < 6.8 || s.AgeS > 7.2 {
		t.Errorf("a loop that stood still for 7 s is told as %.1f s old", s.AgeS)
	}
}

// heartbeatOf returns one frame of the modelled craft.
func heartbeatOf(t testing.TB) []byte {
	t.Helper()
	craft, err := craftmodel.New(craftmodel.EightTwo())
	must(t, err)
	craft.Advance(2 * time.Second)
	frames := craft.Frames(nil)
	return frames[len(frames)-1].Bytes
}
