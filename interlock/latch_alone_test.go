package interlock

import (
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"slices"
	"strings"
	"testing"
)

// latchMayName is what the latch takes from other packages of ours: times and stops.
var latchMayName = []string{"rules.Never", "rules.Stop", "rules.NoStop", "rules.Immediate", "rules.RotorsStanding"}

// The latch knows no channel and nothing of the limits: whatever it must know comes
// through below.
func TestLatchKnowsNoChannel(t *testing.T) {
	entries, err := os.ReadDir(".")
	if err != nil {
		t.Fatal(err)
	}
	methods := 0
	for _, entry := range entries {
		if !strings.HasSuffix(entry.Name(), ".go") || strings.HasSuffix(entry.Name(), "_test.go") {
			continue
		}
		set := token.NewFileSet()
		file, err := parser.ParseFile(set, entry.Name(), nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		for _, d := range file.Decls {
			f, ok := d.(*ast.FuncDecl)
			if !ok || f.Recv == nil {
				continue
			}
			if star, ok := f.Recv.List[0].Type.(*ast.StarExpr); !ok || !isNamed(star.X, "latch") {
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

func isNamed(x ast.Expr, name string) bool {
	id, ok := x.(*ast.Ident)
	return ok && id.Name == name
}
