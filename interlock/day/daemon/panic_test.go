//go:build linux

package daemon

import (
	"encoding/json"
	"errors"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"

	"downhaul/hw/virtual"
)

const root = "../../.."

// goroutines are all of the daemon's, each with the texts of the source that
// are changed so that it can be told to panic.
var goroutines = []struct {
	name, file string
	changes    [][2]string // old and new
}{
	{"loop", "interlock/day/guard/loop.go", [][2]string{{"\tfor ctx.Err() == nil {\n\t\tnow := g.now", "\tfor panicNow(\"loop\"); ctx.Err() == nil; panicNow(\"loop\") {\n\t\tnow := g.now"}}},
	{"links", "interlock/day/telemetry/link/link.go", [][2]string{{"l.helper.Go(l.help)", `l.helper.Go(panicking("links", l.help))`}}},
	{"counts", "interlock/day/guard/run.go", [][2]string{{"func() { g.readCounts(work) }", `panicking("counts", func() { g.readCounts(work) })`}}},
	{"disk", "interlock/day/guard/run.go", [][2]string{{"func() { g.watchDisk(work) }", `panicking("disk", func() { g.watchDisk(work) })`}}},
	{"beside", "interlock/day/guard/run.go", [][2]string{{"func() { every(work, besideEvery, g.beside) }", `panicking("beside", func() { every(work, besideEvery, g.beside) })`}}},
	{"seen", "interlock/day/guard/run.go", [][2]string{{"func() { g.keepSeen(work) }", `panicking("seen", func() { g.keepSeen(work) })`}}},
	{"writer", "interlock/day/guard/run.go", [][2]string{{"func() { g.keeper.run(writing) }", `panicking("writer", func() { g.keeper.run(writing) })`}}},
	{"accept", "hw/localsocket/server.go", [][2]string{{"work.Go(s.accept)", `work.Go(panicking("accept", s.accept))`}}},
	{"client", "hw/localsocket/server.go", [][2]string{{"func() { s.client(c) }", `panicking("client", func() { s.client(c) })`}}},
	{"printer", "interlock/day/daemon/main.go", [][2]string{
		{"go func() {\n\t\tdefer close(said)", "go panicking(\"printer\", func() {\n\t\tdefer close(said)"},
		{"line)\n\t\t}\n\t}()\n", "line)\n\t\t}\n\t})()\n"}}},
	{"hang-up", "interlock/day/daemon/main.go", [][2]string{
		{"go func() {\n\t\tfor range hungUp", "go panicking(\"hang-up\", func() {\n\t\tfor range hungUp"},
		{"stop()\n\t\t\t}\n\t\t}\n\t}()\n", "stop()\n\t\t\t}\n\t\t}\n\t})()\n"}}},
}

// argued are the goroutines of the daemon's packages that are left out, each
// with the reason.
var argued = map[string]string{
	"hw/loadcell.go: go func() {": "reads a real converter; no virtual board has one. Nothing recovers, as for all others",
	"hw/virtual/client.go: stop := context.AfterFunc(ctx, func() { c.conn.Close() })": "a client of the board, in another process",
	"interlock/day/guard/keeper.go: defer context.AfterFunc(ctx, k.bell.Wake)()":      "one call at the end, when the relay is off",
	"interlock/day/guard/loop.go: defer context.AfterFunc(ctx, g.loop.waiter.Wake)()": "one call at the end; a panic there opens the relay like any other",
}

// catches are the files that catch a panic, each with the reason.
var catches = map[string]string{
	"rules/document/parse.go":        "works before anything is opened",
	"interlock/day/intake/border.go": "what reads links and sensors may be wrong: a fault, and the loop goes on with its lines",
	"interlock/day/intake/counts.go": "counts of what may be wrong are left out",
	"interlock/limits/due.go":        "the same of what derives from them",
}

// panicHelp goes beside the changed files. The goroutine's own work goes on
// until the file is there.
const panicHelp = `package %s

import (
	"os"
	"time"
)

func panicNow(name string) {
	if os.Getenv("PANIC_ON") == name {
		if _, err := os.Stat(os.Getenv("PANIC_WHEN")); err == nil {
			panic("seeded on " + name)
		}
	}
}

func panicking(name string, work func()) func() {
	if os.Getenv("PANIC_ON") != name {
		return work
	}
	return func() {
		go work()
		for ; ; time.Sleep(5 * time.Millisecond) {
			panicNow(name)
		}
	}
}

var _ = panicking
`

