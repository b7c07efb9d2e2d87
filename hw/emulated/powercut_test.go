package emulated

import (
	"encoding/json"
	"flag"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"downhaul/interlock/day/answers/ask"
	"downhaul/interlock/day/answers/told"
	"downhaul/interlock/records/session"
	"downhaul/interlock/records/triplog"
	"downhaul/rules/architecture"
)

var (
	cuts   = flag.Int("cuts", 12, "how many times the emulated board loses its power while trips come")
	images = flag.Int("images", 12, "how many images of a disk that lost its power are rebuilt and started from")
)

// diskModules are what a stock kernel needs for an ext4 file system on a virtio disk.
var diskModules = []string{"virtio_blk", "crc16", "mbcache", "jbd2", "crc32c_generic", "libcrc32c", "ext4"}

// Of a disk: room for what a session asks for at its start, and behind the file system
// a place for marks.
const (
	fileSystem = 1400 << 20
	markAt     = fileSystem + 1<<20
	diskSize   = fileSystem + 2<<20
)

// newDisk makes an image of a disk with an empty journalled file system.
func newDisk(t *testing.T, name string) {
	t.Helper()
	f, err := os.Create(name)
	must(t, err, f.Truncate(diskSize), f.Close())
	tool(t, "mke2fs", "-q", "-F", "-t", "ext4", "-b", "4096", "-N", "8192", "-J", "size=4", "-E", "lazy_itable_init=1,lazy_journal_init=1,root_owner=0:0", name, fmt.Sprint(fileSystem/4096))
}

// tool runs a program of e2fsprogs and gives what it printed.
func tool(t *testing.T, name string, args ...string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil { // not in everybody's search path
		path = filepath.Join("/sbin", name)
	}
	out, err := exec.Command(path, args...).CombinedOutput()
	if code := exitCode(err); code != 0 && !(name == "e2fsck" && code == 1) { // mended, as a replayed journal is
		t.Fatalf("%s %v: %v\n%s", name, args, err, out)
	}
	return string(out)
}

func exitCode(err error) int {
	if exit, ok := err.(*exec.ExitError); ok {
		return exit.ExitCode()
	} else if err != nil {
		return -1
	}
	return 0
}

func needDisks(t *testing.T) {
	t.Helper()
	if testing.Short() {
		t.Skip("boots a computer; left out with -short")
	}
	for _, name := range []string{"mke2fs", "e2fsck", "debugfs"} {
		_, err := exec.LookPath(name)
		if _, e := os.Stat(filepath.Join("/sbin", name)); err != nil && e != nil {
			architecture.Need(t, false, "no "+name+"; install the package e2fsprogs")
		}
	}
}

// The emulated board loses its power at a random moment while trips come: the emulator is
// killed. The guest's kernel mounts the disk anew; no trip that was told as kept is
// missing, the log reads whole or torn, and the next start comes up tripped with the
// relay low. A kill keeps every write that the guest had handed over; what a disk
// loses besides, TestEmulatedDiskLosesWrites cuts away.
//
//fault:row the computer loses its power at random moments | no trip that was told as kept is missing; the next comes up latched
func TestEmulatedPowerCuts(t *testing.T) {
	needDisks(t)
	dir := t.TempDir()
	image := filepath.Join(dir, "disk")
	newDisk(t, image)
	r := bootAlone(t, Config{Modules: diskModules, Disk: image}, layouts...)
	dice := rand.New(rand.NewPCG(uint64(*cuts), 20))
	mount := func() { r.do("mount -t ext4 /dev/vda /log") }
	mount()
	r.guard(hornPad, true)
	r.do("sync") // the record of the proof tests, which nobody here wrote to last
	var kept, logged, torn int
	for n := range *cuts {
		gone := r.fly() // a reset wants to know the craft, and each trip behind the first a reset
		s := r.stir(time.Duration(dice.Int64N(int64(time.Second))))
		r.contact("estop_a", false) // one more trip, which the cut may catch half-written
		r.contact("estop_b", false)
		time.Sleep(time.Duration(dice.Int64N(int64(60 * time.Millisecond))))
		r.cut()
		gone()
		r.power()
		mount()
		trips, verdict := tripsLogged(t, r.pull(s.Folder))
		for i := uint32(1); i <= s.Kept; i++ {
			if !trips[i] {
				t.Errorf("cut %d: trip %d was told as kept and is not in the log", n, i)
			}
		}
		switch verdict {
		case triplog.Torn:
			torn++
		case triplog.CutShort:
		default:
			t.Errorf("cut %d: the log counts as %s", n, verdict)
		}
		kept, logged = kept+int(s.Kept), logged+len(trips)
		t.Logf("cut %d: %d told as kept, %d in the log, %s", n+1, s.Kept, len(trips), verdict)
		r.guard(hornPad, false)
		if s := r.status(); s.State != "tripped" || s.RelayOn || r.out.RelayOn() {
			t.Errorf("cut %d: the next comes up %s, relay %v", n, s.State, s.RelayOn)
		}
	}
	t.Logf("%d power cuts: %d trips told as kept, %d in the logs, %d logs torn, every next start tripped", *cuts, kept, logged, torn)
	if kept == 0 {
		t.Error("no trip was kept before any cut: nothing was tried")
	}
}

