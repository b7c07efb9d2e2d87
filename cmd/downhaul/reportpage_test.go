package main

import (
	"bytes"
	"context"
	"fmt"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"

	"downhaul/rules/architecture"
)

// beyond are the texts of which a part lies over a side of the page, and the
// tables and figures that do.
const beyond = `(() => {
	const out = [];
	for (const e of document.querySelectorAll("body *")) {
		const r = e.getBoundingClientRect();
		if (r.width && (r.left < -1 || r.right > innerWidth + 1)) out.push(e.tagName + " " + Math.round(r.right) + ": " + e.textContent.trim().slice(0, 40));
	}
	for (const e of document.querySelectorAll(".grid")) {
		const wide = Array.from(e.children).map(f => Math.round(f.getBoundingClientRect().width));
		if (Math.max(...wide) - Math.min(...wide) > 1) out.push("figures of " + wide);
	}
	return out.slice(0, 10);
})()`

// pale are the texts that have less than 7:1 against the white of the page (WCAG
// 2.2, 1.4.6 and the relative luminance there).
const pale = `(() => {
	const light = c => c.map(v => v / 255).map(v => v <= .04045 ? v / 12.92 : Math.pow((v + .055) / 1.055, 2.4));
	const out = {}, walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
	for (let n; (n = walk.nextNode());) {
		const e = n.parentElement, style = getComputedStyle(e);
		if (!n.data.trim() || !e.getClientRects().length) continue;
		const [r, g, b] = light((e instanceof SVGElement ? style.fill : style.color).match(/[\d.]+/g).slice(0, 3).map(Number));
		const ratio = 1.05 / (.2126 * r + .7152 * g + .0722 * b + .05);
		if (ratio < 7) out[ratio.toFixed(2)] = n.data.trim().slice(0, 40);
	}
	return Object.entries(out).map(String);
})()`

// The report of a session with the longest names, on a desk, a tablet and a
// phone, and on paper (210 mm less margins of 13 mm, at 96 px an inch): nothing goes over an
// edge, where it would be lost on paper without a word.
func TestReportPageHoldsLongNames(t *testing.T) {
	var more strings.Builder
	for i, name := range []string{strings.Repeat("w", 60), "the highest pull that the anchor at the hedge may bear today", strings.Repeat("limit-", 10)} {
		fmt.Fprintf(&more, "\n[[rule]]\nname = %q\nwatch = \"tether.tension\"\nabove = \"%d N\"\ncaution = \"%d N\"\nstop = \"immediate\"\n", name, 1801+i, 1750+i)
	}
	folder, _ := welded(t, more.String())
	out := filepath.Join(t.TempDir(), "report")
	var text, errs bytes.Buffer
	if code := run(context.Background(), []string{"report", "--out", out, folder}, &streams{strings.NewReader(""), &text, &errs}); code != somethingWas {
		t.Fatal(code, errs.String())
	}
	if said := text.String(); !strings.Contains(said, "\n  "+strings.Repeat("w", 60)+"\n      limit 1801 N, ") || !strings.Contains(said, "PAST THE") {
		t.Errorf("the terminal:\n%s", said)
	}
	fitsPages(t, filepath.Join(out, "report.html"))
}

// fitsPages looks at a page on a desk, a tablet, a phone and on paper.
func fitsPages(t *testing.T, name string) {
	t.Helper()
	path, err := exec.LookPath("chromium")
	architecture.Want(t, err == nil, "no chromium on this computer: the page is not looked at (Debian's package chromium)")
	opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.Flag("disable-dev-shm-usage", true), chromedp.WSURLReadTimeout(time.Minute))
	ctx, stop := chromedp.NewExecAllocator(t.Context(), opts...)
	defer stop()
	ctx, stopTab := chromedp.NewContext(ctx)
	defer stopTab()
	must(t, chromedp.Do(ctx, chromedp.Navigate("file://"+name)))
	t.Run("bars nobody", func(t *testing.T) {
		must(t, chromedp.Do(ctx, chromedp.EmulateViewport(1366, 768)))
		_, err := chromedp.Run(ctx, chromedp.Evaluate[bool](architecture.Axe(t)+"; "+architecture.AxeRun))
		must(t, err)
		for over := false; !over; time.Sleep(50 * time.Millisecond) {
			over, err = chromedp.Run(ctx, chromedp.Evaluate[bool](architecture.AxeOver))
			must(t, err)
		}
		found, err := chromedp.Run(ctx, chromedp.Evaluate[[]string](architecture.AxeFound))
		must(t, err)
		if len(found) > 0 {
			t.Errorf("%d violations:\n%s", len(found), strings.Join(found[:min(len(found), 12)], "\n"))
		}
	})
	for _, size := range []struct {
		media         string
		width, height int64
	}{{"screen", 1366, 768}, {"screen", 768, 1024}, {"screen", 390, 844}, {"print", 695, 1000}} {
		_, err := chromedp.Run(ctx, func(ctx context.Context, target *chromedp.Target) (cdp.Empty, error) {
			return cdp.Call(ctx, target, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: size.media})
		})
		must(t, err)
		must(t, chromedp.Do(ctx, chromedp.EmulateViewport(size.width, size.height)))
		over, err := chromedp.Run(ctx, chromedp.Evaluate[[]string](beyond))
		must(t, err)
		faint, err := chromedp.Run(ctx, chromedp.Evaluate[[]string](pale))
		must(t, err)
		if len(over)+len(faint) > 0 {
			t.Errorf("%s of %d px: over an edge:\n%s\ntoo pale:\n%s", size.media, size.width, strings.Join(over, "\n"), strings.Join(faint, "\n"))
		}
	}
}
