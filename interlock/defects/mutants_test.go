package defects

import (
	"go/ast"
	"go/parser"
	"go/token"
	"math/big"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// core are the folders that are made wrong.
var core = []string{"rules", "interlock", "interlock/limits", "interlock/day/derived", "interlock/day/intake", "interlock/day/telemetry", "hw", "hw/virtual"}

// The kinds of mutant, as the literature on mutation testing has them (Offutt
// et al. 1996, "An experimental determination of sufficient mutant operators",
// from memory): relations at their border and turned round, arithmetic,
// constants, statements left out, and results replaced by nothing.
const (
	boundary   = "boundary"
	negation   = "negation"
	arithmetic = "arithmetic"
	constant   = "constant"
	removed    = "removed statement"
	result     = "return value"
)

var kinds = []string{boundary, negation, arithmetic, constant, removed, result}

type mutation struct {
	kind string
	to   token.Token
}

// operators are what a slip of the hand or the mind makes of an operator.
var operators = map[token.Token][]mutation{
	token.LSS: {{boundary, token.LEQ}, {negation, token.GEQ}}, token.LEQ: {{boundary, token.LSS}, {negation, token.GTR}},
	token.GTR: {{boundary, token.GEQ}, {negation, token.LEQ}}, token.GEQ: {{boundary, token.GTR}, {negation, token.LSS}},
	token.EQL: {{negation, token.NEQ}}, token.NEQ: {{negation, token.EQL}},
	token.LAND: {{negation, token.LOR}}, token.LOR: {{negation, token.LAND}},
	token.ADD: {{arithmetic, token.SUB}}, token.SUB: {{arithmetic, token.ADD}},
	token.MUL: {{arithmetic, token.QUO}}, token.QUO: {{arithmetic, token.MUL}}, token.REM: {{arithmetic, token.MUL}},
	token.SHL: {{arithmetic, token.SHR}}, token.SHR: {{arithmetic, token.SHL}},
	token.AND: {{arithmetic, token.OR}}, token.OR: {{arithmetic, token.AND}}, token.AND_NOT: {{arithmetic, token.AND}},
	token.ADD_ASSIGN: {{arithmetic, token.SUB_ASSIGN}}, token.SUB_ASSIGN: {{arithmetic, token.ADD_ASSIGN}},
	token.OR_ASSIGN: {{arithmetic, token.AND_ASSIGN}}, token.AND_ASSIGN: {{arithmetic, token.OR_ASSIGN}},
	token.INC: {{arithmetic, token.DEC}}, token.DEC: {{arithmetic, token.INC}},
}

// mutants returns every mutant of the core, in the order of the source. Some do
// not build; whoever tries them passes over these.
func mutants(t *testing.T) (all []change) {
	t.Helper()
	for _, folder := range core {
		files, err := filepath.Glob(filepath.Join(root, folder, "*.go"))
		if err != nil {
			t.Fatal(err)
		}
		if len(files) == 0 {
			t.Fatalf("no source in %s", folder)
		}
		for _, name := range files {
			if !strings.HasSuffix(name, "_test.go") {
				all = append(all, mutantsOf(t, name)...)
			}
		}
	}
	return all
}

func mutantsOf(t *testing.T, name string) (all []change) {
	t.Helper()
	text, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	set := token.NewFileSet()
	file, err := parser.ParseFile(set, name, text, 0)
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(string(text), "\n")
	rel := filepath.ToSlash(strings.TrimPrefix(name, root+string(filepath.Separator)))
	add := func(kind string, from, to token.Pos, with string) {
		at, end := set.Position(from), set.Position(to)
		old := string(text[at.Offset:end.Offset])
		if old == with {
			return
		}
		becomes := with
		if becomes == "" {
			becomes = "nothing"
		}
		all = append(all, change{
			kind: kind,
			what: at.String()[len(root)+1:] + ": " + kind + ": " + firstLine(old) + " becomes " + becomes + " in " + strings.TrimSpace(lines[at.Line-1]),
			file: rel, old: old, new: with, offset: at.Offset,
		})
	}
	var results []*ast.FieldList // of the functions around, innermost last
	var visit func(n ast.Node) bool
	visit = func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.ImportSpec, *ast.StructType:
			return false
		case *ast.FuncDecl:
			if n.Body != nil {
				results = append(results, n.Type.Results)
				ast.Inspect(n.Body, visit)
				results = results[:len(results)-1]
			}
			return false
		case *ast.FuncLit:
			results = append(results, n.Type.Results)
			ast.Inspect(n.Body, visit)
			results = results[:len(results)-1]
			return false
		case *ast.BinaryExpr:
			for _, m := range operators[n.Op] {
				add(m.kind, n.OpPos, n.OpPos+token.Pos(len(n.Op.String())), m.to.String())
			}
		case *ast.UnaryExpr:
			switch n.Op {
			case token.NOT:
				add(negation, n.OpPos, n.OpPos+1, "")
			case token.SUB:
				add(arithmetic, n.OpPos, n.OpPos+1, "")
			}
		case *ast.IncDecStmt:
			for _, m := range operators[n.Tok] {
				add(m.kind, n.TokPos, n.TokPos+2, m.to.String())
			}
			add(removed, n.Pos(), n.End(), "")
		case *ast.AssignStmt:
			for _, m := range operators[n.Tok] {
				add(m.kind, n.TokPos, n.TokPos+token.Pos(len(n.Tok.String())), m.to.String())
			}
			if n.Tok != token.DEFINE {
				add(removed, n.Pos(), n.End(), "")
			}
		case *ast.ExprStmt:
			add(removed, n.Pos(), n.End(), "")
		case *ast.BasicLit:
			if v := next(n); v != "" {
				add(constant, n.Pos(), n.End(), v)
			}
		case *ast.Ident:
			switch n.Name {
			case "true":
				add(constant, n.Pos(), n.End(), "false")
			case "false":
				add(constant, n.Pos(), n.End(), "true")
			}
		case *ast.ReturnStmt:
			types := flat(results[len(results)-1])
			if len(types) != len(n.Results) {
				break // named results, or the results of another call
			}
			for i, r := range n.Results {
				source := string(text[set.Position(r.Pos()).Offset:set.Position(r.End()).Offset])
				switch types[i] {
				case "bool":
					add(result, r.Pos(), r.End(), "!("+source+")")
				case "":
				default:
					switch source {
					case "nil", "0", `""`, types[i] + "{}": // nothing already
					default:
						add(result, r.Pos(), r.End(), "*new("+types[i]+")")
					}
				}
			}
		}
		return true
	}
	for _, d := range file.Decls {
		ast.Inspect(d, visit)
	}
	return all
}

// next returns the text of a number that is one more, "" for what is no number.
func next(n *ast.BasicLit) string {
	switch n.Kind {
	case token.INT:
		if v, ok := new(big.Int).SetString(n.Value, 0); ok {
			return v.Add(v, big.NewInt(1)).String()
		}
	case token.FLOAT:
		return "(" + n.Value + "+1)"
	}
	return ""
}

// flat returns the type of each result as source, as far as it is a plain name.
func flat(list *ast.FieldList) (types []string) {
	if list == nil {
		return nil
	}
	for _, f := range list.List {
		name := ""
		switch t := f.Type.(type) {
		case *ast.Ident:
			name = t.Name
		case *ast.SelectorExpr:
			if x, ok := t.X.(*ast.Ident); ok {
				name = x.Name + "." + t.Sel.Name
			}
		case *ast.StarExpr:
			if x, ok := t.X.(*ast.Ident); ok {
				name = "*" + x.Name
			}
		}
		for range max(1, len(f.Names)) {
			types = append(types, name)
		}
	}
	return types
}

func firstLine(s string) string {
	line, _, more := strings.Cut(s, "\n")
	if more {
		line += " …"
	}
	return line
}
