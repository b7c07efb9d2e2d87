package main

import (
	"bytes"
	"context"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"downhaul/interlock/day/guard"
	"downhaul/interlock/model/rehearsal"
	"downhaul/interlock/records/session"
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
	for i, kg := range []string{"0", "6", "6", "12", "12", "18"} {
		files, err := guard.ReadFiles(filepath.Join(dir, session.Pad), "", "")
		must(t, err)
		d := &demo{dir: dir, files: files, link: link}
		must(t, d.hoverDay(hovering{ballast: kg, seed: uint64(i + 1), pull: i == 0}))
		args = append(args, d.session)
	}
	var text, errs bytes.Buffer
	if code := run(context.Background(), args, &streams{strings.NewReader(""), &text, &errs}); code == couldNot {
		t.Fatal(code, errs.String())
	}
	if !strings.HasPrefix(text.String(), "NOT YET  next step ballast 24, 84 kg in all\n") {
		t.Errorf("the terminal begins with %.200q", text.String())
	}
	page := filepath.Join(out, "report.html")
	fitsPages(t, page)
	for _, size := range []string{"A4", "letter"} {
		if n := sides(t, path, page, size); n > 2*6 {
			t.Errorf("on %s: %d sides", size, n)
		}
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
