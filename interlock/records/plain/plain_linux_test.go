package plain

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// traps are names that hold a reader up, never end, or are no file at all.
func traps(t *testing.T) map[string]string {
	t.Helper()
	dir := t.TempDir()
	pipe, sparse := filepath.Join(dir, "pipe"), filepath.Join(dir, "sparse")
	if err := unix.Mkfifo(pipe, 0o600); err != nil {
		t.Fatal(err)
	}
	f, err := os.Create(sparse)
	if err == nil {
		err = errors.Join(f.Truncate(40<<30), f.Close())
	}
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]string{pipe: "a pipe", dir: "a folder", "/dev/zero": "a device", sparse: "40 GB"}
	for to, want := range map[string]string{pipe: "a pipe", dir: "a folder", "/dev/zero": "a device", sparse: "40 GB"} {
		link := filepath.Join(dir, "to-"+filepath.Base(to))
		if err := os.Symlink(to, link); err != nil {
			t.Fatal(err)
		}
		out[link] = want
	}
	return out
}

// within fails when a call does not come back.
func within(t *testing.T, what string, call func()) {
	t.Helper()
	done := make(chan struct{})
	go func() { defer close(done); call() }()
	select {
	case <-done:
	case <-time.After(20 * time.Second):
		t.Fatalf("%s: does not come back", what)
	}
}

func TestOnlyRegularFilesAreRead(t *testing.T) {
	for name, want := range traps(t) {
		for _, kind := range []Kind{Setup, Recording} {
			within(t, name, func() {
				text, err := Read(name, kind)
				if err == nil || text != nil || !strings.Contains(err.Error(), name) || !strings.Contains(err.Error(), want) || !strings.Contains(err.Error(), kind.What) {
					t.Errorf("%s as %s: %d bytes, %v; want it refused as %q", name, kind.What, len(text), err, want)
				}
			})
		}
	}
	if _, err := Open(filepath.Join(t.TempDir(), "none"), Setup); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("a file that is not there: %v", err)
	}
}

// Files that the kernel makes up are regular by their mode and told as empty;
// some never end, and some wait for something to happen (kmsg, which only root
// may open). So it must be told that they are none on a disk, before any read.
func TestFilesOfTheKernelAreRefused(t *testing.T) {
	for _, name := range []string{"/proc/self/status", "/proc/self/pagemap", "/proc/self/mountinfo", "/proc/kmsg", "/sys/kernel/tracing/trace_pipe"} {
		if f, err := os.Open(name); err != nil {
			t.Logf("not tried: %v", err)
			continue
		} else if err := f.Close(); err != nil {
			t.Error(err)
		}
		for _, kind := range []Kind{Setup, TripLog} {
			within(t, name, func() {
				text, err := Read(name, kind)
				if err == nil || text != nil || !strings.Contains(err.Error(), name) || !strings.Contains(err.Error(), "made up by the kernel") || !strings.Contains(err.Error(), kind.What) {
					t.Errorf("%s as %s: %d bytes, %v", name, kind.What, len(text), err)
				}
			})
		}
	}
}

func TestSizes(t *testing.T) {
	name := filepath.Join(t.TempDir(), "f")
	for n, ok := range map[int]bool{0: true, 9: true, 10: true, 11: false, 5000: false} {
		if err := os.WriteFile(name, make([]byte, n), 0o600); err != nil {
			t.Fatal(err)
		}
		if text, err := Read(name, Kind{"a probe", 10}); (err == nil) != ok || ok && len(text) != n {
			t.Errorf("%d bytes of at most 10: %d read, %v", n, len(text), err)
		}
	}
	// It grows behind Open.
	probe := Kind{"a probe", 10}
	if text, err := probe.whole(name, strings.NewReader("0123456789")); err != nil || len(text) != 10 {
		t.Errorf("10 bytes of at most 10: %d read, %v", len(text), err)
	}
	if _, err := probe.whole(name, strings.NewReader("0123456789x")); err == nil || !strings.Contains(err.Error(), "more than that") {
		t.Errorf("a file that grew past its size: %v", err)
	}
	for n, want := range map[int64]string{0: "0 bytes", 1023: "1023 bytes", 1 << 10: "1 KB", 1536: "1.5 KB", 40 << 30: "40 GB", 3 << 41: "6 TB"} {
		if got := Size(n); got != want {
			t.Errorf("%d bytes: %q, want %q", n, got, want)
		}
	}
}

func TestNames(t *testing.T) {
	dir := t.TempDir()
	many := map[string]bool{} // more than a chunk of them
	for i := range 1300 {
		many[fmt.Sprint(i)] = true
		if err := os.WriteFile(filepath.Join(dir, fmt.Sprint(i)), nil, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	err := Names(dir, func(name string) {
		if !many[name] {
			t.Errorf("%s twice, or not there", name)
		}
		delete(many, name)
	})
	if err != nil || len(many) != 0 {
		t.Errorf("%d left out, %v", len(many), err)
	}
	for name, what := range traps(t) {
		if what == "a folder" {
			continue
		}
		within(t, name, func() {
			if err := Names(name, func(string) {}); err == nil {
				t.Errorf("%s was listed as a folder", name)
			}
			if err := SyncFolder(name); err == nil {
				t.Errorf("%s was synced as a folder", name)
			}
		})
	}
	if err := SyncFolder(dir); err != nil {
		t.Error(err)
	}
}

// A folder is told from itself after anything came or went, and from a copy of it, however
// quickly that was made and whatever its times were set to; what changed a moment ago is
// not known.
func TestStamp(t *testing.T) {
	if testing.Short() {
		t.Skip("waits for seconds; left out by -short")
	}
	dir := filepath.Join(t.TempDir(), "a")
	fix := func(errs ...error) {
		t.Helper()
		if err := errors.Join(errs...); err != nil {
			t.Fatal(err)
		}
	}
	file := func(name string) string { return filepath.Join(dir, name) }
	fix(os.Mkdir(dir, 0o700), os.WriteFile(file("old"), nil, 0o600))
	if Stamp(dir) != "" || Stamp(file("none")) != "" {
		t.Error("known right after a change, or of none")
	}
	for what, do := range map[string]func() error{
		"a file comes":                  func() error { return os.WriteFile(file("other"), nil, 0o600) },
		"a file goes":                   func() error { return os.Remove(file("old")) },
		"the folder's time is set back": func() error { return os.Chtimes(dir, time.Unix(1, 0), time.Unix(1, 0)) },
		"the folder is a copy": func() error {
			return errors.Join(os.Rename(dir, dir+"b"), os.CopyFS(dir, os.DirFS(dir+"b")))
		},
		"nothing": func() error { return nil },
	} {
		time.Sleep(1100 * time.Millisecond)
		was := Stamp(dir)
		if fix(do()); was == "" {
			t.Errorf("%s: not known before", what)
		}
		time.Sleep(1100 * time.Millisecond)
		if now := Stamp(dir); now == "" || (now == was) != (what == "nothing") {
			t.Errorf("%s: was %q, now %q", what, was, now)
		}
	}
}