// stir works the emergency stop and reset for a time, once two trips of this session are
// kept, and gives the last status that was told.
func (r *rig) stir(d time.Duration) (s told.Status) {
	r.t.Helper()
	stop := func(closed bool) {
		r.contact("estop_a", closed)
		r.contact("estop_b", closed)
		time.Sleep(50 * time.Millisecond)
	}
	for end := time.Now().Add(patience); time.Now().Before(end); {
		stop(false)
		stop(true)
		r.press("reset", 100*time.Millisecond)
		got, err := r.asked()
		if err != nil {
			continue
		}
		if got.Kept > 1 && s.Kept < 2 {
			end = time.Now().Add(d)
		}
		s = got
	}
	if s.Kept == 0 {
		r.t.Fatalf("no trip was kept: %s, %v", s.State, s.Trouble)
	}
	return s
}

// tripsLogged are the numbers of the trips in a session's log, and what it counts as.
func tripsLogged(t *testing.T, folder string) (map[uint32]bool, triplog.Verdict) {
	t.Helper()
	parts, err := triplog.Parts(folder)
	must(t, err)
	report, err := triplog.WalkFiles(parts, nil)
	must(t, err)
	trips := map[uint32]bool{}
	for line, err := range triplog.FileLines(parts...) {
		var d struct{ Trip uint32 }
		if err != nil {
			break // the end of what is left
		}
		if len(line.Decision) > 0 && json.Unmarshal(line.Decision, &d) == nil && d.Trip > 0 {
			trips[d.Trip] = true
		}
	}
	return trips, report.Verdict
}

// A disk loses, with the power, what it was sent and not told to keep. A guard on the
// emulated board writes trips as fast as they come, is ended, killed and started again,
// while everything that the kernel asks of the disk is recorded. From that the disk is
// rebuilt as many cuts would have left it, and a guard started from it.
//
//fault:row the computer loses its power, and its disk what was not flushed | no trip that was told as kept is missing; the next comes up latched
func TestEmulatedDiskLosesWrites(t *testing.T) {
	needDisks(t)
	// A path that is free in the guest too, and short, as a socket's must be.
	dir, err := os.MkdirTemp("/var/tmp", "cut")
	must(t, err)
	t.Cleanup(func() { os.RemoveAll(dir) })
	image, log := filepath.Join(dir, "disk"), filepath.Join(dir, "log")
	must(t, os.Mkdir(log, 0o755))
	newDisk(t, image)
	base := filepath.Join(dir, "base")
	must(t, exec.Command("cp", "--sparse=always", image, base).Run())
	writes := filepath.Join(dir, "writes")
	must(t, os.WriteFile(writes, nil, 0o644))
	padText, err := os.ReadFile("testdata/cutpad.toml")
	must(t, err)
	port, err := freePort()
	must(t, err)
	envelope, err := os.ReadFile("testdata/envelope.toml")
	must(t, err)
	files := map[string]string{}
	for duty, folder := range map[string]string{"guard": dir, session.DutyWatch: filepath.Join(dir, session.DutyWatch)} {
		must(t, os.MkdirAll(folder, 0o755))
		files[filepath.Join(folder, session.Pad)] = strings.NewReplacer("@FOLDER@", dir, "@PORT@", fmt.Sprint(port), "@DUTY@", duty).Replace(string(padText))
		files[filepath.Join(folder, session.Envelope)] = strings.ReplaceAll(string(envelope), "@MORE@", "")
	}
	for name, text := range files {
		must(t, os.WriteFile(name, []byte(text), 0o644))
	}
	r := bootAlone(t, Config{
		Modules: diskModules, Disk: image, Writes: writes, Processors: 2, Texts: maps.Clone(files),
		Programs: map[string]string{
			"/bin/bench": build(t, "bench", "downhaul/cmd/downhauld-bench", "arm64"),
			"/bin/stir":  build(t, "stir", "./testdata/stir", "arm64"),
		},
	})
	r.do(fmt.Sprintf("mkdir -p %[1]s; mount -t ext4 /dev/vda %[1]s", log))
	r.do(fmt.Sprintf("stir %[1]s/guard.sock %[1]s/board.sock /dev/vda %[2]d >/dev/ttyAMA0 2>&1 &", dir, markAt))
	for i := range max(4, *images/100) {
		// In duty watch each press of the stop is a trip of its own.
		folder := []string{dir, filepath.Join(dir, session.DutyWatch)}[i/2%2]
		r.do(fmt.Sprintf("bench --pad %s/%s >/dev/ttyAMA0 2>&1 & GUARD=$!; sleep 6; kill -%s $GUARD; wait $GUARD; true", folder, session.Pad, []string{"TERM", "KILL"}[i%2]))
	}
	r.cut()
	all, err := readWrites(writes)
	must(t, err)

	guard := build(t, "bench", "downhaul/cmd/downhauld-bench", "")
	kept, err := os.OpenFile(base, os.O_RDWR, 0)
	must(t, err)
	defer kept.Close()
	d := &cutDisk{kept: kept, writes: all}
	dice := rand.New(rand.NewPCG(uint64(*images), 21))
	found := map[string]int{}
	var told, logged int
	for n := range *images {
		at := len(all) * (n + 1) / *images
		must(t, d.cut(at, dice, image))
		promise := lastMark(all[:at])
		told += int(promise.Kept)
		got, trips := startFrom(t, fmt.Sprintf("cut %d, behind write %d of %d", n, at, len(all)), guard, dir, image, promise)
		found[got]++
		logged += trips
	}
	t.Logf("%d writes recorded, %d images: %d trips told as kept, %d in their logs; %v", len(all), *images, told, logged, found)
	if told == 0 {
		t.Error("no trip was told as kept before any cut: nothing was tried")
	}
}

