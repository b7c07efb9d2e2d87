package panel

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/accessibility"
	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"downhaul/interlock/day/answers/told"
	"downhaul/interlock/records/timeofday"
)

func exit(code int) { os.Exit(code) }

// served runs a panel on loopback until the test ends.
func served(t testing.TB, ask Ask, pages, from int) *Panel {
	t.Helper()
	p, err := Open(Config{Listen: "127.0.0.1:0", Ask: ask, Pages: pages, From: from, Names: []string{"x"}})
	must(t, err)
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- p.Serve(ctx) }()
	t.Cleanup(func() {
		stop()
		must(t, <-ended)
	})
	return p
}

// picture keeps a screenshot where DOWNHAUL_SHOTS says, for people to look at.
func picture(t *testing.T, ctx context.Context, name string) {
	dir := os.Getenv("DOWNHAUL_SHOTS")
	if dir == "" {
		return
	}
	png, err := chromedp.Run(ctx, chromedp.CaptureScreenshot())
	must(t, err)
	must(t, os.WriteFile(filepath.Join(dir, strings.ReplaceAll(strings.ReplaceAll(name, ",", ""), " ", "-")+".png"), png, 0o644))
}

// shows waits until the page shows this status, part by part.
func shows(t *testing.T, ctx context.Context, s *told.Status) {
	t.Helper()
	until(t, ctx, `document.getElementById("sentence").textContent === `+quoted(s.Sentence)+
		` && document.getElementById("means").textContent === `+quoted(s.Meaning)+
		` && document.querySelectorAll("#notready li").length === `+quoted(len(s.NotReady))+
		` && document.querySelectorAll("#causes li").length === `+quoted(len(s.Causes))+
		` && document.querySelector("#do li").textContent === `+quoted(s.DoNow[0]))
}

// Every state, on a phone and on a desk: what it says, that the first cause is
// told apart, that it is large and fits, and that every text has the contrast.
func TestPageShowsEveryState(t *testing.T) {
	if testing.Short() {
		t.Skip("takes several seconds; left out by -short")
	}
	var w teller
	w.status.Store(scenes()[0].status())
	p := served(t, w.ask, MostPages, MostFrom)
	for _, size := range []struct {
		name          string
		width, height int64
		least         float64 // px of the sentence
	}{{"phone", 390, 844, 30}, {"desktop", 1366, 768, 60}} {
		ctx := tab(t, "http://"+p.Address()+"/", size.width, size.height)
		for _, c := range scenes() {
			s := c.status()
			w.status.Store(s)
			shows(t, ctx, s)
			picture(t, ctx, size.name+" "+c.name)
			at := size.name + ", " + c.name + ": "
			if px := eval[float64](t, ctx, `parseFloat(getComputedStyle(document.getElementById("sentence")).fontSize)`); px < size.least {
				t.Errorf("%sthe sentence is %.0f px high", at, px)
			}
			if eval[bool](t, ctx, `document.documentElement.scrollWidth > innerWidth || document.getElementById("band").offsetHeight > innerHeight * 0.55`) {
				t.Errorf("%sit does not fit", at)
			}
			if strings.Contains(s.Sentence, "y clear") && !eval[bool](t, ctx, `Array.from(document.querySelectorAll("#sentence .one")).some(e => /y clear/.test(e.textContent))`) {
				t.Errorf("%s\"clear\" may stand in a line of its own", at)
			}
			contrast(t, ctx, at)
			text := eval[string](t, ctx, "document.body.innerText")
			want := slices.Concat(s.NotReady, s.DoNow, s.Unseen, []string{s.Session, "Data 0.", "Began " + timeofday.Day(timeofday.OfSession(s.Session)), "hover with 12 kg", "A1, B3", "9 mph, 71 s ago: declared, not measured", "two people at the stand-off"})
			for _, r := range s.Rules {
				want = append(want, r.Name, r.LimitText)
				if !r.Missing {
					room := r.HeadroomText // what is past its limit is said so, with no sign to miss
					if past, is := strings.CutPrefix(room, "-"); is {
						room = "PAST IT\nby " + past
					}
					want = append(want, r.ValueText, room)
				}
			}
			for _, a := range s.Acts {
				want = append(want, fmt.Sprintf("%s, %.1f s: %s (%s)", timeofday.At(timeofday.OfSession(s.Session), a.At), a.At, a.What, a.By))
			}
			for i, c := range s.Causes {
				want = append(want, c.Text)
				if tag := eval[string](t, ctx, `document.querySelectorAll("#causes li .tag")[`+quoted(i)+`].textContent`); (tag == "FIRST") != (i == 0) {
					t.Errorf("%scause %d is marked %q", at, i+1, tag)
				}
			}
			for _, part := range want {
				if !strings.Contains(text, part) {
					t.Errorf("%snot on the page: %q", at, part)
				}
			}
			if s.KeepOut && !strings.Contains(text, "KEEP OUT") {
				t.Errorf("%sKEEP OUT is not said", at)
			}
			if strings.Contains(text, "secret-folder") {
				t.Errorf("%sthe page tells a path of the board's disk", at)
			}
		}
	}
}

