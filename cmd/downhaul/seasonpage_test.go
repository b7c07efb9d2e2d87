package main

import (
	"bytes"
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/google/go-cmp/cmp"

	"downhaul/interlock/model/rehearsal"
	"downhaul/rules/architecture"
)

// The report of a season of six sessions: at most two sides a session with what stands
// before and behind them, and the sheet that stands alone on one side and on one phone
// screen and a half (of 390 by 844 px).
func TestSeasonOnPaper(t *testing.T) {
	if testing.Short() {
		t.Skip("flies six sessions")
	}
	path, err := exec.LookPath("chromium")
	architecture.Want(t, err == nil, "no chromium on this computer: the season is not printed (Debian's package chromium)")
	dir := t.TempDir()
	link, err := rehearsal.FreePort()
	must(t, err)
	must(t, hoverFiles(dir, link))
	out := filepath.Join(dir, "report")
	args := []string{"report", "--out", out}
	// What testdata/season says was flown, day by day.
	days, err := os.ReadFile("../../testdata/season/days.txt")
	must(t, err)
	for line := range strings.Lines(string(days)) {
		if line = strings.TrimSpace(line); line == "" || line[0] == '#' {
			continue
		}
		day := hovering{seed: uint64(len(args)), ballast: strings.TrimPrefix(line, "ballast ")}
		if line == "full pull" {
			day.ballast, day.pull = "0", true
		}
		flown, err := hoverDay(dir, link, day)
		must(t, err)
		args = append(args, flown)
	}
	var text, errs bytes.Buffer
	if code := run(context.Background(), args, &streams{strings.NewReader(""), &text, &errs}); code == couldNot {
		t.Fatal(code, errs.String())
	}
	sheet, _, _ := strings.Cut(text.String(), "  Head code of session")
	sheet = regexp.MustCompile(`[0-9]+ [A-Z][a-z]{2} [0-9]{2}:[0-9]{2}`).ReplaceAllString(sheet, "5 Nov 10:00")
	const golden = "../../testdata/season/sheet.txt"
	if *rewrite {
		must(t, os.WriteFile(golden, []byte(sheet), 0o644))
	}
	want, err := os.ReadFile(golden)
	must(t, err)
	if diff := cmp.Diff(string(want), sheet); diff != "" {
		t.Errorf("the sheet is not that of %s (go test ./cmd/downhaul -run Season -rewrite, for somebody who can say why):\n%s", golden, diff)
	}
	page := filepath.Join(out, "report.html")
	fitsPages(t, page)
	for _, size := range []string{"A4", "letter"} {
		n := sides(t, path, page, size)
		t.Logf("on %s: %d sides", size, n)
		if n > 2*6 {
			t.Errorf("on %s: %d sides", size, n)
		}
	}
	// What it points to is on paper: wind and pack voltage of every session, their letters 8
	// points or larger where two charts share the least width, of A4 (186 mm less a gap of 5).
	made, err := os.ReadFile(page)
	must(t, err)
	drawn := regexp.MustCompile(`<div class="grid"><figure><figcaption>wind speed[^<]*</figcaption><svg[^>]*viewBox="0 0 ([0-9]+) `).FindAllSubmatch(made, -1)
	for _, m := range drawn {
		if wide, _ := strconv.ParseFloat(string(m[1]), 64); wide == 0 || 11*(186-5)/2/25.4*72/wide < 8 {
			t.Errorf("charts %s wide", m[1])
		}
	}
	if n := strings.Count(string(made), "<figcaption>voltage of pack"); len(drawn) != 6 || n != 6 {
		t.Errorf("%d sessions have their wind on paper, %d their packs; want 6", len(drawn), n)
	}
	opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.Flag("disable-dev-shm-usage", true), chromedp.WSURLReadTimeout(time.Minute))
	ctx, stop := chromedp.NewExecAllocator(t.Context(), opts...)
	defer stop()
	ctx, stopTab := chromedp.NewContext(ctx)
	defer stopTab()
	must(t, chromedp.Do(ctx, chromedp.EmulateViewport(390, 844)))
	must(t, chromedp.Do(ctx, chromedp.Navigate("file://"+page)))
	tall, err := chromedp.Run(ctx, chromedp.Evaluate[[]int](`[Math.round(document.querySelector(".sheet").getBoundingClientRect().height), document.documentElement.scrollHeight]`))
	must(t, err)
	t.Logf("on a phone the sheet is %d px, the page %d", tall[0], tall[1])
	if tall[0] > 844*3/2 {
		t.Errorf("on a phone the sheet is %d px high, more than a screen and a half", tall[0])
	}
}
