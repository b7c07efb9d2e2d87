package main

import (
	"bytes"
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"downhaul/rules/architecture"
)

// The sheet of the files that new writes, for a pad with real pins, a watching one and one
// in feet and pounds, is one side of A4 and of letter (ISO 216; ANSI/ASME Y14.1 A), and goes
// over no edge of a screen.
func TestBriefIsOneSide(t *testing.T) {
	chromium, err := exec.LookPath("chromium")
	architecture.Want(t, err == nil, "no chromium on this computer: the sheet is not printed (Debian's package chromium)")
	for name, answers := range map[string]string{"watch": "", "pins": "metric\nEight\nguard\n", "imperial": "imperial\nGrey Eight\nguard\n"} {
		dir := filepath.Join(t.TempDir(), name)
		var text, errs bytes.Buffer
		if code := run(context.Background(), []string{"new", dir}, &streams{strings.NewReader(answers + strings.Repeat("\n", 40)), &text, &errs}); code != nothingFound {
			t.Fatal(code, errs.String())
		}
		page := filepath.Join(dir, "brief.html")
		args := []string{"brief", "--html", page}
		for _, file := range starterNames {
			args = append(args, filepath.Join(dir, file))
		}
		if code := run(context.Background(), args, &streams{strings.NewReader(""), &text, &errs}); code != somethingWas {
			t.Fatal(code, errs.String())
		}
		// How the rope is tended stands on it, and that its loose length is not known yet.
		if got, err := os.ReadFile(page); err != nil || !strings.Contains(string(got), "takes up slack near the ground; how much may lie loose: not known") {
			t.Errorf("%s: %v, the rope is not on the sheet", name, err)
		}
		fitsPages(t, page)
		for _, size := range []string{"A4", "letter"} {
			if n := sides(t, chromium, page, size); n != 1 {
				t.Errorf("%s on %s: %d sides", name, size, n)
			}
		}
	}
}

// pdfPage is the head of one page in a PDF file (ISO 32000-1, 7.7.3.3).
var pdfPage = regexp.MustCompile(`/Type\s*/Page\b`)

// sides is how many sides a page prints on.
func sides(t *testing.T, chromium, page, size string) int {
	t.Helper()
	text, err := os.ReadFile(page)
	must(t, err)
	sized, out := page+"."+size+".html", page+"."+size+".pdf"
	must(t, os.WriteFile(sized, bytes.Replace(text, []byte("@page { margin"), []byte("@page { size: "+size+" portrait; margin"), 1), 0o644))
	said, err := exec.CommandContext(t.Context(), chromium, "--headless", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage",
		"--user-data-dir="+t.TempDir(), "--no-pdf-header-footer", "--print-to-pdf="+out, "file://"+sized).CombinedOutput()
	if err != nil {
		t.Fatalf("%v\n%s", err, said)
	}
	pdf, err := os.ReadFile(out)
	must(t, err)
	return len(pdfPage.FindAll(pdf, -1))
}
