package architecture

import (
	"encoding/json"
	"errors"
	"go/ast"
	"go/parser"
	"go/token"
	"go/types"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// excused are things that happen under a lock with a good reason: the function, part
// of what is said of it, and why it cannot hang.
var excused = []struct{ in, says, reason string }{
	{"virtual.Board.setFault", "f.set", "a row of boardFaults, which sets a flag of the model"},
	{"guard.placesFor", "runtime.GOMAXPROCS", "before the loop turns and after its end; only guards of one process share the lock"},
	{"virtual.Board.Show", "f.in", "a row of boardFaults, which reads a flag of the model"},
}

// carried type-checks every package of ours that the daemon carries, the virtual board included, from source. more
// is put into the package of that name as one file more.
func carried(t *testing.T, set *token.FileSet, more map[string]string) []*checked {
	t.Helper()
	return carriedBy(t, "./cmd/downhauld-bench", set, more)
}

// carriedBy is carried for another program.
func carriedBy(t *testing.T, program string, set *token.FileSet, more map[string]string) []*checked {
	t.Helper()
	goFiles(t) // the cached result hangs on every source
	imp := chain{exports(t, set, program), map[string]*types.Package{}}
	out, _ := goCommand(t, root, nil, "list", "-deps", "-json=ImportPath,Dir,GoFiles", program)
	var all []*checked
	for d := json.NewDecoder(strings.NewReader(out)); ; {
		var p struct {
			ImportPath, Dir string
			GoFiles         []string
		}
		if err := d.Decode(&p); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			t.Fatal(err)
		}
		name, ours := strings.CutPrefix(p.ImportPath, module+"/")
		if !ours {
			continue
		}
		var parsed []*ast.File
		parse := func(file string, text any) {
			f, err := parser.ParseFile(set, file, text, parser.SkipObjectResolution)
			if err != nil {
				t.Fatal(err)
			}
			parsed = append(parsed, f)
		}
		for _, file := range p.GoFiles {
			text, err := os.ReadFile(filepath.Join(p.Dir, file))
			if err != nil {
				t.Fatal(err)
			}
			parse(name+"/"+file, text)
		}
		if text := more[name]; text != "" {
			parse(name+"/planted.go", text)
		}
		c, err := check(p.ImportPath, set, parsed, imp)
		if err != nil {
			t.Fatal(err)
		}
		imp.ours[p.ImportPath] = c.pkg
		all = append(all, c)
	}
	return all
}

// chain imports what was checked here from there, and all else from its compiled form.
type chain struct {
	types.Importer
	ours map[string]*types.Package
}

func (c chain) Import(path string) (*types.Package, error) {
	if p := c.ours[path]; p != nil {
		return p, nil
	}
	return c.Importer.Import(path)
}

// Two locks that two goroutines take the other way round stop both for good: a trip
// was lost to that once, with the writer of the records behind it. So while a lock is
// held nothing is waited for, no other lock, no channel, no disk, no client, and no
// function is called of which nobody can tell. What is behind an interface of ours is
// every type of ours that has its methods.
func TestNothingIsWaitedForUnderALock(t *testing.T) {
	set := token.NewFileSet()
	packages := carried(t, set, nil)
	locks, used := 0, make([]bool, len(excused))
	scan := newLockScan(set, packages)
	for _, m := range scan.all {
		for _, e := range m.events {
			if strings.HasPrefix(e.what, "takes the lock") {
				locks++
			}
		}
	}
	if locks < 20 {
		t.Errorf("only %d places were found that take a lock: the scan looks in the wrong place", locks)
	}
	for _, f := range scan.faults() {
		i := slices.IndexFunc(excused, func(x struct{ in, says, reason string }) bool {
			return x.in == f.in && strings.Contains(f.says, x.says)
		})
		if i >= 0 {
			used[i] = true
			continue
		}
		t.Errorf("%s: %s: %s", f.at, f.in, f.says)
	}
	for i, x := range excused {
		if !used[i] {
			t.Errorf("%s is excused (%s) and does nothing of that kind any more: take the row out", x.in, x.reason)
		}
	}
}

// The scan finds each inversion that is planted in made-up code, at its own line, and
// nothing in code that does it right: the lines marked "finds:" with part of what must
// be said.
func TestLockScanFindsWhatIsPlanted(t *testing.T) {
	set := token.NewFileSet()
	names, err := filepath.Glob("testdata/locks/*.go")
	if err != nil || len(names) < 2 {
		t.Fatal(names, err)
	}
	imp := exports(t, set, "./cmd/downhauld-bench")
	for _, name := range names {
		text, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		parsed, err := parser.ParseFile(set, name, text, parser.SkipObjectResolution)
		if err != nil {
			t.Fatal(err)
		}
		c, err := check("planted", set, []*ast.File{parsed}, imp)
		if err != nil {
			t.Fatal(err)
		}
		want, found := map[int]string{}, map[int]bool{}
		for i, line := range strings.Split(string(text), "\n") {
			if _, says, ok := strings.Cut(line, "// finds: "); ok {
				want[i+1] = says
			}
		}
		for _, f := range newLockScan(set, []*checked{c}).faults() {
			if says, marked := want[f.at.Line]; !marked {
				t.Errorf("%s: nothing is wrong there, and it says: %s", f.at, f.says)
			} else if strings.Contains(f.says, says) {
				found[f.at.Line] = true
			}
		}
		for line, says := range want {
			if !found[line] {
				t.Errorf("%s:%d: not found: %q", name, line, says)
			}
		}
	}
}

// A third inversion, planted in the guard itself, is found: it is the shape of the two
// that were there.
func TestLockScanFindsAThirdInversionInTheGuard(t *testing.T) {
	set := token.NewFileSet()
	planted := `package guard
import "time"
func (g *Guard) planted() {
	g.toldMu.Lock()
	defer g.toldMu.Unlock()
	g.told = nil
	g.plantedToo()
}
func (g *Guard) plantedToo() { g.declared.rate.take(time.Time{}) }
`
	found := newLockScan(set, carried(t, set, map[string]string{"interlock/day/guard": planted})).faults()
	if !slices.ContainsFunc(found, func(f lockFault) bool {
		return f.in == "guard.Guard.planted" && f.at.Line == 7 && strings.Contains(f.says, "takes the lock rate.mu")
	}) {
		t.Errorf("not found among %v", found)
	}
}
