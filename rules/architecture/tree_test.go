package architecture

import (
	"bytes"
	"go/ast"
	"go/format"
	"go/parser"
	"go/token"
	"os"
	"path"
	"regexp"
	"sort"
	"strconv"
	"strings"
	"testing"
)

// longest is the most lines a source file may have: what can be read in one
// sitting is about 400, and past 500 a file is two ideas.
const longest = 500

// topLevel is all that may stand at the root besides dot-files.
var topLevel = map[string]bool{
	"cmd": true, "interlock": true, "rules": true, "hw": true, "deploy": true, "testdata": true,
	"go.mod": true, "go.sum": true, "README.md": true, "DEVELOPERS.md": true,
}

func TestTopLevelHoldsOnlyWhatThePlanNames(t *testing.T) {
	ignored := ignores(t)
	entries, err := os.ReadDir(root)
	if err != nil {
		t.Fatal(err)
	}
	found := map[string]bool{}
	for _, e := range entries {
		name := e.Name()
		found[name] = true
		if !topLevel[name] && !strings.HasPrefix(name, ".") && !ignored(name) {
			t.Errorf("%s: does not belong at the top level; put it under the folder whose job it serves", name)
		}
	}
	for name := range topLevel {
		if !found[name] {
			t.Errorf("%s: missing at the top level", name)
		}
	}
}

func TestOnePackageCommentPerFolder(t *testing.T) {
	comments, folders := map[string][]string{}, map[string]bool{}
	for _, f := range goFiles(t) {
		if strings.Contains(f.path, "testdata/") {
			continue
		}
		dir := path.Dir(f.path)
		parsed, err := parser.ParseFile(token.NewFileSet(), f.path, f.text, parser.PackageClauseOnly|parser.ParseComments)
		if err != nil {
			t.Error(err)
			continue
		}
		if strings.HasSuffix(f.path, "_test.go") {
			if parsed.Doc != nil {
				t.Errorf("%s: a test file carries a package comment; it belongs in doc.go", f.path)
			}
			continue
		}
		folders[dir] = true
		if parsed.Doc != nil && strings.TrimSpace(parsed.Doc.Text()) != "" {
			comments[dir] = append(comments[dir], f.path)
		}
	}
	for dir := range folders {
		if got := comments[dir]; len(got) != 1 {
			t.Errorf("%s: want exactly one package comment, in doc.go; found %d %v", dir, len(got), got)
		}
	}
}

func TestSourcesAreFormattedAndShort(t *testing.T) {
	for _, f := range goFiles(t) {
		want, err := format.Source(f.text)
		if err != nil {
			t.Errorf("%s: %v", f.path, err)
			continue
		}
		if !bytes.Equal(want, f.text) {
			t.Errorf("%s: not formatted; run gofmt -w on it", f.path)
		}
		if n := bytes.Count(f.text, []byte("\n")); n > longest {
			t.Errorf("%s: %d lines, at most %d; it is two ideas", f.path, n, longest)
		}
	}
}

// vague names say nothing about what is inside.
var vague = regexp.MustCompile(`^(util|utils|common|helper|helpers|manager|managers|misc)(_test)?(\.go)?$`)

func TestNamesSayWhatIsInside(t *testing.T) {
	for _, f := range goFiles(t) {
		for _, part := range strings.Split(f.path, "/") {
			if vague.MatchString(part) {
				t.Errorf("%s: the name %q tells nobody what is inside", f.path, part)
			}
		}
	}
}

// stray finds words that belong to the making of the project, not to it. They
// are written in two halves so that this file does not find itself.
var stray = regexp.MustCompile(`(?i)` + strings.Join([]string{
	"trans" + "cript", "seed " + "document", `recording ` + `01\b`, `(?:^|[\s"'/])\.lib` + `rary\b`, "shared/" + "hooks",
	`\b(DESIGN|CORE|TELEMETRY|BOARD|STYLE|FACTS)` + `\.md\b`, `\bTODO` + `\(`, `\bsub-?` + `agents?\b`, `\blanguage ` + `model\b`,
}, "|"))

func TestNoStrayNames(t *testing.T) {
	if !stray.MatchString("see design"+".md") || !stray.MatchString("in shared/"+"hooks/x") || stray.MatchString("interlock/hardcore.mdx") {
		t.Fatal("the pattern does not find what it must, or finds what it must not")
	}
	for _, f := range files(t) {
		if bytes.IndexByte(f.text[:min(len(f.text), 8000)], 0) >= 0 {
			continue // not text
		}
		if m := stray.FindString(f.path); m != "" {
			t.Errorf("%s: the name holds %q, which is no business of the project", f.path, m)
		}
		for i, line := range strings.Split(string(f.text), "\n") {
			if m := stray.FindString(line); m != "" {
				t.Errorf("%s:%d: %q is no business of the project", f.path, i+1, m)
			}
		}
	}
}

func TestSkipsSayWhatIsMissing(t *testing.T) {
	for _, f := range goFiles(t) {
		if !strings.HasSuffix(f.path, "_test.go") {
			continue
		}
		set := token.NewFileSet()
		parsed, err := parser.ParseFile(set, f.path, f.text, 0)
		if err != nil {
			t.Error(err)
			continue
		}
		ast.Inspect(parsed, func(n ast.Node) bool {
			call, ok := n.(*ast.CallExpr)
			if !ok || len(call.Args) > 0 {
				return true
			}
			if sel, ok := call.Fun.(*ast.SelectorExpr); ok && (sel.Sel.Name == "Skip" || sel.Sel.Name == "SkipNow") {
				t.Errorf("%s: a skip without a reason", set.Position(call.Pos()))
			}
			return true
		})
	}
}

// promises is how many promises the project makes, numbered from 1.
const promises = 14

func TestEveryPromiseHasATest(t *testing.T) {
	name := regexp.MustCompile(`(?m)^func TestPromise(\d\d)_[A-Z]\w*\(`)
	seen := map[int]bool{}
	for _, f := range goFiles(t) {
		if !strings.HasSuffix(f.path, "_test.go") {
			continue
		}
		for _, m := range name.FindAllSubmatch(f.text, -1) {
			n, err := strconv.Atoi(string(m[1]))
			if err != nil || n < 1 || n > promises {
				t.Errorf("%s: %s: there is no promise of that number", f.path, m[0])
			}
			seen[n] = true
		}
	}
	var none []int
	for n := 1; n <= promises; n++ {
		if !seen[n] {
			none = append(none, n)
		}
	}
	sort.Ints(none)
	if len(none) > 0 {
		t.Errorf("no test named TestPromiseNN_... for promises %v", none)
	}
}