// promise is what stir marked on the disk.
type promise struct {
	Folder string
	Kept   uint32
}

func lastMark(ws []diskWrite) (p promise) {
	for i := len(ws) - 1; i >= 0; i-- {
		if ws[i].at == markAt && len(ws[i].data) == sector {
			_ = json.Unmarshal(ws[i].data[:strings.IndexByte(string(ws[i].data), 0)], &p) // the zero value promises nothing
			return p
		}
	}
	return p
}

// startFrom mounts what a cut left, holds it against what was promised, and starts a
// guard from it. It gives what the last log was and what the guard came up as.
func startFrom(t *testing.T, what, guard, dir, image string, p promise) (found string, trips int) {
	t.Helper()
	log := filepath.Join(dir, "log")
	must(t, os.RemoveAll(log), os.Mkdir(log, 0o755))
	tool(t, "e2fsck", "-f", "-y", image)
	tool(t, "debugfs", "-R", "rdump / "+log, image)
	folders, err := filepath.Glob(filepath.Join(log, "*Z-s*"))
	must(t, err)
	last, duty := triplog.Verdict("no session"), ""
	for _, folder := range folders {
		inLog, verdict := tripsLogged(t, folder)
		trips += len(inLog)
		last, duty = verdict, ""
		if s, err := session.Open(folder); err == nil {
			duty = s.Info.Duty
		} else if folder == p.Folder {
			t.Errorf("%s: the session is not to be opened: %v", what, err)
		}
		if verdict == triplog.Tampered {
			t.Errorf("%s: the log of %s counts as %s", what, filepath.Base(folder), verdict)
		}
		for i := uint32(1); folder == p.Folder && i <= p.Kept; i++ {
			if !inLog[i] {
				t.Errorf("%s: trip %d was told as kept and is not in the log", what, i)
			}
		}
	}
	if _, err := os.Stat(p.Folder); p.Folder != "" && err != nil {
		t.Errorf("%s: the session's folder is gone: %v", what, err)
	}
	c := exec.Command(guard, "--pad", filepath.Join(dir, session.Pad))
	out, err := os.Create(filepath.Join(dir, "said"))
	must(t, err)
	defer out.Close()
	c.Stdout, c.Stderr = out, out
	must(t, c.Start())
	defer func() { _ = c.Process.Kill(); _ = c.Wait() }()
	var s *told.Status
	for end := time.Now().Add(patience); ; time.Sleep(5 * time.Millisecond) {
		if s, err = ask.Once(filepath.Join(dir, "guard.sock")); err == nil && s.Loop.Turns > 2 {
			break
		}
		if time.Now().After(end) {
			said, _ := os.ReadFile(out.Name())
			t.Fatalf("%s: the next start does not answer: %v\n%s", what, err, said)
		}
	}
	// A guard that ended in order, after a reset, leaves nothing to come up for; nor does
	// one that only watched, or was not told to have begun.
	free := p.Folder == "" || last == triplog.Whole || duty == session.DutyWatch
	if s.RelayOn || s.State != "tripped" && !(free && s.State == "blocked") {
		t.Errorf("%s, the last log %s: the next comes up %s, relay %v: %v", what, last, s.State, s.RelayOn, s.NotReady)
	}
	return strings.TrimSpace(fmt.Sprintf("%s %s, then %s", duty, last, s.State)), trips
}
