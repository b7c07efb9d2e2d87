package architecture

import (
	"fmt"
	"go/ast"
	"go/importer"
	"go/parser"
	"go/token"
	"go/types"
	"io"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// exactMath are the functions of package math whose result is the same, bit
// for bit, on every architecture: they are exact, or correctly rounded by
// IEEE 754, or no arithmetic at all.
var exactMath = strings.Fields(`Sqrt Abs Floor Ceil Trunc Round RoundToEven Min Max Mod Frexp Ldexp
	IsNaN IsInf Inf NaN Signbit Copysign Float64bits Float64frombits Float32bits Float32frombits`)

// forbiddenNames are names of allowed packages that a pure package may not
// use, with the reason.
var forbiddenNames = []struct{ pkg, names, reason string }{
	{"time", "Now Since Until Sleep After AfterFunc Tick NewTimer NewTicker Timer Ticker", "time is an argument"},
	{"time", "Local LoadLocation LoadLocationFromTZData Unix UnixMilli UnixMicro", "the zone of the machine is no input"},
	{"sort", "Sort Slice", "the order of equals may change; use the stable one"},
	{"slices", "SortFunc", "the order of equals may change; use the stable one"},
	{"fmt", "Print Printf Println Scan Scanf Scanln", "the core has no screen and no keyboard"},
	{"unsafe", "*", "the bytes of a value differ between architectures"},
}

// checked is one package with its types.
type checked struct {
	set   *token.FileSet
	files []*ast.File
	info  *types.Info
	pkg   *types.Package
}

// check type-checks sources; importPath is what they would be imported as.
func check(importPath string, set *token.FileSet, parsed []*ast.File, imp types.Importer) (*checked, error) {
	info := &types.Info{
		Types:      map[ast.Expr]types.TypeAndValue{},
		Uses:       map[*ast.Ident]types.Object{},
		Defs:       map[*ast.Ident]types.Object{},
		Selections: map[*ast.SelectorExpr]*types.Selection{},
	}
	pkg, err := (&types.Config{Importer: imp}).Check(importPath, set, parsed, info)
	return &checked{set, parsed, info, pkg}, err
}

// impurities lists what a pure package may not hold, each with its place and
// reason.
func (c *checked) impurities() []string {
	var out []string
	say := func(at token.Pos, format string, args ...any) {
		p := c.set.Position(at)
		out = append(out, fmt.Sprintf("%s:%d: %s", filepath.ToSlash(p.Filename), p.Line, fmt.Sprintf(format, args...)))
	}
	for _, f := range c.files {
		for _, d := range f.Decls {
			fn, _ := d.(*ast.FuncDecl)
			starting := fn != nil && fn.Recv == nil && fn.Name.Name == "init"
			ast.Inspect(d, func(n ast.Node) bool {
				switch n := n.(type) {
				case *ast.GoStmt:
					say(n.Pos(), "a goroutine: one goroutine owns the core")
				case *ast.SelectStmt:
					say(n.Pos(), "a select: which case wins is chance")
				case *ast.ChanType:
					say(n.Pos(), "a channel: inputs come as arguments")
				case *ast.RangeStmt:
					if t := c.info.TypeOf(n.X); t != nil {
						if _, ok := t.Underlying().(*types.Map); ok {
							say(n.Pos(), "a loop over a map: its order is chance; keep a sorted slice")
						}
					}
				case *ast.AssignStmt:
					if fn != nil && !starting && n.Tok != token.DEFINE {
						for _, left := range n.Lhs {
							c.global(left, say)
						}
					}
				case *ast.IncDecStmt:
					if fn != nil && !starting {
						c.global(n.X, say)
					}
				case *ast.Ident:
					c.name(n, say)
				}
				return true
			})
		}
	}
	return out
}

// global speaks up when left stands for a variable of the package or a part of
// one that is reached without a pointer of the caller's.
func (c *checked) global(left ast.Expr, say func(token.Pos, string, ...any)) {
	for {
		switch e := left.(type) {
		case *ast.ParenExpr:
			left = e.X
		case *ast.IndexExpr:
			left = e.X
		case *ast.SliceExpr:
			left = e.X
		case *ast.StarExpr:
			left = e.X
		case *ast.SelectorExpr:
			if id, ok := e.X.(*ast.Ident); ok {
				if _, ok := c.info.Uses[id].(*types.PkgName); ok {
					say(e.Pos(), "%s.%s is changed: a global that changes is an input that no recording holds", id.Name, e.Sel.Name)
					return
				}
			}
			left = e.X
		case *ast.Ident:
			if v, ok := c.info.Uses[e].(*types.Var); ok && v.Parent() == c.pkg.Scope() {
				say(e.Pos(), "%s is changed: a global that changes is an input that no recording holds", e.Name)
			}
			return
		default:
			return
		}
	}
}

// name speaks up when the identifier stands for something of another package
// that is forbidden.
func (c *checked) name(id *ast.Ident, say func(token.Pos, string, ...any)) {
	obj := c.info.Uses[id]
	if obj == nil || obj.Pkg() == nil || obj.Pkg() == c.pkg || obj.Parent() != obj.Pkg().Scope() {
		return
	}
	from := obj.Pkg().Path()
	if _, ok := obj.(*types.Func); ok && from == "math" && !slices.Contains(exactMath, obj.Name()) {
		say(id.Pos(), "math.%s: its last bits differ between architectures; use our own", obj.Name())
	}
	for _, f := range forbiddenNames {
		if from == f.pkg && (f.names == "*" || slices.Contains(strings.Fields(f.names), obj.Name())) {
			say(id.Pos(), "%s.%s: %s", from, obj.Name(), f.reason)
		}
	}
}

// exports asks the go command for the compiled form of everything that the
// patterns need, and gives an importer that reads them.
func exports(t *testing.T, set *token.FileSet, patterns ...string) types.Importer {
	t.Helper()
	args := append([]string{"list", "-export", "-deps", "-f", "{{.ImportPath}}\t{{.Export}}"}, patterns...)
	out, _ := goCommand(t, root, nil, args...)
	where := map[string]string{}
	for _, line := range strings.Split(out, "\n") {
		if name, file, ok := strings.Cut(line, "\t"); ok && file != "" {
			where[name] = file
		}
	}
	return importer.ForCompiler(set, "gc", func(name string) (io.ReadCloser, error) {
		if where[name] == "" {
			return nil, fmt.Errorf("no compiled form of %s", name)
		}
		return os.Open(where[name])
	})
}

func TestPurePackagesHoldNoClockChanceOrGlobal(t *testing.T) {
	byFolder := map[string][]file{}
	for _, f := range goFiles(t) {
		if !strings.HasSuffix(f.path, "_test.go") {
			byFolder[path.Dir(f.path)] = append(byFolder[path.Dir(f.path)], f)
		}
	}
	var patterns []string
	for _, p := range pure {
		patterns = append(patterns, "./"+p)
	}
	set := token.NewFileSet()
	imp := exports(t, set, patterns...)
	for _, p := range pure {
		if len(byFolder[p]) == 0 {
			t.Errorf("%s: no source found", p)
			continue
		}
		var parsed []*ast.File
		for _, f := range byFolder[p] {
			a, err := parser.ParseFile(set, f.path, f.text, parser.ParseComments|parser.SkipObjectResolution)
			if err != nil {
				t.Fatal(err)
			}
			parsed = append(parsed, a)
		}
		c, err := check(module+"/"+p, set, parsed, imp)
		if err != nil {
			t.Errorf("%s: %v", p, err)
			continue
		}
		for _, fault := range c.impurities() {
			t.Error(fault)
		}
	}
}

// TestPurityScanFindsWhatItLooksFor holds the scan above to seeded faults, and
// to code that only looks like one.
func TestPurityScanFindsWhatItLooksFor(t *testing.T) {
	set := token.NewFileSet()
	imp := exports(t, set, "time", "math", "sort", "slices", "fmt")
	for _, c := range []struct{ name, imports, body, want string }{
		{"now", "time", `func f() time.Time { return time.Now() }`, "time.Now: time is an argument"},
		{"now as a value", "time", `var clock = time.Now`, "time.Now: time is an argument"},
		{"renamed import", `t "time"`, `func f() { t.Sleep(1) }`, "time.Sleep: time is an argument"},
		{"duration only", "time", `func f(d time.Duration) bool { return d > time.Second }`, ""},
		{"sine", "math", `func f(x float64) float64 { return math.Sin(x) }`, "math.Sin: its last bits"},
		{"fused by hand", "math", `func f(x float64) float64 { return math.FMA(x, x, x) }`, "math.FMA: its last bits"},
		{"root", "math", `func f(x float64) float64 { return math.Sqrt(x) + math.Pi }`, ""},
		{"goroutine", "", `func f() { go f() }`, "a goroutine"},
		{"select", "", `func f() { select {} }`, "a select"},
		{"channel", "", `var c chan int`, "a channel"},
		{"map", "", `type m map[string]int; func f(x m) (n int) { for range x { n++ }; return }`, "a loop over a map"},
		{"slice", "", `func f(x []int) (n int) { for range x { n++ }; return }`, ""},
		{"global", "", `var n int; func f() { n++ }`, "n is changed"},
		{"part of a global", "", `var n [3]struct{ x []int }; func f() { n[1].x[2] = 4 }`, "n is changed"},
		{"through a pointer global", "", `var n = new(int); func f() { *n = 1 }`, "n is changed"},
		{"global at start", "", `var n [3]int; func init() { n[1] = 2 }`, ""},
		{"local of the same name", "", `var n int; func f() int { n := 1; n++; return n }; var _ = n`, ""},
		{"field of a receiver", "", `type e struct{ n int }; func (x *e) f() { x.n++ }`, ""},
		{"unstable sort", "sort", `func f(x []int) { sort.Slice(x, func(i, j int) bool { return x[i] < x[j] }) }`, "sort.Slice: the order of equals"},
		{"stable sort", "slices", `func f(x []int) { slices.SortStableFunc(x, func(a, b int) int { return a - b }) }`, ""},
		{"screen", "fmt", `func f() { fmt.Println(1) }`, "fmt.Println: the core has no screen"},
		{"unsafe", "unsafe", `func f(x *int) uintptr { return uintptr(unsafe.Pointer(x)) }`, "unsafe.Pointer: the bytes"},
	} {
		t.Run(c.name, func(t *testing.T) {
			text := "package p\n"
			if c.imports != "" {
				if !strings.Contains(c.imports, `"`) {
					c.imports = `"` + c.imports + `"`
				}
				text += "import " + c.imports + "\n"
			}
			parsed, err := parser.ParseFile(set, "p.go", text+c.body, 0)
			if err != nil {
				t.Fatal(err)
			}
			done, err := check("p", set, []*ast.File{parsed}, imp)
			if err != nil {
				t.Fatal(err)
			}
			got := strings.Join(done.impurities(), "\n")
			if c.want == "" && got != "" || !strings.Contains(got, c.want) {
				t.Errorf("got %q, want %q", got, c.want)
			}
		})
	}
}
