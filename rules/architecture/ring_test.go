package architecture

import (
	"bytes"
	"fmt"
	"go/ast"
	"go/token"
	"go/types"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// ring1 are the packages that decide: what they are told by the outer rings may be
// wrong. What derives channels hands its work over through limits.Derivation.
var ring1 = []string{"interlock", "interlock/limits"}

// besideRing1 is what ring 1 may import and is none of it: the words for what is allowed.
var besideRing1 = []string{"rules"}

// ringFault returns what is wrong with a package of ring 1 importing another, empty
// when nothing is.
func ringFault(path string) string {
	name, ours := strings.CutPrefix(path, module+"/")
	switch {
	case ours && (slices.Contains(ring1, name) || slices.Contains(besideRing1, name)):
		return ""
	case ours:
		return "what decides must be right whatever the outer rings say: have that one hand over what is needed"
	case path == "golang.org/x/sys/unix", !strings.Contains(strings.Split(path, "/")[0], "."):
		return ""
	}
	return "what decides stands on the standard library and the kernel's own calls alone"
}

func TestRing1ImportsNoOuterRing(t *testing.T) {
	for path, wrong := range map[string]bool{
		module + "/interlock/limits": false, module + "/rules": false, "time": false, "golang.org/x/sys/unix": false,
		module + "/interlock/day/derived": true, module + "/interlock/day/intake": true, module + "/rules/card": true, "golang.org/x/sys": true, "periph.io/x/host/v3": true,
	} {
		if (ringFault(path) != "") != wrong {
			t.Errorf("the rule is wrong itself: %s: %q", path, ringFault(path))
		}
	}
	left := slices.Clone(ring1)
	for _, p := range packages(t) {
		name := strings.TrimPrefix(p.ImportPath, module+"/")
		i := slices.Index(left, name)
		if i < 0 {
			continue
		}
		left = slices.Delete(left, i, i+1)
		for _, imp := range p.Imports {
			if fault := ringFault(imp); fault != "" {
				t.Errorf("%s imports %s: %s", name, imp, fault)
			}
		}
	}
	if len(left) > 0 {
		t.Errorf("packages of ring 1 that are not there: %v", left)
	}
}

// ring1Files are the files of ring 1 in packages that hold other rings as well: the live
// loop with its lanes and outputs, the door of pins and of the host's words, and the
// lines themselves. What opens the lines is not counted.
var ring1Files = []string{
	"interlock/day/guard/loop.go", "interlock/day/guard/inbox.go", "interlock/day/guard/ring.go", "interlock/day/guard/outputs.go",
	"interlock/day/telemetry/link/wait_linux.go",
	"interlock/day/intake/border.go", "interlock/day/intake/pins.go", "interlock/day/intake/host.go", "interlock/day/intake/chunk.go",
	"hw/board.go", "hw/gpioboard_linux.go", "hw/gpiooutput_linux.go",
}

// notRing1 are the files of ring 1's packages that only name, show or hand on what is
// decided. What naming.go answers stands in a record and moves nothing:
// TestWhatNamesWritesNothing, and TestWhatNamesASilenceMovesNothing in interlock.
var notRing1 = []string{
	"interlock/names.go", "interlock/saying.go", "interlock/view.go", "interlock/decision.go", "interlock/naming.go", "interlock/asked.go",
	"interlock/limits/asked.go",
}

// What only names a decision reads the engine and writes nothing of it: what it answers
// may mislead a reader of the record, and moves nothing.
func TestWhatNamesWritesNothing(t *testing.T) {
	const naming = "interlock/naming.go"
	set := token.NewFileSet()
	own := map[types.Object]bool{} // the functions of that file
	looked := 0
	for _, c := range carried(t, set, nil) {
		if c.pkg.Path() != module+"/interlock" {
			continue
		}
		for _, f := range c.files {
			for _, d := range f.Decls {
				if fd, ok := d.(*ast.FuncDecl); ok && set.Position(fd.Pos()).Filename == naming {
					own[c.info.Defs[fd.Name]] = true
				}
			}
		}
		for _, f := range c.files {
			if set.Position(f.Pos()).Filename != naming {
				continue
			}
			ast.Inspect(f, func(n ast.Node) bool {
				var to []ast.Expr
				switch n := n.(type) {
				case *ast.AssignStmt:
					to = n.Lhs
				case *ast.IncDecStmt:
					to = []ast.Expr{n.X}
				case *ast.UnaryExpr:
					if n.Op == token.AND && !ofRules(c.info.TypeOf(n.X)) {
						t.Errorf("%v: takes an address that could be written through", set.Position(n.Pos()))
					}
				case *ast.CallExpr:
					// Of the engine it calls its own kind and what answers; see below.
					if s, ok := n.Fun.(*ast.SelectorExpr); ok {
						called := c.info.Uses[s.Sel]
						if called != nil && called.Pkg() != nil && strings.HasPrefix(called.Pkg().Path(), module+"/interlock") {
							looked++
							if !own[called] && !slices.Contains(answers, s.Sel.Name) {
								t.Errorf("%v: calls %s, which is not known to write nothing", set.Position(n.Pos()), s.Sel.Name)
							}
						}
					}
				}
				for _, x := range to {
					for {
						s, ok := x.(*ast.SelectorExpr)
						if !ok {
							break
						}
						x = s.X
						if _, pointer := c.info.TypeOf(x).Underlying().(*types.Pointer); pointer {
							t.Errorf("%v: writes behind a pointer", set.Position(x.Pos()))
						}
					}
					if _, local := x.(*ast.Ident); !local {
						t.Errorf("%v: writes to what is not its own", set.Position(x.Pos()))
					}
				}
				return true
			})
		}
	}
	if looked < 10 {
		t.Errorf("%d calls looked at", looked)
	}
}

// answers are the methods of engine, clock and limits that what names may call: each
// only reads.
var answers = []string{"Rule", "Reading", "Health", "Needs", "Feeds", "Cause", "runs", "inForce", "Stale"}

// ofRules reports whether a type is of the words for what is allowed, which never change.
func ofRules(t types.Type) bool {
	named, ok := t.(*types.Named)
	return ok && named.Obj().Pkg() != nil && named.Obj().Pkg().Path() == module+"/rules"
}

// mostOfRing1 bounds the lines of ring 1 with comments, and of what it uses of rules:
// what one person can read in a sitting.
const mostOfRing1 = 5_500

// Ring 1 stays small enough to be read. Whoever must let it grow changes the bound, and
// says why.
func TestRing1CanBeReadInASitting(t *testing.T) {
	sizes := map[string]int{}
	count := func(file string) {
		text, err := os.ReadFile(filepath.Join(root, file))
		if err != nil {
			t.Fatal(err)
		}
		sizes[file] = bytes.Count(text, []byte("\n"))
	}
	for _, file := range ring1Files {
		count(file)
	}
	set := token.NewFileSet()
	all := carried(t, set, nil)
	for _, c := range all {
		if !slices.Contains(ring1, strings.TrimPrefix(c.pkg.Path(), module+"/")) {
			continue
		}
		for _, f := range c.files {
			if name := set.Position(f.Pos()).Filename; !slices.Contains(notRing1, name) {
				count(name)
			}
		}
	}
	for _, name := range notRing1 {
		if _, err := os.Stat(filepath.Join(root, name)); err != nil {
			t.Errorf("%s is not there: take it out of the list", name)
		}
	}
	sizes["rules, what it uses of them"] = usedOfRules(set, all, sizes)
	total := 0
	for _, n := range sizes {
		total += n
	}
	if total > mostOfRing1 {
		var rows []string
		for _, name := range slices.Sorted(maps.Keys(sizes)) {
			rows = append(rows, fmt.Sprintf("%5d %s", sizes[name], name))
		}
		t.Errorf("ring 1 has %d lines, at most %d: take something out\n%s", total, mostOfRing1, strings.Join(rows, "\n"))
	}
}

// usedOfRules counts the lines, with their comments, of what the files use of package
// rules, and of what that uses there in turn; the catalogue of channels is a table, and
// String is for people.
func usedOfRules(set *token.FileSet, all []*checked, files map[string]int) (lines int) {
	type decl struct {
		from, to token.Pos
		node     ast.Node
	}
	of := map[types.Object]*decl{}
	var inside *checked
	for _, c := range all {
		if c.pkg.Path() != module+"/rules" {
			continue
		}
		inside = c
		for _, f := range c.files {
			if strings.HasSuffix(set.Position(f.Pos()).Filename, "catalogue.go") {
				continue
			}
			for _, d := range f.Decls {
				at := d.Pos()
				switch d := d.(type) {
				case *ast.FuncDecl:
					if d.Doc != nil {
						at = d.Doc.Pos()
					}
					if d.Name.Name != "String" {
						of[c.info.Defs[d.Name]] = &decl{at, d.End(), d}
					}
				case *ast.GenDecl:
					if d.Doc != nil {
						at = d.Doc.Pos()
					}
					whole := &decl{at, d.End(), d}
					for _, spec := range d.Specs {
						switch s := spec.(type) {
						case *ast.TypeSpec:
							of[c.info.Defs[s.Name]] = whole
						case *ast.ValueSpec:
							for _, n := range s.Names {
								of[c.info.Defs[n]] = whole
							}
						}
					}
				}
			}
		}
	}
	counted := map[*decl]bool{}
	var take func(o types.Object)
	take = func(o types.Object) {
		d := of[o]
		if d == nil || counted[d] {
			return
		}
		counted[d] = true
		lines += set.Position(d.to).Line - set.Position(d.from).Line + 2 // and the empty one behind it
		ast.Inspect(d.node, func(n ast.Node) bool {
			switch n := n.(type) {
			case *ast.StructType:
				return false // what a field has counts where it is used
			case *ast.Ident:
				take(inside.info.Uses[n])
			}
			return true
		})
	}
	for _, c := range all {
		for _, f := range c.files {
			if _, ok := files[set.Position(f.Pos()).Filename]; !ok {
				continue
			}
			ast.Inspect(f, func(n ast.Node) bool {
				if id, ok := n.(*ast.Ident); ok {
					take(c.info.Uses[id])
				}
				return true
			})
		}
	}
	return lines
}