// A pad whose clock was never set tells no time of day, and says why.
func TestPageMakesNoTimeOfDayOfAnUnsetClock(t *testing.T) {
	var w teller
	s := scenes()[0].status()
	s.Session = "1970-01-01T00-00-12Z-1234"
	w.status.Store(s)
	ctx := tab(t, "http://"+served(t, w.ask, MostPages, MostFrom).Address()+"/", 390, 844)
	shows(t, ctx, s)
	text := eval[string](t, ctx, "document.body.innerText")
	for _, part := range []string{"Seconds count from the start: " + timeofday.NeverSet + ".", "\n700.4 s: mark: hum"} {
		if !strings.Contains(text, part) {
			t.Errorf("not on the page: %q\n%s", part, text)
		}
	}
}

// contrast wants 7:1 for every text (WCAG 2.2, 1.4.6 Contrast (Enhanced),
// level AAA), from the colours as the browser computes them.
func contrast(t *testing.T, ctx context.Context, at string) {
	t.Helper()
	type pair struct {
		Text     string
		Ink, Bed [3]float64
	}
	pairs := eval[[]pair](t, ctx, `(() => {
		const rgb = c => (c.match(/[\d.]+/g) || []).map(Number);
		const out = {};
		const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
		for (let n; (n = walk.nextNode());) {
			const e = n.parentElement;
			if (!n.data.trim() || /^(SCRIPT|NOSCRIPT)$/.test(e.tagName) || !e.getClientRects().length) continue;
			const style = getComputedStyle(e);
			const ink = rgb(e instanceof SVGElement ? style.fill : style.color).slice(0, 3);
			let bed = [255, 255, 255];
			for (let b = e; b; b = b.parentElement) {
				const c = rgb(getComputedStyle(b).backgroundColor);
				if (c.length === 3 || c[3] > 0) { bed = c.slice(0, 3); break; }
			}
			out[ink + "|" + bed] = { Text: n.data.trim().slice(0, 40), Ink: ink, Bed: bed };
		}
		return Object.values(out);
	})()`)
	if len(pairs) == 0 {
		t.Errorf("%sno text", at)
	}
	for _, p := range pairs {
		if r := ratio(p.Ink, p.Bed); r < 7 {
			t.Errorf("%scontrast of %q is %.2f: %v on %v", at, p.Text, r, p.Ink, p.Bed)
		}
	}
}

// ratio is the contrast ratio of WCAG 2.2 ("contrast ratio", "relative
// luminance"), of sRGB from 0 to 255.
func ratio(a, b [3]float64) float64 {
	luminance := func(c [3]float64) float64 {
		var lin [3]float64
		for i := range c {
			v := c[i] / 255
			if v <= 0.04045 {
				lin[i] = v / 12.92
			} else {
				lin[i] = math.Pow((v+0.055)/1.055, 2.4)
			}
		}
		return 0.2126*lin[0] + 0.7152*lin[1] + 0.0722*lin[2]
	}
	l1, l2 := luminance(a), luminance(b)
	return (max(l1, l2) + 0.05) / (min(l1, l2) + 0.05)
}

// The formula itself: 21:1 is the most there is (WCAG 2.2), and #767676 on
// white is the well-known lightest grey with 4.5:1 (4.54; common practice).
func TestContrastByPublishedValues(t *testing.T) {
	white := [3]float64{255, 255, 255}
	if r := ratio([3]float64{}, white); math.Abs(r-21) > 1e-9 {
		t.Errorf("black on white %.4f", r)
	}
	if r := ratio([3]float64{0x76, 0x76, 0x76}, white); math.Abs(r-4.54) > 0.005 {
		t.Errorf("#767676 on white %.4f", r)
	}
}

const isDead = `document.body.className === "dead" && document.getElementById("deadword").getClientRects().length > 0`