// withPanics builds a daemon whose goroutines can be told to panic.
func withPanics(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	replace := map[string]string{}
	texts := map[string]string{}
	for _, g := range goroutines {
		text, ok := texts[g.file]
		if !ok {
			raw, err := os.ReadFile(filepath.Join(root, g.file))
			must(t, err)
			text = string(raw)
		}
		for _, c := range g.changes {
			if strings.Count(text, c[0]) != 1 {
				t.Fatalf("%s: %q stands %d times, want once: bring the list up to date with the source", g.file, c[0], strings.Count(text, c[0]))
			}
			text = strings.Replace(text, c[0], c[1], 1)
		}
		texts[g.file] = text
	}
	put := func(as, text string) {
		here, err := filepath.Abs(filepath.Join(root, as))
		must(t, err)
		changed := filepath.Join(dir, strings.ReplaceAll(as, "/", "_"))
		must(t, os.WriteFile(changed, []byte(text), 0o600))
		replace[here] = changed
	}
	for file, text := range texts {
		put(file, text)
		name := strings.Fields(text[strings.Index(text, "\npackage ")+1:])[1]
		if strings.HasPrefix(text, "package ") {
			name = strings.Fields(text)[1]
		}
		put(filepath.Join(filepath.Dir(file), "zz_panics.go"), fmt.Sprintf(panicHelp, name))
	}
	overlay, err := json.Marshal(map[string]any{"Replace": replace})
	must(t, err)
	list, program := filepath.Join(dir, "overlay.json"), filepath.Join(dir, "downhauld")
	must(t, os.WriteFile(list, overlay, 0o600))
	if out, err := exec.Command("go", "build", "-overlay", list, "-o", program, "../../../cmd/downhauld-bench").CombinedOutput(); err != nil {
		t.Fatalf("build: %v\n%s", err, out)
	}
	return program
}

// A panic on any goroutine of the daemon while power is on: the process dies
// there and then, and its heartbeat with it. The next comes up tripped.
//
//fault:row a panic on each goroutine, while power is on | the process dies; the next comes up tripped
func TestPromise01_PanicOnEveryGoroutine(t *testing.T) {
	if testing.Short() {
		t.Skip("flies real processes for ten seconds and more; left out by -short")
	}
	t.Parallel()
	program := withPanics(t)
	room := make(chan struct{}, 6)
	var work sync.WaitGroup
	for _, g := range goroutines {
		work.Go(func() {
			room <- struct{}{}
			defer func() { <-room }()
			t.Run(g.name, func(t *testing.T) {
				b := newTable(t, "guard", "")
				when := filepath.Join(b.dir, "now")
				p := b.startAs(program, "PANIC_ON="+g.name, "PANIC_WHEN="+when)
				b.fly()
				board := b.makeLive()
				if s, err := board.Show(); err != nil || !s.Power {
					t.Fatalf("no power at the rotors: %v", err)
				}
				must(t, os.WriteFile(when, nil, 0o600))
				err := <-p.done
				if exit := new(exec.ExitError); !errors.As(err, &exit) || exit.ExitCode() != 2 || !strings.Contains(p.out.String(), "seeded on "+g.name) {
					t.Fatalf("it ended with %v:\n%s", err, p.out.String())
				}
				if _, err := virtual.Dial(filepath.Join(b.dir, "board.sock")); err == nil {
					t.Error("its board still answers")
				}
				b.comesUp("tripped")
			})
		})
	}
	work.Wait()
}

// Every goroutine that the daemon's packages start is in one of the two lists,
// and nothing there catches a panic but what stands in a third.
//
//fault:row a panic that somebody catches, a goroutine that nobody tried | there is none
func TestEveryGoroutineIsListed(t *testing.T) {
	t.Parallel()
	out, err := exec.Command("go", "list", "-deps", "-f", `{{$d := .Dir}}{{range .GoFiles}}{{$d}}/{{.}}{{"\n"}}{{end}}`, "../../../cmd/downhauld-bench").Output()
	must(t, err)
	here, err := filepath.Abs(root)
	must(t, err)
	found, unlisted := map[string]bool{}, 0
	for name := range strings.Lines(string(out)) {
		name, ours := strings.CutPrefix(strings.TrimSpace(name), here+"/")
		if !ours {
			continue
		}
		text, err := os.ReadFile(filepath.Join(root, name))
		must(t, err)
		set := token.NewFileSet()
		tree, err := parser.ParseFile(set, name, text, 0)
		must(t, err)
		lines := strings.Split(string(text), "\n")
		ast.Inspect(tree, func(n ast.Node) bool {
			starts := false
			switch x := n.(type) {
			case *ast.GoStmt:
				starts = true
			case *ast.CallExpr:
				switch f := x.Fun.(type) {
				case *ast.SelectorExpr:
					starts = f.Sel.Name == "Go" || f.Sel.Name == "AfterFunc"
				case *ast.Ident:
					if f.Name == "recover" && catches[name] == "" {
						t.Errorf("%s: it catches a panic: a process that is wrong must die", set.Position(n.Pos()))
					}
				}
			}
			if !starts {
				return true
			}
			at := set.Position(n.Pos())
			line := lines[at.Line-1]
			key := name + ": " + strings.TrimSpace(line)
			found[key] = true
			listed := slices.ContainsFunc(goroutines, func(g struct {
				name, file string
				changes    [][2]string
			}) bool {
				first, _, _ := strings.Cut(g.changes[0][0], "\n")
				return g.file == name && strings.Contains(line, first)
			})
			if _, ok := argued[key]; !ok && !listed {
				unlisted++
				t.Errorf("%s: a goroutine that no test lets panic: %s", at, strings.TrimSpace(line))
			}
			return true
		})
	}
	for key, why := range argued {
		if !found[key] || why == "" {
			t.Errorf("%s: no such goroutine any more, or no reason", key)
		}
	}
	t.Logf("%d goroutines, %d tried, %d argued", len(found), len(goroutines), len(argued))
}
