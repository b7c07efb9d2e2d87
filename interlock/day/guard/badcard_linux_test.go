package guard

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"

	"golang.org/x/sys/unix"

	"downhaul/hw/virtual"
	"downhaul/interlock/model/benchboard"
	"downhaul/interlock/records/triplog"
	"downhaul/rules/architecture"
)

// loopDisk is a card of 16 MB for the test alone: ext4 on a loop device. again has it
// taken out and put in anew, as a board that starts again finds it.
func loopDisk(t testing.TB) (dir string, again func()) {
	t.Helper()
	dir = shortDir(t)
	image := filepath.Join(t.TempDir(), "card")
	architecture.Need(t, os.Getuid() == 0, "a card of the test's own needs the right to mount one; run this as root")
	f, err := os.Create(image)
	must(t, err, f.Truncate(16<<20), f.Close())
	run := func(name string, args ...string) {
		out, err := exec.Command(name, args...).CombinedOutput()
		architecture.Want(t, err == nil, "no card can be made here: "+name+" says "+strings.TrimSpace(string(out)))
	}
	run("mkfs.ext4", "-q", "-F", image)
	run("mount", "-o", "loop", image, dir)
	t.Cleanup(func() { must(t, unix.Unmount(dir, unix.MNT_DETACH)) })
	return dir, func() {
		must(t, unix.Unmount(dir, 0))
		run("mount", "-o", "loop", image, dir)
	}
}

// onDisk are files for a guard that keeps its records on that card.
func onDisk(t testing.TB, dir string) Files {
	t.Helper()
	sockets := shortDir(t)
	files := liveFiles(t, sockets)
	files.Pad.Text = []byte(strings.Replace(string(files.Pad.Text), `log_folder = "`+sockets+`"`, `log_folder = "`+dir+`"`, 1))
	return files
}

// A card that finds itself broken turns read-only under a running guard: it guards on,
// opens as ever, says what is wrong, and no trip counts as kept. The next start on such a
// card is refused with the reason; on one that can be written again it comes up tripped.
//
//fault:row the card turns read-only while the guard runs (ext4 on a loop device, its journal aborted) | trips act as ever, none counts as kept; the next start is refused, and comes up tripped once the card takes writes
func TestPromise04_CardThatTurnsReadOnly(t *testing.T) {
	t.Parallel()
	dir, again := loopDisk(t)
	files := onDisk(t, dir)
	g := openLive(t, files)
	stop := running(t, g)
	board := g.Board().(*virtual.Board)
	soon(t, "its first records written", func() bool { return contains(tripText(t, g.Folder()), `"kind":"decision"`) })
	if out, err := exec.Command("mount", "-o", "remount,abort", dir).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	turns := g.Status().Loop.Turns
	must(t, board.OpenContact("estop"))
	soon(t, "tripped", func() bool { return g.Status().State == "tripped" })
	soon(t, "turning on", func() bool { return g.Status().Loop.Turns > turns+100 })
	soon(t, "the trouble told", func() bool { return contains(strings.Join(g.Status().Trouble, "; "), "read-only") })
	if s := g.Status(); s.Kept != 0 || s.Trips == 0 {
		t.Errorf("%d of %d trips count as kept", s.Kept, s.Trips)
	}
	if board.PowerOn() {
		t.Error("power at the rotors")
	}
	_ = stop() // that nothing could be written may be told here
	if g, err := Open(files, Options{Virtual: benchboard.Open, Software: "test", Room: 1}); err == nil || !contains(err.Error(), "read-only") {
		t.Errorf("a start on the card as it is: %v", err)
		if err == nil {
			must(t, g.Abandon())
		}
	}
	again()
	next := openLive(t, files)
	stop = running(t, next)
	if s := next.Status(); s.State != "tripped" {
		t.Errorf("the next comes up %s", s.State)
	}
	must(t, stop())
}

// forgetful is a card that says of every write and sync that it was done, and from some
// moment on keeps nothing.
type forgetful struct {
	triplog.Disk
	lost *atomic.Bool
}

type forgetfulFile struct {
	triplog.File
	lost *atomic.Bool
}

func (d forgetful) Create(name string) (triplog.File, error) {
	f, err := d.Disk.Create(name)
	return forgetfulFile{f, d.lost}, err
}

func (f forgetfulFile) Write(b []byte) (int, error) {
	if f.lost.Load() {
		return len(b), nil
	}
	return f.File.Write(b)
}

// A card that loses what it said it had: a session that ended in good order, and whose
// last lines are not there, does not count as one. The next start comes up tripped and says why.
//
//fault:row the card loses writes that it told as done (an injected disk) | the next session comes up tripped, and says why
func TestPromise05_CardThatLosesWrites(t *testing.T) {
	t.Parallel()
	for _, loses := range []bool{false, true} {
		files := onDisk(t, t.TempDir())
		var lost atomic.Bool
		g, err := Open(files, Options{Virtual: benchboard.Open, Software: "test", Room: 1, Disk: func(d triplog.Disk) triplog.Disk { return forgetful{d, &lost} }})
		must(t, err)
		stop := running(t, g)
		soon(t, "its first records written", func() bool { return contains(tripText(t, g.Folder()), `"kind":"decision"`) })
		lost.Store(loses)
		if err := stop(); err != nil && !loses {
			t.Error(err)
		}
		next := openLive(t, files)
		stop = running(t, next)
		s, says := next.Status(), strings.Join(next.Opening(), "; ")
		if want := map[bool]string{false: "blocked", true: "tripped"}[loses]; s.State != want {
			t.Errorf("loses %v: the next comes up %s, want %s: %s", loses, s.State, want, says)
		}
		if loses != contains(says, "does not match the note of it") {
			t.Errorf("loses %v: it says %s", loses, says)
		}
		must(t, stop())
	}
}
