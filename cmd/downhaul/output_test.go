package main

import (
	"bytes"
	"context"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"downhaul/interlock/day/guard"
	"downhaul/interlock/model/benchboard"
	"downhaul/interlock/model/rehearsal"
)

// A reader that had enough (report | head) loses no file, and the exit code is
// that of the work. Output that a full disk refuses is told, and loses no file
// either.
func TestOutput_LosesNoFile(t *testing.T) {
	day := filepath.Join(t.TempDir(), "day")
	var text, errs bytes.Buffer
	if code := run(context.Background(), []string{"demo", "--fast", "--out", day}, &streams{strings.NewReader(""), &text, &errs}); code != nothingFound {
		t.Fatal(code, errs.String())
	}
	sessions, err := filepath.Glob(filepath.Join(day, "20*"))
	if err != nil || len(sessions) != 1 {
		t.Fatal(sessions, err)
	}
	full, err := os.OpenFile("/dev/full", os.O_WRONLY, 0)
	if err != nil {
		t.Skip("no /dev/full here")
	}
	defer full.Close()
	r, lost, err := os.Pipe()
	must(t, err)
	must(t, r.Close())
	defer lost.Close()
	for _, row := range []struct {
		name string
		out  *os.File
		json bool
		code int
		says string
	}{
		{"reader gone", lost, false, somethingWas, ""},
		{"reader of JSON gone", lost, true, somethingWas, ""},
		{"disk full", full, false, couldNot, "not all could be printed: write /dev/stdout: no space left on device"},
	} {
		to := filepath.Join(t.TempDir(), "report")
		args := []string{"report", "--out", to, sessions[0]}
		if row.json {
			args = append(args, "--json")
		}
		cmd := exec.Command("downhaul", args...)
		var errs bytes.Buffer
		cmd.Stdout, cmd.Stderr = row.out, &errs
		err := cmd.Run()
		if ended := new(exec.ExitError); !errors.As(err, &ended) || ended.ExitCode() != row.code {
			t.Errorf("%s: it ended with %v, want exit code %d", row.name, err, row.code)
		}
		if flat := strings.Join(strings.Fields(errs.String()), " "); !strings.Contains(flat, row.says) || row.says == "" && flat != "" {
			t.Errorf("%s: it says %q, want %q", row.name, flat, row.says)
		}
		page, err := os.ReadFile(filepath.Join(to, pageName))
		if err != nil || !bytes.Contains(page, []byte("</html>")) {
			t.Errorf("%s: the page is lost or cut: %v, %d bytes", row.name, err, len(page))
		}
	}
}

// The page is whole before the first byte of text can be held up by its reader
// (report | less).
func TestReport_WritesItsFilesFirst(t *testing.T) {
	day := filepath.Join(t.TempDir(), "day")
	var text, errs bytes.Buffer
	if code := run(context.Background(), []string{"demo", "--fast", "--out", day}, &streams{strings.NewReader(""), &text, &errs}); code != nothingFound {
		t.Fatal(code, errs.String())
	}
	sessions, err := filepath.Glob(filepath.Join(day, "20*"))
	must(t, err)
	to := t.TempDir()
	seen := false
	out := writing(func(b []byte) {
		if !seen {
			seen = true
			if page, err := os.ReadFile(filepath.Join(to, pageName)); err != nil || !bytes.Contains(page, []byte("</html>")) {
				t.Errorf("text came before the page was whole: %v", err)
			}
		}
	})
	if code := run(context.Background(), append([]string{"report", "--out", to}, sessions...), &streams{strings.NewReader(""), out, &errs}); code != somethingWas || !seen {
		t.Fatal(code, errs.String())
	}
}

// writing is called with what is written.
type writing func([]byte)

func (f writing) Write(b []byte) (int, error) { f(b); return len(b), nil }

// What goes on until it is stopped ends when nobody reads it any more.
func TestStatusWatch_EndsWithItsReader(t *testing.T) {
	dir := t.TempDir()
	link, err := rehearsal.FreePort()
	must(t, err)
	files, err := writeDemoFiles(dir, link)
	must(t, err)
	for _, form := range []string{"--json", ""} {
		g, err := guard.Open(files, guard.Options{Virtual: benchboard.Open, Software: guard.Software(), Room: 1})
		must(t, err)
		ctx, stop := context.WithCancel(context.Background())
		guarded := make(chan error, 1)
		go func() { guarded <- g.Run(ctx) }()
		args := []string{"status", "--watch", "--every", "50ms", "--pad", filepath.Join(dir, "pad.toml")}
		if form != "" {
			args = append(args, form)
		}
		cmd := exec.Command("downhaul", args...)
		r, w, err := os.Pipe()
		must(t, err)
		cmd.Stdout = w
		must(t, cmd.Start())
		must(t, w.Close())
		if _, err := r.Read(make([]byte, 10)); err != nil {
			t.Error(err)
		}
		must(t, r.Close())
		ended := make(chan error, 1)
		go func() { ended <- cmd.Wait() }()
		select {
		case err := <-ended:
			if err != nil {
				t.Errorf("%q: it ended with %v", form, err)
			}
		case <-time.After(20 * time.Second):
			t.Errorf("%q: it goes on with nobody to read it", form)
			must(t, cmd.Process.Kill())
			<-ended
		}
		stop()
		must(t, <-guarded)
	}
}
