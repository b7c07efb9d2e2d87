package numbered

import (
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

type sample struct {
	Schema int    `json:"schema"`
	Number int    `json:"number"`
	Says   string `json:"says"`
}

func keep(t *testing.T, dir, says string) string {
	t.Helper()
	r := sample{Schema: 1, Says: says}
	path, err := Write(dir, time.Date(2031, 5, 3, 9, 30, 0, 0, time.UTC), &r.Number, &r)
	if err != nil {
		t.Fatal(err)
	}
	return path
}

func read(t *testing.T, dir string) ([]*sample, []error) {
	t.Helper()
	got, trouble, err := Read(dir, 1, func(s *sample) (int, int) { return s.Schema, s.Number })
	if err != nil {
		t.Fatal(err)
	}
	return got, trouble
}

// Every byte that is changed, and every cut, is found; what is damaged, under
// another's number or of another schema is left out and told; numbers go on
// behind the highest.
//
//fault:row a dated record of a proof is damaged or half written | it does not count: no start
func TestRecordsAreWholeOrDoNotCount(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "folder")
	if got, trouble := read(t, dir); len(got)+len(trouble) != 0 {
		t.Fatal("a folder that is not there has records")
	}
	path := keep(t, dir, "one, <two> & \"three\"")
	if filepath.Base(path) != "0001-2031-05-03T093000Z.json" {
		t.Errorf("named %s", path)
	}
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	for i := range text {
		changed := slices.Clone(text)
		changed[i] ^= 1
		if Decode(changed, new(sample)) == nil || Decode(text[:i], new(sample)) == nil {
			t.Errorf("byte %d (%q) can be changed or cut off", i, text[i])
		}
	}
	keep(t, dir, "second")
	got, trouble := read(t, dir)
	if len(trouble) != 0 || len(got) != 2 || *got[0] != (sample{1, 1, "one, <two> & \"three\""}) || got[1].Number != 2 {
		t.Fatalf("read back %v, %v", got, trouble)
	}
	other, err := Encode(sample{2, 8, "of another schema"})
	if err != nil {
		t.Fatal(err)
	}
	for name, b := range map[string][]byte{"0007-copy.json": text, "0008-new.json": other, "0009-cut.json": text[:9], "notes.txt": text, "x-1.json": text} {
		if err := os.WriteFile(filepath.Join(dir, name), b, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	got, trouble = read(t, dir)
	if len(got) != 2 || len(trouble) != 3 || !errors.Is(trouble[0], ErrDamaged) || !strings.Contains(trouble[1].Error(), "schema 2") || !errors.Is(trouble[2], ErrDamaged) {
		t.Errorf("%d records, %v", len(got), trouble)
	}
	if path := keep(t, dir, "next"); !strings.HasPrefix(filepath.Base(path), "0010-") {
		t.Errorf("after 9 comes %s", path)
	}
}

// A record that a newer program wrote, or that is damaged, may say that something
// failed: what stands before it does not count, what stands behind it does.
func TestNothingCountsBeforeWhatCannotBeRead(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "folder")
	keep(t, dir, "passed")
	newer, err := Encode(sample{2, 2, "failed, as a newer version says it"})
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "0002-newer.json"), newer, 0o644); err != nil {
		t.Fatal(err)
	}
	last := func() ([]*sample, []error) {
		got, trouble, err := ReadLast(dir, 1, func(s *sample) (int, int) { return s.Schema, s.Number })
		if err != nil {
			t.Fatal(err)
		}
		return got, trouble
	}
	if got, trouble := last(); len(got) != 0 || len(trouble) != 2 || !strings.Contains(trouble[0].Error(), "schema 2") || !strings.Contains(trouble[1].Error(), "older records") {
		t.Errorf("behind it: %d records, %v", len(got), trouble)
	}
	keep(t, dir, "passed anew")
	if got, trouble := last(); len(got) != 1 || got[0].Number != 3 || len(trouble) != 2 {
		t.Errorf("before it: %d records, %v", len(got), trouble)
	}
}
