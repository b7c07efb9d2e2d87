//go:build linux

package guard

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"golang.org/x/sys/unix"

	"downhaul/hw/virtual"
	"downhaul/interlock/model/benchboard"
	"downhaul/rules/architecture"
)

// gone opens a guard that keeps its records in a folder of their own.
func gone(t *testing.T, logs string) (g *Guard, stop func() error) {
	t.Helper()
	sockets := shortDir(t)
	files := liveFiles(t, sockets)
	files.Pad.Text = []byte(strings.Replace(string(files.Pad.Text), `log_folder = "`+sockets+`"`, `log_folder = "`+logs+`"`, 1))
	g = openLive(t, files)
	return g, running(t, g)
}

// trouble wants the guard to say that the records are gone, to hold no trip for kept,
// and to refuse reset and start.
func trouble(t *testing.T, g *Guard) {
	t.Helper()
	soon(t, "the trouble told, and no start", func() bool {
		s := g.Status()
		return contains(strings.Join(s.Trouble, "; "), "records are not where they were written") &&
			contains(strings.Join(s.NotReady, "; "), "records are not where they were written")
	})
	must(t, g.Board().(*virtual.Board).OpenContact("estop"))
	soon(t, "tripped", func() bool { return g.Status().Trips > 0 && g.Status().State == "tripped" })
	turns := g.Status().Loop.Turns
	soon(t, "turning on", func() bool { return g.Status().Loop.Turns > turns+500 })
	if s := g.Status(); s.Kept != 0 {
		t.Errorf("%d trips told as on disk in a file that nobody will find", s.Kept)
	}
}

// A file that was deleted, replaced or moved away goes on taking bytes and syncs: a
// trip in it is not kept, that is said, and there is neither reset nor start.
//
//fault:row the session's folder or a file in it is deleted, moved or replaced while the guard runs | no trip counts as kept, no reset, no start; said
func TestPromise04_RecordsThatAreGoneAreNotKept(t *testing.T) {
	for _, c := range []struct {
		what string
		do   func(t *testing.T, dir, aside string)
	}{
		{"folder deleted", func(t *testing.T, dir, _ string) { must(t, os.RemoveAll(dir)) }},
		{"folder moved", func(t *testing.T, dir, aside string) { must(t, os.Rename(dir, aside)) }},
		{"folder replaced by a copy", func(t *testing.T, dir, aside string) {
			must(t, os.Rename(dir, aside), os.CopyFS(dir, os.DirFS(aside)))
		}},
		{"folder replaced by a link to it", func(t *testing.T, dir, aside string) {
			must(t, os.Rename(dir, aside), os.Symlink(aside, dir))
		}},
		{"log cut short in its place", func(t *testing.T, dir, _ string) { must(t, os.Truncate(filepath.Join(dir, "trips.jsonl"), 0)) }},
		{"log deleted", func(t *testing.T, dir, _ string) { must(t, os.Remove(filepath.Join(dir, "trips.jsonl"))) }},
		{"log replaced", func(t *testing.T, dir, aside string) {
			name := filepath.Join(dir, "trips.jsonl")
			text, err := os.ReadFile(name)
			must(t, err, os.WriteFile(aside, text, 0o644), os.Rename(aside, name))
		}},
	} {
		t.Run(c.what, func(t *testing.T) {
			t.Parallel()
			g, _ := gone(t, t.TempDir())
			c.do(t, g.Folder(), filepath.Join(t.TempDir(), "aside"))
			trouble(t, g)
		})
	}
}

// What was told as kept is taken back when the records go, and told again when they
// are back in their place: nothing was lost meanwhile.
func TestPromise04_KeptIsTakenBackAndToldAgain(t *testing.T) {
	t.Parallel()
	g, stop := gone(t, t.TempDir())
	aside := filepath.Join(t.TempDir(), "aside")
	must(t, g.Board().(*virtual.Board).OpenContact("estop"))
	kept := func() bool { s := g.Status(); return s.Trips > 0 && s.Kept == s.Trips }
	soon(t, "the trip kept", kept)
	must(t, os.Rename(g.Folder(), aside))
	soon(t, "taken back", func() bool { return g.Status().Kept == 0 })
	must(t, os.Rename(aside, g.Folder()))
	soon(t, "kept again", kept)
	soon(t, "no more trouble", func() bool { return len(g.Status().Trouble) == 0 })
	must(t, stop())
}

// A recording that is gone is said, and there is no start.
func TestARecordingThatIsGoneIsSaid(t *testing.T) {
	t.Parallel()
	g, stop := gone(t, t.TempDir())
	must(t, os.Remove(filepath.Join(g.Folder(), "recording.pcapng")))
	soon(t, "the trouble told, and no start", func() bool {
		s := g.Status()
		return contains(strings.Join(s.Trouble, "; "), "recording.pcapng") && contains(strings.Join(s.NotReady, "; "), "recording.pcapng")
	})
	must(t, stop())
}

// A file system that is taken away lazily keeps its open files alive, out of reach.
func TestPromise04_RecordsOnADiskThatWasTakenAway(t *testing.T) {
	t.Parallel()
	architecture.Need(t, os.Getuid() == 0, "a disk that is taken away needs the right to mount one; run this as root")
	logs := shortDir(t)
	if err := unix.Mount("tmpfs", logs, "tmpfs", 0, "size=8m"); err != nil {
		architecture.Need(t, false, "no file system can be mounted here: "+err.Error())
	}
	g, _ := gone(t, logs)
	must(t, unix.Unmount(logs, unix.MNT_DETACH))
	trouble(t, g)
}

// Without the lock's file a second guard would begin in the same folder: that is said, and
// there is no start. A second one that finds the lock held changes nothing there.
//
//fault:row the lock of the log folder is deleted while the guard runs, or a second guard is started | said, and no start; the second is refused and touches nothing
func TestTheLockStandsAndASecondGuardTouchesNothing(t *testing.T) {
	t.Parallel()
	logs := t.TempDir()
	g, stop := gone(t, logs)
	left := filepath.Join(logs, ".removing-2026-05-30T18-04-11Z-s0001")
	must(t, os.Mkdir(left, 0o755))
	files := liveFiles(t, shortDir(t))
	files.Pad.Text = []byte(regexp.MustCompile(`log_folder = "[^"]*"`).ReplaceAllString(string(files.Pad.Text), `log_folder = "`+logs+`"`))
	if second, err := Open(files, Options{Virtual: benchboard.Open, Software: "test", Room: 1}); err == nil || !contains(err.Error(), "another guard") {
		t.Errorf("a second guard: %v, %v", second, err)
	}
	if _, err := os.Stat(left); err != nil {
		t.Errorf("the second guard tidied up where it may not: %v", err)
	}
	must(t, os.Remove(filepath.Join(logs, ".lock")))
	soon(t, "the trouble told, and no start", func() bool {
		s := g.Status()
		return contains(strings.Join(s.Trouble, "; "), ".lock") && contains(strings.Join(s.NotReady, "; "), ".lock")
	})
	must(t, stop())
}
