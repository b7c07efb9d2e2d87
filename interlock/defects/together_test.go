package defects

import (
	"encoding/json"
	"errors"
	"fmt"
	"go/ast"
	"go/build"
	"go/parser"
	"go/token"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"
)

// Building a program for every mutant would take most of the time. So all the
// mutants of a folder are built into it at once: each is a copy of the function
// that it is in, and the environment names the one copy that a run takes.

var passed = regexp.MustCompile(`(?m)^--- PASS: (\S+) \(([0-9.]+)s\)`)

// copies is a folder with its mutants in it.
type copies struct {
	folder string
	all    []*change          // a mutant's number is its place, from 1
	bad    map[int]bool       // those that do not build
	dir    string             // of what is made here
	trials map[string]*trials // by folder
}

// trials is the program that runs the tests of one folder.
type trials struct {
	binary string
	args   []string
	limit  int        // seconds of processor time
	turns  [][]string // more arguments: first for most tests, then for the few that take most of the time
}

const chosen = "package %s\n\nimport (\n\t\"os\"\n\t\"strconv\"\n)\n\nvar chosen__ = func() int { n, _ := strconv.Atoi(os.Getenv(\"MUTANT\")); return n }()\n"

// inFunction reports whether the mutant lies in a function that can be copied: one
// that recovers from a panic does so only in the very call that was put off.
func (c *change) inFunction(t *testing.T) bool {
	t.Helper()
	set, file, _ := parse(t, c.file)
	d := around(set, file, c.offset)
	if d == nil || d.Name.Name == "init" || d.Name.Name == "main" {
		return false
	}
	recovers := false
	ast.Inspect(d, func(n ast.Node) bool {
		id, ok := n.(*ast.Ident)
		recovers = recovers || ok && id.Name == "recover"
		return !recovers
	})
	return !recovers
}

// builtHere reports whether this machine's programs hold the file at all.
func builtHere(t *testing.T, name string) bool {
	t.Helper()
	match, err := build.Default.MatchFile(filepath.Split(filepath.Join(root, name)))
	if err != nil {
		t.Fatal(err)
	}
	return match
}

func parse(t *testing.T, name string) (*token.FileSet, *ast.File, string) {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(root, name))
	if err != nil {
		t.Fatal(err)
	}
	set := token.NewFileSet()
	file, err := parser.ParseFile(set, name, text, parser.ParseComments)
	if err != nil {
		t.Fatal(err)
	}
	return set, file, string(text)
}

func around(set *token.FileSet, file *ast.File, offset int) *ast.FuncDecl {
	for _, d := range file.Decls {
		if f, ok := d.(*ast.FuncDecl); ok && f.Body != nil && set.Position(f.Body.Pos()).Offset <= offset && offset < set.Position(f.End()).Offset {
			return f
		}
	}
	return nil
}

// newCopies builds the mutants into their folder, all but those that do not build.
func newCopies(t *testing.T, folder string, all []*change) *copies {
	t.Helper()
	c := &copies{folder: folder, all: all, bad: map[int]bool{}, dir: t.TempDir(), trials: map[string]*trials{}}
	place := regexp.MustCompile(`(?m)^\S*?([^/\s]+\.go):(\d+):`)
	for {
		owner := c.write(t)
		out, err := c.compile(filepath.Join(c.dir, "trial"), folder)
		if err == nil {
			return c
		}
		found := false
		for _, m := range place.FindAllStringSubmatch(out, -1) {
			line, _ := strconv.Atoi(m[2])
			if n := owner[m[1]][line]; n > 0 {
				c.bad[n], found = true, true
			}
		}
		if !found {
			t.Fatalf("%s with its mutants does not build: %v\n%s", folder, err, out)
		}
	}
}

func (c *copies) compile(to, folder string) (string, error) {
	args := []string{"test", "-c", "-overlay", filepath.Join(c.dir, "overlay.json"), "-vet=off", "-gcflags=-e", "-ldflags=-s -w", "-o", to, "./" + folder}
	run := exec.Command("go", args...)
	run.Dir = root
	out, err := run.CombinedOutput()
	return string(out), err
}

