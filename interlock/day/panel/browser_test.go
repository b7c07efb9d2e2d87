package panel

import (
	"context"
	"encoding/json"
	"os/exec"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"downhaul/rules/architecture"
)

// browser is one headless browser for all tests of the page, started by the
// first of them.
var browser struct {
	once sync.Once
	ctx  context.Context
	stop func()
	err  error
}

func chromium() string {
	for _, name := range []string{"chromium", "chromium-browser"} {
		if path, err := exec.LookPath(name); err == nil {
			return path
		}
	}
	return ""
}

// tab opens a page of a panel in a window of that size.
func tab(t *testing.T, url string, width, height int64) context.Context {
	t.Helper()
	path := chromium()
	architecture.Want(t, path != "", "no chromium on this computer: the page is not looked at (Debian's package chromium)")
	browser.once.Do(func() {
		opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox,
			chromedp.DisableGPU, chromedp.Flag("disable-dev-shm-usage", true), chromedp.WSURLReadTimeout(time.Minute))
		ctx, stopAll := chromedp.NewExecAllocator(context.Background(), opts...)
		ctx, stopFirst := chromedp.NewContext(ctx)
		browser.ctx, browser.stop = ctx, func() { stopFirst(); stopAll() }
		browser.err = chromedp.Do(ctx)
	})
	if browser.err != nil {
		t.Fatalf("the browser does not start: %v", browser.err)
	}
	ctx, stop := chromedp.NewContext(browser.ctx)
	t.Cleanup(stop)
	ctx, cancel := context.WithTimeout(ctx, 50*time.Second)
	t.Cleanup(cancel)
	must(t, chromedp.Do(ctx, chromedp.EmulateViewport(width, height), chromedp.Navigate(url)))
	return ctx
}

// eval runs an expression on the page.
func eval[T any](t *testing.T, ctx context.Context, js string) (out T) {
	t.Helper()
	out, err := chromedp.Run(ctx, chromedp.Evaluate[T](js))
	if err != nil {
		t.Fatalf("%s: %v", js, err)
	}
	return out
}

// until waits until an expression holds on the page.
func until(t *testing.T, ctx context.Context, js string) {
	t.Helper()
	for end := time.Now().Add(20 * time.Second); ; time.Sleep(30 * time.Millisecond) {
		// While a page loads, what is asked for may not be there yet.
		if yes, err := chromedp.Run(ctx, chromedp.Evaluate[bool](js)); err == nil && yes {
			return
		}
		if time.Now().After(end) {
			t.Fatalf("never: %s; the page says %q", js, eval[string](t, ctx, "document.body.innerText"))
		}
	}
}

func TestMain(m *testing.M) {
	code := m.Run()
	if browser.stop != nil {
		browser.stop()
	}
	exit(code)
}

// quoted is a Go value as JavaScript.
func quoted(v any) string {
	text, err := json.Marshal(v)
	if err != nil {
		panic(err)
	}
	return string(text)
}
