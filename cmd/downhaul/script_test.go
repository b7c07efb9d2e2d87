package main

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/rogpeppe/go-internal/testscript"

	"downhaul/hw/virtual"
	"downhaul/interlock/records/triplog"
)

// TestMain lets the scripts run this very program under its own name.
func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"downhaul": main})
}

func TestScripts(t *testing.T) {
	scripts, err := filepath.Glob("testdata/script/*.txtar")
	if err != nil || len(scripts) == 0 {
		t.Fatalf("no script found in testdata/script: %v", err)
	}
	testscript.Run(t, testscript.Params{
		Dir:                 "testdata/script",
		RequireExplicitExec: true,
		RequireUniqueNames:  true,
		Setup: func(env *testscript.Env) error {
			env.Defer(func() { // what the sessions keep that a script leaves
				if _, err := keptFits(env.WorkDir); err != nil {
					env.T().Fatal(err)
				}
			})
			return nil
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"exits": exits,
			"only":  only,
			"fits":  fits,
			"log":   log,
			"board": board,
			"fly":   fly,
			"port":  port,
			"hear":  hear,
			"guard": runGuard,
			"files": demoFilesTo,
			"crew":  workCrew,
			"page":  page,
			"fill":  fill,
			"days":  days,
		},
	})
}

// exits CODE PROGRAM ARGS... runs the program and wants just that exit code.
func exits(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: exits CODE PROGRAM ARGS...")
	}
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	got := 0
	if err := ts.Exec(args[1], args[2:]...); err != nil {
		ended := new(exec.ExitError)
		if !errors.As(err, &ended) {
			ts.Fatalf("%v", err)
		}
		got = ended.ExitCode()
	}
	if got != want {
		ts.Fatalf("exit code %d, want %d", got, want)
	}
	if said := ts.ReadFile("stdout"); slices.Contains(args, "--json") && strings.HasPrefix(said, "{") {
		name := schemaOf(args[2:], said)
		for line := range strings.SplitAfterSeq(said, pick(slices.Contains(args, "--watch"), "\n", "\n}\n")) {
			if line == "" {
				continue
			}
			if err := fitsSchema(name, []byte(line)); err != nil {
				ts.Fatalf("the object is not what its schema %s says: %v", name, err)
			}
		}
	}
}

// only FOLDER FILE... wants exactly these files below the folder: nothing else
// may have been left behind.
func only(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 1 {
		ts.Fatalf("usage: only FOLDER FILE...")
	}
	dir, want := ts.MkAbs(args[0]), slices.Sorted(slices.Values(args[1:]))
	var got []string
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			rel, _ := filepath.Rel(dir, path)
			got = append(got, filepath.ToSlash(rel))
		}
		return err
	})
	ts.Check(err)
	slices.Sort(got)
	if !slices.Equal(got, want) {
		ts.Fatalf("%s holds %q, want %q", args[0], got, want)
	}
}

// fits FILE... wants every line (of stdout, stderr or a file) to fit on a
// screen of 80 columns.
func fits(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) == 0 {
		ts.Fatalf("usage: fits FILE...")
	}
	for _, name := range args {
		for i, line := range strings.Split(ts.ReadFile(name), "\n") {
			if n := utf8.RuneCountInString(line); n > columns {
				ts.Fatalf("%s:%d: %d columns: %s", name, i+1, n, line)
			}
		}
	}
}

// log FOLDER LINES [ended] writes a trip log of that many lines, with its head
// and, when asked, its end, and beside it the envelope that its head names.
func log(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: log FOLDER LINES [ended]")
	}
	lines, err := strconv.Atoi(args[1])
	ts.Check(err)
	dir := ts.MkAbs(args[0])
	ts.Check(os.MkdirAll(dir, 0o755))
	limits := []byte("the limits of the day\n")
	ts.Check(os.WriteFile(filepath.Join(dir, "envelope.toml"), limits, 0o644))
	l, err := triplog.Create(triplog.Folder(dir), triplog.Head{Session: args[0], Wall: time.Date(2026, 5, 2, 9, 0, 0, 0, time.UTC),
		Files: []triplog.FileHash{{Name: "envelope.toml", SHA256: fmt.Sprintf("%x", sha256.Sum256(limits))}}})
	ts.Check(err)
	for n := 2; n < lines; n++ {
		ts.Check(l.Append(triplog.Line{At: time.Duration(n) * time.Second, Kind: triplog.KindNote, Text: fmt.Sprintf("remark %d", n)}, false))
	}
	if len(args) > 2 {
		ts.Check(l.Append(triplog.Line{At: time.Hour, Kind: triplog.KindEnded}, true))
	}
	ts.Check(l.Close())
}

// board SOCKET opens a virtual board of a pad with everything fitted; it is
// closed when the script ends.
func board(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: board SOCKET")
	}
	began := time.Now()
	b, err := virtual.Open(virtual.Config{
		Inputs: strings.Fields("estop_a estop_b gate hold reset start end readback anemometer"),
		Now:    func() time.Duration { return time.Since(began) },
		Socket: ts.MkAbs(args[0]),
	})
	ts.Check(err)
	ts.Defer(func() { _ = b.Close() })
}