// A page whose data is old, late or gone says so in words and shows nothing
// else, to eyes and to screen readers; and it comes back by itself.
func TestPageGoesVisiblyDead(t *testing.T) {
	if testing.Short() {
		t.Skip("takes several seconds; left out by -short")
	}
	var w teller
	live := scenes()[4].status()
	w.status.Store(live)
	p := served(t, w.ask, MostPages, MostFrom)
	ctx := tab(t, "http://"+p.Address()+"/", 390, 844)
	dead := func(why string) {
		t.Helper()
		until(t, ctx, isDead+` && document.getElementById("deadwhy").textContent.includes(`+quoted(why)+`)`)
		text := eval[string](t, ctx, "document.body.innerText") + eval[string](t, ctx, "document.title")
		for _, old := range []string{"LIVE", "312 N", "1488 N", live.Session, "Data 0", "tether"} {
			if strings.Contains(text, old) {
				t.Errorf("%s: a dead page still shows %q:\n%s", why, old, text)
			}
		}
		for _, must := range []string{"NO DATA", "This page is dead", "hard-wired stop"} {
			if !strings.Contains(text, must) {
				t.Errorf("%s: a dead page does not say %q", why, must)
			}
		}
		if strings.Contains(eval[string](t, ctx, `document.getElementById("alive").textContent`), "312") {
			t.Errorf("%s: old values are still in the page", why)
		}
		contrast(t, ctx, "dead: ")
	}
	shows(t, ctx, live)

	gone := errors.New("nothing answers")
	w.err.Store(&gone)
	dead("The guard does not answer")
	picture(t, ctx, "phone dead")
	w.err.Store(nil)
	shows(t, ctx, live)

	w.stuck.Store(true)
	dead("its loop stands still")
	w.stuck.Store(false)
	shows(t, ctx, live)

	// The page's own clock jumps, as after a sleep: what comes then was sent
	// before, as far as the page can know.
	eval[bool](t, ctx, `(() => { const now = performance.now.bind(performance); performance.now = () => now() + 60000; return true; })()`)
	dead("60 s late")
	eval[bool](t, ctx, `(() => { location.reload(); return true; })()`)
	shows(t, ctx, live)

	// Out of sight nothing is shown, and in sight again only what is new.
	eval[bool](t, ctx, `(() => { Object.defineProperty(document, "hidden", { value: true, configurable: true }); document.dispatchEvent(new Event("visibilitychange")); return true; })()`)
	dead("out of sight")
	eval[bool](t, ctx, `(() => { delete document.hidden; document.dispatchEvent(new Event("visibilitychange")); return true; })()`)
	shows(t, ctx, live)

	p.server.Close() // the board is out of reach
	dead("No data for")
}

// Before the first event, and with a script that never runs, the page is dead.
func TestPageBeginsDead(t *testing.T) {
	text, err := assets.ReadFile("page/page.html")
	must(t, err)
	if !strings.Contains(string(text), `<body class="dead">`) || !strings.Contains(string(text), "<noscript>") {
		t.Error("a page without a running script does not say that it is dead")
	}
	block := make(chan struct{})
	defer close(block)
	p := served(t, func() (*told.Status, error) { <-block; return nil, errors.New("ended") }, MostPages, MostFrom)
	ctx := tab(t, "http://"+p.Address()+"/", 1366, 768)
	until(t, ctx, isDead+` && document.getElementById("deadwhy").textContent.includes("has not answered yet")`)
	picture(t, ctx, "desktop dead")
	contrast(t, ctx, "dead: ")
}

