//go:build linux

package session

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"golang.org/x/sys/unix"
)

// What stands under the lock's name and is no lock is refused, and what it leads to
// stays as it is, to the last byte.
//
//fault:row a link, a pipe or another file under the name of the log folder's lock | refused with the reason; nothing is written through it
func TestCreate_WritesThroughNoLink(t *testing.T) {
	const text = "the only copy of something, 123 lines of it"
	for _, c := range []struct {
		what string
		make func(lock, victim string) error
	}{
		{"a link", func(lock, victim string) error { return os.Symlink(victim, lock) }},
		{"a link to nothing", func(lock, victim string) error { return os.Symlink(victim+"-none", lock) }},
		{"a second name", func(lock, victim string) error { return os.Link(victim, lock) }},
		{"a pipe", func(lock, _ string) error { return unix.Mkfifo(lock, 0o644) }},
		{"a folder", func(lock, _ string) error { return os.Mkdir(lock, 0o755) }},
		{"another file", func(lock, _ string) error { return os.WriteFile(lock, []byte(text), 0o644) }},
	} {
		logs := t.TempDir()
		lock, victim := filepath.Join(logs, lockName), filepath.Join(t.TempDir(), "victim")
		if err := os.WriteFile(victim, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
		if err := c.make(lock, victim); err != nil {
			t.Fatal(err)
		}
		s, err := Create(logs, meta, threeFiles)
		if err == nil {
			s.Close()
		}
		if err == nil || !strings.Contains(err.Error(), "remove it") || !strings.Contains(err.Error(), lockName) {
			t.Errorf("%s: error %v", c.what, err)
		}
		if got, err := os.ReadFile(victim); err != nil || string(got) != text {
			t.Errorf("%s: the file behind it holds %q now, %v", c.what, got, err)
		}
		if _, err := os.Stat(victim + "-none"); err == nil {
			t.Errorf("%s: a file was made through it", c.what)
		}
		if c.what == "another file" {
			if got, _ := os.ReadFile(lock); string(got) != text {
				t.Errorf("%s: it holds %q now", c.what, got)
			}
		}
	}
	// A lock of a guard that ended, or of an older one, is taken over.
	logs := t.TempDir()
	if err := os.WriteFile(filepath.Join(logs, lockName), []byte("4194304\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if err := create(t, logs).Close(); err != nil {
			t.Fatal(err)
		}
	}
}

// A power cut leaves zeros where the lock's text was not on the disk yet, or nothing: that
// keeps no guard from its start.
func TestCreate_TakesALockThatAPowerCutLeft(t *testing.T) {
	for _, left := range []string{"", strings.Repeat("\x00", lockSize), "  12" + strings.Repeat("\x00", 12)} {
		logs := t.TempDir()
		fix(t, os.WriteFile(filepath.Join(logs, lockName), []byte(left), 0o644))
		s, err := Create(logs, meta, threeFiles)
		if err != nil {
			t.Errorf("%q: %v", left, err)
			continue
		}
		fix(t, s.Close())
	}
}