// write makes the sources, and returns whose line each is, by file.
func (c *copies) write(t *testing.T) (owner map[string]map[int]int) {
	t.Helper()
	owner = map[string]map[int]int{}
	replace := map[string]string{}
	put := func(name, text string) {
		here, err := filepath.Abs(filepath.Join(root, c.folder, name))
		if err != nil {
			t.Fatal(err)
		}
		replace[here] = filepath.Join(c.dir, name)
		if err := os.WriteFile(replace[here], []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	byFile := map[string][]int{}
	for i, m := range c.all {
		if !c.bad[i+1] {
			byFile[m.file] = append(byFile[m.file], i+1)
		}
	}
	for name, numbers := range byFile {
		set, file, text := parse(t, name)
		base := filepath.Base(name)
		owner[base] = map[int]int{}
		put("chosen_mutant.go", fmt.Sprintf(chosen, file.Name.Name))
		of := map[*ast.FuncDecl][]int{}
		for _, n := range numbers {
			d := around(set, file, c.all[n-1].offset)
			of[d] = append(of[d], n)
		}
		var changed, tail strings.Builder
		at, line := 0, 0
		grow := func(s string, n int) {
			for range strings.Count(s, "\n") {
				line++
				owner[base][line] = n
			}
			tail.WriteString(s)
		}
		for _, d := range file.Decls {
			f, ok := d.(*ast.FuncDecl)
			if !ok || of[f] == nil {
				continue
			}
			from, end := set.Position(f.Pos()).Offset, set.Position(f.End()).Offset
			changed.WriteString(text[at:from] + chooser(set, f, text, of[f]))
			at = end
		}
		changed.WriteString(text[at:] + "\n")
		line = strings.Count(changed.String(), "\n")
		for f, list := range of {
			from, nameEnd, end := set.Position(f.Pos()).Offset, set.Position(f.Name.End()).Offset, set.Position(f.End()).Offset
			whole := text[nameEnd:end]
			grow(text[from:nameEnd]+"__0"+whole+"\n", 0)
			for _, n := range list {
				m := c.all[n-1]
				k := m.offset - nameEnd
				grow(fmt.Sprintf("%s__%d%s%s%s\n", text[from:nameEnd], n, whole[:k], m.new, whole[k+len(m.old):]), n)
			}
		}
		put(base, changed.String()+tail.String())
	}
	list, err := json.Marshal(map[string]any{"Replace": replace})
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(c.dir, "overlay.json"), list, 0o600); err != nil {
		t.Fatal(err)
	}
	return owner
}

// chooser returns the text of a function that calls the copy that was chosen.
func chooser(set *token.FileSet, f *ast.FuncDecl, text string, numbers []int) string {
	source := func(n ast.Node) string { return text[set.Position(n.Pos()).Offset:set.Position(n.End()).Offset] }
	var params, args []string
	for _, p := range f.Type.Params.List {
		for range max(1, len(p.Names)) {
			name := fmt.Sprintf("p%d__", len(params))
			params = append(params, name+" "+source(p.Type))
			if _, more := p.Type.(*ast.Ellipsis); more {
				name += "..."
			}
			args = append(args, name)
		}
	}
	head, call := "func ", ""
	if f.Recv != nil {
		head, call = "func (r__ "+source(f.Recv.List[0].Type)+") ", "r__."
	}
	generic, given := "", ""
	if f.Type.TypeParams != nil {
		generic = source(f.Type.TypeParams)
		var names []string
		for _, p := range f.Type.TypeParams.List {
			for _, n := range p.Names {
				names = append(names, n.Name)
			}
		}
		given = "[" + strings.Join(names, ", ") + "]"
	}
	var results []string
	if f.Type.Results != nil {
		for _, r := range f.Type.Results.List {
			for range max(1, len(r.Names)) {
				results = append(results, source(r.Type))
			}
		}
	}
	calls := func(n int) string {
		s := fmt.Sprintf("%s%s__%d%s(%s)", call, f.Name.Name, n, given, strings.Join(args, ", "))
		if len(results) > 0 {
			return "return " + s
		}
		return s + "; return"
	}
	s := head + f.Name.Name + generic + "(" + strings.Join(params, ", ") + ") (" + strings.Join(results, ", ") + ") { switch chosen__ {"
	for _, n := range numbers {
		s += fmt.Sprintf(" case %d: %s;", n, calls(n))
	}
	return s + " }; " + calls(0) + " }"
}

// trial builds the tests of a folder, and runs them once with no mutant chosen:
// what fails then (a test that looks at the source, or counts allocations) says
// nothing of a mutant.
func (c *copies) trial(t *testing.T, folder string) *trials {
	t.Helper()
	if r := c.trials[folder]; r != nil {
		return r
	}
	r := &trials{binary: filepath.Join(c.dir, filepath.Base(folder)+".test"), limit: 600}
	c.trials[folder] = r
	if out, err := c.compile(r.binary, folder); err != nil {
		t.Fatalf("%s: %v\n%s", folder, err, out)
	}
	skip := "SameOnEveryArchitecture"
	if folder != c.folder {
		r.args = append(r.args, "-test.short")
	}
	tests, err := filepath.Glob(filepath.Join(root, folder, "*_test.go"))
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range tests {
		if text, err := os.ReadFile(name); err == nil && strings.Contains(string(text), "pgregory.net/rapid") {
			r.args = append(r.args, "-rapid.nofailfile", "-rapid.shrinktime=0s")
			break
		}
	}
	out, took, err := r.run(folder, 0, "-test.v", "-test.skip", skip)
	if err != nil {
		for _, m := range failed.FindAllStringSubmatch(out, -1) {
			name, _, _ := strings.Cut(m[1], "/")
			skip += "|^" + name + "$"
		}
		t.Logf("%s without a mutant: %v; left out: %s", folder, err, skip)
		if out, took, err = r.run(folder, 0, "-test.v", "-test.skip", skip); err != nil {
			t.Fatalf("%s without a mutant: %v\n%s", folder, err, out)
		}
	}
	r.args = append(r.args, "-test.failfast")
	var slow []string
	for _, m := range passed.FindAllStringSubmatch(out, -1) {
		if s, err := strconv.ParseFloat(m[2], 64); err == nil && s > max(1, took.Seconds()/5) {
			slow = append(slow, "^"+m[1]+"$")
		}
	}
	r.turns = [][]string{{"-test.skip", strings.Join(append(slow, skip), "|")}}
	if slow != nil {
		r.turns = append(r.turns, []string{"-test.run", strings.Join(slow, "|")})
	}
	r.limit = 2 + int(5*took.Seconds()+1)
	return r
}

// run runs the tests with one mutant, and returns the processor time they took.
func (r *trials) run(folder string, n int, more ...string) (string, time.Duration, error) {
	// One that waits for ever takes no processor time: it is given a while by the
	// clock, on a machine that others use too.
	clock := time.Duration(max(60, 20*r.limit)) * time.Second
	args := append([]string{"-c", fmt.Sprintf(`ulimit -t %d; exec "$0" "$@"`, r.limit), r.binary, "-test.timeout=" + clock.String()}, r.args...)
	run := exec.Command("sh", append(args, more...)...)
	run.Dir = filepath.Join(root, folder)
	run.Env = append(os.Environ(), "MUTANT="+strconv.Itoa(n))
	out, err := run.CombinedOutput()
	return string(out), run.ProcessState.UserTime() + run.ProcessState.SystemTime(), err
}

// try runs the tests over the mutant of that number, folder by folder, until
// one notices.
func (c *copies) try(t *testing.T, n int) (verdict, by string) {
	t.Helper()
	if c.bad[n] {
		return unbuilt, ""
	}
	for _, folder := range folders(c.folder) {
		r := c.trial(t, folder)
		for _, turn := range r.turns {
			out, _, err := r.run(folder, n, turn...)
			var exit *exec.ExitError
			if err == nil {
				continue
			}
			if !errors.As(err, &exit) {
				t.Fatal(err)
			}
			status, _ := exit.Sys().(syscall.WaitStatus)
			return judge(folder, out, status.Signaled())
		}
	}
	return c.all[n-1].unnoticed(t)
}