// What a screen reader is given, what a keyboard can do, and that there is
// nothing to operate and nothing loaded from elsewhere.
func TestPageForReadersAndKeyboards(t *testing.T) {
	var w teller
	tripped := scenes()[8].status()
	w.status.Store(tripped)
	p := served(t, w.ask, MostPages, MostFrom)
	ctx := tab(t, "http://"+p.Address()+"/", 390, 844)
	shows(t, ctx, tripped)
	until(t, ctx, `document.querySelector("#windbox svg") !== null`)
	if says := eval[string](t, ctx, `document.getElementById("windsays").textContent`); says != "Now 9.4 mph, gust 11.4 mph, mean over 10 min 8.5 mph." {
		t.Errorf("the wind is told as %q", says)
	}

	want := map[string]string{
		"heading: " + tripped.Sentence: "", "status: State": "", "region: What to do now": "", "region: First cause": "",
		"region: Headroom to each limit": "", "region: Wind, last ten minutes": "", "region: Packs": "", "region: Link": "",
		"region: Who did what": "", "region: This set-up cannot see": "", "columnheader: Headroom": "", "rowheader: gust own sensor": "",
		"image: Wind over the last ten minutes": "",
	}
	for name := range names(t, ctx) {
		for w := range want {
			if strings.HasPrefix(name, w) {
				delete(want, w)
			}
		}
	}
	for w := range want {
		t.Errorf("a screen reader is not given %q", w)
	}
	if live := eval[string](t, ctx, `document.getElementById("state").getAttribute("aria-live") + document.getElementById("notready").getAttribute("aria-live") + document.getElementById("age").getAttribute("aria-live")`); live != "assertivepolitenull" {
		t.Errorf("what is announced: %s", live)
	}

	// A browser that is busy loses a key: a person presses again.
	press := func(key, there string) {
		for range 20 {
			must(t, chromedp.Do(ctx, chromedp.KeyEvent(key)))
			if time.Sleep(500 * time.Millisecond); eval[bool](t, ctx, there) {
				break
			}
		}
		until(t, ctx, there)
	}
	press(kb.End, `scrollY > 100`)
	press(kb.Home, `scrollY === 0`)
	if n := eval[int](t, ctx, `document.querySelectorAll("a, button, input, select, textarea, form, [onclick], [contenteditable], iframe, object, embed, video, audio").length`); n != 0 {
		t.Errorf("%d things on the page can be operated", n)
	}
	for _, from := range eval[[]string](t, ctx, `performance.getEntriesByType("resource").map(r => r.name)`) {
		if !strings.HasPrefix(from, "http://"+p.Address()+"/") {
			t.Errorf("the page loads %s", from)
		}
	}

	// What a dead page gives a screen reader.
	gone := errors.New("nothing answers")
	w.err.Store(&gone)
	until(t, ctx, isDead)
	alert := false
	for name := range names(t, ctx) {
		alert = alert || strings.HasPrefix(name, "alert: No data")
		if strings.Contains(name, "TRIPPED") || strings.Contains(name, "gust") {
			t.Errorf("a dead page gives a screen reader %q", name)
		}
	}
	if !alert {
		t.Error("a dead page alerts no screen reader")
	}
}

// names are the roles and names of the accessibility tree.
func names(t *testing.T, ctx context.Context) map[string]bool {
	t.Helper()
	tree, err := chromedp.Run(ctx, func(ctx context.Context, target *chromedp.Target) (accessibility.GetFullAXTreeResult, error) {
		return cdp.Call(ctx, target, accessibility.GetFullAXTree, accessibility.GetFullAXTreeParams{})
	})
	must(t, err)
	out := map[string]bool{}
	for _, n := range tree.Nodes {
		if !n.Ignored && n.Role != nil && n.Name != nil {
			out[strings.Trim(string(n.Role.Value), `"`)+": "+strings.Trim(string(n.Name.Value), `"`)] = true
		}
	}
	return out
}

// The wind picture: a polyline per series, limits with their words.
func TestPageDrawsTheWind(t *testing.T) {
	var w teller
	s := scenes()[4].status()
	w.status.Store(s)
	p := served(t, w.ask, MostPages, MostFrom)
	var h windHistory
	for at := 0.0; at < 700; at += 0.5 {
		one := *s
		one.At = at
		one.Channels = slices.Clone(s.Channels)
		speed := 9 + 4*math.Sin(at/40)
		one.Channels[0].AsShown, one.Channels[1].AsShown = &speed, some(speed+2+math.Sin(at/7))
		h.take(&one)
	}
	picture10 := h.picture()
	if n := len(picture10.Points); n < windSteps-1 || n > windSteps {
		t.Errorf("%d points", n)
	}
	ctx := tab(t, "http://"+p.Address()+"/", 1366, 768)
	shows(t, ctx, s)
	eval[bool](t, ctx, `(() => { windDrawing.draw(document.getElementById("windbox"), `+quoted(picture10)+`, "test"); return true; })()`)
	picture(t, ctx, "desktop wind")
	if d := eval[string](t, ctx, `Array.from(document.querySelectorAll("#windbox path")).map(p => p.getAttribute("d").split("L").length).join(" ")`); d != "120 120" && d != "119 119" {
		t.Errorf("points drawn: %s", d)
	}
	if text := eval[string](t, ctx, `document.querySelector("#windbox svg").textContent`); !strings.Contains(text, "gust 20 mph") || !strings.Contains(text, "to start 14 mph") {
		t.Errorf("the limits are not named: %s", text)
	}
}
