package guard

import (
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// heldRow is a line above a test that brings in a fault: what goes wrong, and
// what must happen. heldTest is the test that it stands above.
var (
	heldRow  = regexp.MustCompile(`^//fault:row (.+) \| (.+)$`)
	heldTest = regexp.MustCompile(`^func (Test\w+)\(`)
)

// heldRows are the rows of the table that other tests stand for, from above
// those tests, in the order of folders and files.
func heldRows(t *testing.T) (rows []string) {
	t.Helper()
	root := filepath.Join("..", "..", "..")
	must(t, filepath.WalkDir(root, func(name string, entry fs.DirEntry, err error) error {
		if err != nil || entry.IsDir() && entry.Name() == ".git" {
			return filepath.SkipDir
		}
		if entry.IsDir() || !strings.HasSuffix(name, "_test.go") {
			return nil
		}
		text, err := os.ReadFile(name)
		if err != nil {
			return err
		}
		folder, err := filepath.Rel(root, filepath.Dir(name))
		if err != nil {
			return err
		}
		var waiting [][]string
		for line := range strings.Lines(string(text)) {
			if m := heldRow.FindStringSubmatch(strings.TrimSuffix(line, "\n")); m != nil {
				waiting = append(waiting, m)
			} else if m := heldTest.FindStringSubmatch(line); m != nil {
				for _, w := range waiting {
					rows = append(rows, fmt.Sprintf("| %s | %s | `%s` in %s |", w[1], w[2], m[1], filepath.ToSlash(folder)))
				}
				waiting = nil
			} else if strings.HasPrefix(line, "//fault:") || len(waiting) > 0 {
				t.Errorf("%s: a row of a fault stands above no test: %s", name, strings.TrimSpace(line))
				waiting = nil
			}
		}
		return nil
	}))
	if len(rows) < 30 {
		t.Errorf("%d rows stand above tests, want at least 30: the search is broken", len(rows))
	}
	return rows
}

const faultHead = `# What the guard does about what goes wrong

Made by ` + "`go test -run EveryFault ./interlock/day/guard -rewrite-table`" + ` and held to it by the
same test. A made-up craft hovers at 2.5 m, live, when the fault comes; times run
from there on the guard's own clock, with turns of 5 ms and the modelled chain of
the virtual board. They are no times of a real relay, contactor or rotor.

| fault | what must happen | first cause | relay's pin off after | rotors without power after | ends |
|---|---|---|---|---|---|
`

const heldHead = `
Held by tests of their own, because they need a process, a disk or a kernel. Each
row stands above its test, marked fault:row:

| fault | what must happen | test |
|---|---|---|
`
