//go:build linux

package guard

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"downhaul/hw/virtual"
	"downhaul/interlock/model/benchboard"
	"downhaul/interlock/records/session"
	"downhaul/rules/architecture"
)

// smallDisk is a file system of so many bytes for the test alone.
func smallDisk(t testing.TB, bytes string, flags uintptr) string {
	t.Helper()
	dir := shortDir(t)
	architecture.Need(t, os.Getuid() == 0, "a file system that fills up needs the right to mount one; run this as root")
	if err := unix.Mount("tmpfs", dir, "tmpfs", flags, "size="+bytes); err != nil {
		architecture.Need(t, false, "no file system can be mounted here: "+err.Error())
	}
	t.Cleanup(func() { must(t, unix.Unmount(dir, unix.MNT_DETACH)) })
	return dir
}

// A disk that fills up in the middle: the guard guards on, opens the relay as
// ever, says what is wrong, and takes no reset until the trip is on the disk.
//
//fault:row another program fills the disk to the last byte (tmpfs, and ext4 on a loop device) | trips act as ever; no reset until the trip is kept
func TestPromise04_DiskThatFillsUp(t *testing.T) {
	for name, disk := range map[string]func() string{
		"tmpfs": func() string { return smallDisk(t, "2m", 0) },
		"ext4":  func() string { dir, _ := loopDisk(t); return dir },
	} {
		t.Run(name, func(t *testing.T) { diskThatFillsUp(t, disk()) })
	}
}

func diskThatFillsUp(t *testing.T, disk string) {
	t.Parallel()
	g := openLive(t, onDisk(t, disk))
	stop := running(t, g)
	board := g.Board().(*virtual.Board)
	soon(t, "its first records written", func() bool { return contains(tripText(t, g.Folder()), `"kind":"decision"`) })

	// Somebody fills the disk to the last byte.
	fill, err := os.Create(filepath.Join(disk, "fill"))
	must(t, err)
	for _, size := range []int{64 << 10, 4 << 10, 512, 1} {
		for block := make([]byte, size); ; {
			if n, err := fill.Write(block); err != nil || n < size {
				break
			}
		}
	}
	soon(t, "the trouble told", func() bool { return len(g.Status().Trouble) > 0 })
	turns := g.Status().Loop.Turns
	must(t, board.OpenContact("estop"))
	soon(t, "tripped", func() bool { return g.Status().State == "tripped" })
	must(t, board.CloseContact("estop"))
	soon(t, "turning on", func() bool { return g.Status().Loop.Turns > turns+100 })
	if text := strings.Join(g.Status().Trouble, "; "); !contains(text, "no space left") {
		t.Errorf("trouble %q", text)
	}

	must(t, fill.Truncate(0), fill.Close(), os.Remove(fill.Name()))
	soon(t, "the trip kept", func() bool { s := g.Status(); return s.Trips > 0 && s.Kept == s.Trips })
	must(t, stop())
	if e := ending(t, g.Folder()); e.How != session.InTrip || e.State != "tripped" {
		t.Errorf("the session counts as %q in %q: %s", e.How, e.State, e.Says)
	}
}

func TestReadOnlyFolderIsRefusedWithTheReason(t *testing.T) {
	dir := smallDisk(t, "2m", unix.MS_RDONLY)
	now := func() time.Duration { return 0 }
	_, err := Open(testFiles(t, dir, "tilt.toml"), Options{Virtual: benchboard.Open, Software: "test", Room: 1, Stepped: true, Now: now})
	if err == nil || !contains(err.Error(), "read-only") || !contains(err.Error(), dir) {
		t.Errorf("error %v", err)
	}
}

// The log folder is taken away under a running guard: it guards on and opens the
// relay as ever.
//
//fault:row the log folder is taken away | trips act as ever; the trouble is told
func TestLogFolderTakenAway(t *testing.T) {
	t.Parallel()
	sockets, logs := shortDir(t), t.TempDir()
	files := liveFiles(t, sockets)
	files.Pad.Text = []byte(strings.Replace(string(files.Pad.Text), `log_folder = "`+sockets+`"`, `log_folder = "`+logs+`"`, 1))
	g := openLive(t, files)
	stop := running(t, g)
	board := g.Board().(*virtual.Board)
	must(t, os.Rename(g.Folder(), filepath.Join(sockets, "gone")), os.RemoveAll(logs))
	soon(t, "the records told as gone", func() bool {
		return contains(strings.Join(g.Status().NotReady, "; "), "records are not where they were written")
	})
	turns := g.Status().Loop.Turns
	must(t, board.OpenContact("estop"))
	soon(t, "tripped", func() bool { return g.Status().State == "tripped" })
	soon(t, "turning on", func() bool { return g.Status().Loop.Turns > turns+100 })
	if board.PowerOn() {
		t.Error("power at the rotors")
	}
	_ = stop() // what cannot be written any more may be told here
}
