package defects

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// root is the repository's, from here.
const root = "../.."

// change is one defect: a text of a file that is replaced by another.
type change struct {
	kind       string // of a mutant
	what, file string
	old, new   string
	offset     int // of old in the file
}

// source is the file as it would be.
func (c *change) source(t *testing.T) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(root, c.file))
	if err != nil {
		t.Fatal(err)
	}
	return string(text[:c.offset]) + c.new + string(text[c.offset+len(c.old):])
}

// The lists: defects that the tests must notice, and mutants that nothing can.
const (
	seededList = "testdata/seeded.txt"
	arguedList = "testdata/argued.txt"
	secondList = "testdata/second.txt"
)

// listed reads a list of changes and finds each in its file.
func listed(t *testing.T, list string) []change {
	t.Helper()
	all := read(t, list)
	for i := range all {
		if err := all[i].find(); err != nil {
			t.Errorf("%s: %q: %v", list, all[i].what, err)
		}
	}
	if t.Failed() {
		t.FailNow()
	}
	return all
}

func read(t *testing.T, list string) []change {
	t.Helper()
	text, err := os.ReadFile(list)
	if err != nil {
		t.Fatal(err)
	}
	var all []change
	for n, line := range strings.Split(string(text), "\n") {
		if what, ok := strings.CutPrefix(line, "## "); ok {
			if n := len(all); n > 0 && all[n-1].file == "" {
				all[n-1].what += " " + what
				continue
			}
			all = append(all, change{what: what})
			continue
		}
		if len(all) == 0 || line == "" {
			continue
		}
		c := &all[len(all)-1]
		switch old, isOld := strings.CutPrefix(line, "< "); {
		case isOld:
			c.old += old + "\n"
		case strings.HasPrefix(line, "> "):
			c.new += line[2:] + "\n"
		case line == ">":
		case c.file == "":
			c.file = line
		default:
			t.Fatalf("%s:%d: want a file, or a line that begins with < or > (got %q)", list, n+1, line)
		}
	}
	return all
}

// find sets the offset. The last line of old may end anywhere in its line of
// the source, so that a comment behind it need not be repeated.
func (c *change) find() error {
	text, err := os.ReadFile(filepath.Join(root, c.file))
	if err != nil {
		return err
	}
	c.old, c.new = strings.TrimSuffix(c.old, "\n"), strings.TrimSuffix(c.new, "\n")
	if n := strings.Count(string(text), c.old); n != 1 || c.old == "" {
		return fmt.Errorf("stands %d times in %s, want once; bring the list up to date with the source", n, c.file)
	}
	c.offset = strings.Index(string(text), c.old)
	return nil
}

func TestSeededDefectsFitTheSource(t *testing.T) {
	all := listed(t, seededList)
	if len(all) < 60 {
		t.Errorf("%d seeded defects, want at least 60", len(all))
	}
	once(t, all)
}

// Every mutant that is argued away still stands in the source, and is one that
// TestScore makes.
func TestArguedMutantsFitTheSource(t *testing.T) {
	all := listed(t, arguedList)
	once(t, all)
	of := map[string]map[string]bool{} // by file: what it can become
	for _, c := range all {
		if of[c.file] == nil {
			of[c.file] = map[string]bool{}
			for _, m := range mutantsOf(t, filepath.Join(root, c.file)) {
				of[c.file][m.source(t)] = true
			}
		}
		if !of[c.file][c.source(t)] {
			t.Errorf("%s: %q is no mutant of %s", arguedList, c.what, c.file)
		}
	}
}

func once(t *testing.T, all []change) {
	t.Helper()
	told := map[string]bool{}
	for _, c := range all {
		if told[c.what] || c.old == c.new {
			t.Errorf("%q stands twice, or changes nothing", c.what)
		}
		told[c.what] = true
	}
}
