package panel

import (
	"errors"
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
)

// outside are the texts of which some part lies beyond the screen's sides or
// over the edge of the box that holds them, and those that lie over another.
const outside = `(() => {
	const out = [];
	const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
	for (let n; (n = walk.nextNode());) {
		const e = n.parentElement;
		if (!n.data.trim() || e.closest("thead") || /^(SCRIPT|NOSCRIPT)$/.test(e.tagName)) continue;
		const range = document.createRange();
		range.selectNodeContents(n);
		for (const r of range.getClientRects()) {
			const box = (e.closest("section, #state, svg") || document.body).getBoundingClientRect();
			if (r.left < Math.max(0, box.left) - 1 || r.right > Math.min(innerWidth, box.right) + 1 ||
				e.closest("#state") && (r.top < 0 || r.bottom > box.bottom)) out.push(n.data.slice(0, 60) + " " + [r.left, r.top, r.right, r.bottom, box.right, box.bottom].map(Math.round));
		}
	}
	return out;
})()`

// With the most that a pad can bring, in every state and on every screen: the
// sentence keeps its size and its place whatever the lists below hold, nothing
// goes over a side, and what lies below the edge is counted in its heading.
func TestPageHoldsTheMost(t *testing.T) {
	if testing.Short() {
		t.Skip("takes several seconds; left out by -short")
	}
	var w teller
	w.status.Store(scenes()[0].status())
	p := served(t, w.ask, MostPages, MostFrom)
	ctx := tab(t, "http://"+p.Address()+"/", sizes[0].width, sizes[0].height)
	at := ""
	sized := func(width, height int64) {
		t.Helper()
		must(t, chromedp.Do(ctx, chromedp.EmulateViewport(width, height)))
		until(t, ctx, `innerWidth === `+quoted(width)+` && innerHeight === `+quoted(height))
	}
	within := func() {
		t.Helper()
		if eval[bool](t, ctx, `document.documentElement.scrollWidth > innerWidth`) {
			t.Errorf("%sit scrolls sideways", at)
		}
		if over := eval[[]string](t, ctx, outside); len(over) > 0 {
			t.Errorf("%sover an edge: %s", at, strings.Join(over, "\n  "))
		}
	}
	for _, c := range scenes() {
		s := c.status()
		reasons := len(s.NotReady) > 0
		crowd(s)
		if !reasons {
			s.NotReady = []string{}
		}
		w.status.Store(s)
		shows(t, ctx, s)
		for _, size := range sizes {
			sized(size.width, size.height)
			until(t, ctx, `document.getElementById("sentence").dataset.fit.includes(innerWidth + "x" + innerHeight)`)
			at = size.name + ", " + c.name + ": "
			picture(t, ctx, size.name+" "+c.name+" crowded")
			within()
			if least := min(float64(size.width)/11, float64(size.height)/11); eval[float64](t, ctx, `parseFloat(getComputedStyle(document.getElementById(document.getElementById("left").textContent ? "left" : "sentence")).fontSize)`) < least {
				t.Errorf("%sthe sentence is smaller than %.0f px", at, least)
			}
			// A countdown stands in the largest letters of all.
			if left := eval[string](t, ctx, `document.getElementById("left").textContent`); (left != "") != (s.GraceLeft != nil) ||
				left != "" && !eval[bool](t, ctx, `parseFloat(getComputedStyle(document.getElementById("left")).fontSize) > 1.3 * parseFloat(getComputedStyle(document.getElementById("sentence")).fontSize)`) {
				t.Errorf("%sthe countdown says %q, or is not in the largest letters", at, left)
			}
			if eval[bool](t, ctx, `document.getElementById("band").offsetHeight > innerHeight * 0.52`) {
				t.Errorf("%sthe band leaves too little of the screen", at)
			}
			eval[bool](t, ctx, `(() => { scrollTo(0, document.body.scrollHeight); return true; })()`)
			if eval[bool](t, ctx, `scrollY < 1000 || document.getElementById("band").getBoundingClientRect().top !== 0`) {
				t.Errorf("%sthe lists push the sentence away", at)
			}
			eval[bool](t, ctx, `(() => { scrollTo(0, 0); return true; })()`)
		}
		contrast(t, ctx, at)
		text := eval[string](t, ctx, `document.getElementById("alive").innerText`)
		for _, part := range slices.Concat(s.NotReady, s.Unseen, s.Trouble, s.Declared.Packs) {
			if !strings.Contains(text, part) {
				t.Errorf("%snot on the page: %q", at, part)
			}
		}
		// What a craft says is text, whatever it looks like.
		said := eval[[]string](t, ctx, `Array.from(document.querySelectorAll("#says q")).map(e => e.childElementCount ? "an element" : e.textContent)`)
		if want := crowdedWords(); !slices.Equal(said, want) {
			t.Errorf("%sthe craft says %q, want %q", at, said, want)
		}
		words := eval[[]string](t, ctx, `Array.from(document.querySelectorAll("#limits tbody .tag")).map(e => e.textContent)`)
		order := []string{"STOP", "MISSING", "CAUTION", "ok", "resting"}
		if len(words) != len(s.Rules) || !slices.IsSortedFunc(words, func(a, b string) int { return slices.Index(order, a) - slices.Index(order, b) }) {
			t.Errorf("%slimits in the order %v", at, words)
		}
		heads := eval[string](t, ctx, `Array.from(document.querySelectorAll("h2")).map(e => e.textContent).join("\n")`)
		if reasons != strings.Contains(heads, "Not ready because (15 reasons)") {
			t.Errorf("%sheadings:\n%s", at, heads)
		}
		if len(s.Causes) == 3 && !strings.Contains(heads, "First cause, and 2 behind it\n") {
			t.Errorf("%sheadings:\n%s", at, heads)
		}
		for _, word := range order {
			n := 0
			for _, w := range words {
				if w == word {
					n++
				}
			}
			if said := strings.Contains(strings.ReplaceAll(heads, "\u00a0", " "), " "+quoted(n)+" "+word); said != (n > 0) {
				t.Errorf("%s%d limits are %s; headings:\n%s", at, n, word, heads)
			}
		}
	}

	gone := errors.New("nothing answers")
	w.err.Store(&gone)
	until(t, ctx, isDead)
	for _, size := range sizes {
		sized(size.width, size.height)
		at = size.name + ", dead: "
		picture(t, ctx, size.name+" dead")
		within()
		if eval[bool](t, ctx, `document.querySelector("#dead > p:nth-child(4)").getBoundingClientRect().bottom > innerHeight`) {
			t.Errorf("%swhat to do is below the edge", at)
		}
	}
}

