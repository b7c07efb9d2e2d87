package interlock

import (
	"go/ast"
	"go/parser"
	"go/token"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// latchMayName is what the latch takes from other packages of ours: times and stops.
var latchMayName = []string{"rules.Never", "rules.Stop", "rules.NoStop", "rules.Immediate", "rules.RotorsStanding"}

// The latch knows no channel and nothing of the limits: whatever it must know comes
// through below.
func TestLatchKnowsNoChannel(t *testing.T) {
	methods := 0
	for _, file := range sources(t) {
		for _, d := range file.Decls {
			f, ok := d.(*ast.FuncDecl)
			if !ok || f.Recv == nil {
				continue
			}
			if !isLatch(f) {
				continue
			}
			methods++
			ast.Inspect(f, func(n ast.Node) bool {
				s, ok := n.(*ast.SelectorExpr)
				if !ok {
					return true
				}
				x, ok := s.X.(*ast.Ident)
				if !ok || x.Name != "rules" && x.Name != "limits" && x.Name != "derived" {
					return true
				}
				if what := x.Name + "." + s.Sel.Name; !slices.Contains(latchMayName, what) {
					t.Errorf("%s: the latch's %s names %s", set.Position(s.Pos()), f.Name.Name, what)
				}
				return true
			})
		}
	}
	if methods < 40 {
		t.Fatalf("only %d methods of the latch were found", methods)
	}
}

// latchTakes is what the rest of the engine tells the latch, latchGives what it asks of it,
// calls and values; what lies in between is the latch's own.
var (
	latchTakes = []string{
		"line", "unread", "fire", "moved", "over", "powerUp", "clear", // inputs and time
		"stands", "recorded", "record", "stop", "cautioning", "emit", // what rules ask for, and what is told of it
		"builtinTrip", "builtinTripFor", "failed", "cut", "event", // what built-in interlocks ask for
		"down", "powerBack", "powerOff", "phaseMoved", "passed", "heard", "unsettled", // what the craft is seen to do
		"keep", "outside", "relayFailed", "rotorsStand", "end", // what the host says
		"clone",
	}
	latchGives = []string{
		"onIfFitted", // a line, for the screens
		"answer", "next", "timers", "dirty", "power", "mustBeOff", "mirrorOpen", "still", "runs", "hushed", "resetBar", "eachUnmet",
		"state", "since", "why", "sound", "relayOn", "closed", "resetDone", "inEpisode", "first", "trips", "kept", "standing", "flash", "flashState", "rotors",
	}
)

// What is not the latch writes none of its fields but the next deadline, calls and
// reads only what is named above.
func TestTheLatchIsAskedAndToldByName(t *testing.T) {
	used := map[string]bool{}
	for _, file := range sources(t) {
		for _, d := range file.Decls {
			if f, ok := d.(*ast.FuncDecl); ok && f.Recv != nil && isLatch(f) {
				continue
			}
			name := func(x ast.Expr) string {
				s, ok := x.(*ast.SelectorExpr)
				if !ok {
					return ""
				}
				if of, ok := s.X.(*ast.SelectorExpr); !ok || of.Sel.Name != "latch" {
					return ""
				}
				return s.Sel.Name
			}
			ast.Inspect(d, func(n ast.Node) bool {
				switch n := n.(type) {
				case *ast.SelectorExpr:
					if what := name(n); what != "" {
						used[what] = true
						if !slices.Contains(latchTakes, what) && !slices.Contains(latchGives, what) {
							t.Errorf("%v: the latch's %s is its own", set.Position(n.Pos()), what)
						}
					}
				case *ast.IncDecStmt:
					if what := name(n.X); what != "" {
						t.Errorf("%v: the latch's %s is written from outside", set.Position(n.Pos()), what)
					}
				case *ast.AssignStmt:
					for _, x := range n.Lhs {
						if what := name(x); what != "" && what != "next" {
							t.Errorf("%v: the latch's %s is written from outside", set.Position(x.Pos()), what)
						}
					}
				}
				return true
			})
		}
	}
	for _, what := range slices.Concat(latchTakes, latchGives) {
		if !used[what] {
			t.Errorf("nothing uses the latch's %s: take it off the list", what)
		}
	}
}

// set has the positions of sources.
var set = token.NewFileSet()

// sources are the parsed files of this package.
func sources(t *testing.T) []*ast.File {
	t.Helper()
	names, err := filepath.Glob("*.go")
	if err != nil {
		t.Fatal(err)
	}
	var files []*ast.File
	for _, name := range names {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		file, err := parser.ParseFile(set, name, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		files = append(files, file)
	}
	return files
}

// isLatch reports whether a method is the latch's.
func isLatch(f *ast.FuncDecl) bool {
	star, ok := f.Recv.List[0].Type.(*ast.StarExpr)
	return ok && isNamed(star.X, "latch")
}

func isNamed(x ast.Expr, name string) bool {
	id, ok := x.(*ast.Ident)
	return ok && id.Name == name
}