// A guard that only watches works no relay: "relay open" would read as if
// somebody had taken the power off.
func TestPageOfAWatchSaysNothingOfARelay(t *testing.T) {
	var w teller
	for _, c := range scenes() {
		if c.name == "watch" {
			w.status.Store(c.status())
		}
	}
	p := served(t, w.ask, MostPages, MostFrom)
	ctx := tab(t, "http://"+p.Address()+"/", 390, 844)
	shows(t, ctx, w.status.Load())
	if line := eval[string](t, ctx, `document.getElementById("age").textContent`); !strings.Contains(line, "Watching for ") || !strings.Contains(line, "; works no relay. Sound: ") || strings.Contains(line, "open") || strings.Contains(line, "blocked") {
		t.Errorf("it says %q", line)
	}
}

// Limits that lie close together, at one height, or have the longest names: no
// two names lie over each other, none over an edge, and what finds no place in
// the picture is given back to be said below it.
func TestWindNamesItsLimits(t *testing.T) {
	if testing.Short() {
		t.Skip("takes several seconds; left out by -short")
	}
	var w teller
	s := scenes()[4].status()
	w.status.Store(s)
	p := served(t, w.ask, MostPages, MostFrom)
	for _, size := range sizes {
		ctx := tab(t, "http://"+p.Address()+"/", size.width, size.height)
		shows(t, ctx, s)
		until(t, ctx, `document.querySelector("#windbox svg") !== null`)
		var lines []windLine
		for _, v := range []float64{20, 20, 20.5, 14, 14.2, 14.4, 14.6, 14.8, 3, 29.9} {
			lines = append(lines, windLine{Name: "gust at the mast", At: v, Text: quoted(v) + " mph"})
		}
		lines[3].Name, lines[8].Name, lines[1].Name = strings.Repeat("W", 60), strings.Repeat("i", 60), "another"
		unnamed := eval[[]string](t, ctx, `windDrawing.draw(document.getElementById("windbox"), `+quoted(windPicture{Unit: "mph", SpanS: 600, Points: [][3]*float64{}, Lines: lines})+`, "test")`)
		picture(t, ctx, size.name+" wind limits")
		named := eval[[]string](t, ctx, `Array.from(document.querySelectorAll("#windbox text[font-weight]")).map(e => e.textContent)`)
		if len(named) < 4 || len(unnamed) < 1 {
			t.Errorf("%s: named %q, not named %q", size.name, named, unnamed)
		}
		for _, l := range lines {
			if !slices.ContainsFunc(slices.Concat(named, unnamed), func(s string) bool {
				return strings.HasSuffix(s, " "+l.Text) && (strings.HasPrefix(s, l.Name[:6]) || strings.Contains(s, " and 1 more "))
			}) {
				t.Errorf("%s: %s %s is nowhere: %q, %q", size.name, l.Name, l.Text, named, unnamed)
			}
		}
		if over := eval[[]string](t, ctx, `(() => {
			const svg = document.querySelector("#windbox svg"), box = svg.getBoundingClientRect(), out = [];
			const all = Array.from(svg.querySelectorAll("text[font-weight]")).map(e => [e.textContent, e.getBBox(), e.getBoundingClientRect()]);
			all.forEach(([s, b, r], i) => {
				if (r.left < box.left || r.right > box.right + 1 || r.top < box.top) out.push(s + " over an edge");
				if (r.height < 13) out.push(s + " is " + r.height + " px high");
				for (const [o, c] of all.slice(i + 1)) if (b.x < c.x + c.width && c.x < b.x + b.width && b.y + 3 < c.y + c.height && c.y + 3 < b.y + b.height) out.push(s + " over " + o);
			});
			return out;
		})()`); len(over) > 0 {
			t.Errorf("%s: %s", size.name, strings.Join(over, "\n"))
		}
	}
}
