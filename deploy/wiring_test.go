package deploy

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"downhaul/hw/virtual"
	"downhaul/interlock/pad"
)

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

var picture = regexp.MustCompile(`!\[([^\]]+)\]\((wiring/[^)]+)\)`)

// Every drawing is shown in the notes, and every drawing shown is there.
func TestEveryDrawingIsShown(t *testing.T) {
	notes, err := os.ReadFile("WIRING.md")
	must(t, err)
	var shown []string
	for _, m := range picture.FindAllStringSubmatch(string(notes), -1) {
		if slices.Contains(shown, m[2]) {
			t.Errorf("%s is shown twice", m[2])
		}
		shown = append(shown, m[2])
	}
	drawn, err := filepath.Glob("wiring/*")
	must(t, err)
	slices.Sort(shown)
	if len(drawn) < 5 || !slices.Equal(shown, drawn) {
		t.Errorf("the notes show %v, and there are %v", shown, drawn)
	}
}

// A drawing is well-formed XML, tells a reader who cannot see it what it
// shows, fetches nothing, and keeps every word and line within its frame.
func TestDrawings(t *testing.T) {
	names, err := filepath.Glob("wiring/*.svg")
	must(t, err)
	for _, name := range names {
		text, err := os.ReadFile(name)
		must(t, err)
		var width, height float64
		words := map[string]string{}
		inside, lines := "", 0
		for d := xml.NewDecoder(bytes.NewReader(text)); ; {
			token, err := d.Token()
			if errors.Is(err, io.EOF) {
				break
			}
			if err != nil {
				t.Errorf("%s: %v", name, err)
				break
			}
			switch e := token.(type) {
			case xml.StartElement:
				inside = e.Name.Local
				at := map[string]string{}
				for _, a := range e.Attr {
					at[a.Name.Local] = a.Value
					if a.Name.Local == "href" || strings.Contains(a.Value, "http") && a.Name.Local != "xmlns" {
						t.Errorf("%s: %s fetches %s", name, inside, a.Value)
					}
				}
				number := func(key string) float64 { f, _ := strconv.ParseFloat(at[key], 64); return f }
				switch inside {
				case "svg":
					width, height = number("width"), number("height")
				case "text":
					if x, y := number("x"), number("y"); x < 0 || x > width || y < 10 || y > height-2 {
						t.Errorf("%s: words at %v, %v are outside %v by %v", name, x, y, width, height)
					}
				case "polyline":
					lines++
					for _, p := range strings.Fields(at["points"]) {
						x, y, _ := strings.Cut(p, ",")
						px, errX := strconv.ParseFloat(x, 64)
						py, errY := strconv.ParseFloat(y, 64)
						if errX != nil || errY != nil || px < 0 || px > width || py < 0 || py > height {
							t.Errorf("%s: a line goes through %s, outside %v by %v", name, p, width, height)
						}
					}
				}
			case xml.CharData:
				if s := strings.TrimSpace(string(e)); s != "" {
					words[inside] += s
				}
			}
		}
		if width == 0 || math.Max(width, height) > 1100 || lines < 10 {
			t.Errorf("%s: %v by %v with %d lines: no drawing that fits a page", name, width, height, lines)
		}
		for _, want := range []string{"title", "desc", "text"} {
			if len(words[want]) < 10 {
				t.Errorf("%s: no %s", name, want)
			}
		}
	}
}

// The notes speak of every line that a board can have, so that nobody is left
// alone with one, and of the figures that the guard's own model keeps.
func TestNotesSpeakOfEveryLine(t *testing.T) {
	text, err := os.ReadFile("WIRING.md")
	must(t, err)
	all := strings.ToLower(string(text))
	drawings, err := filepath.Glob("wiring/*.svg")
	must(t, err)
	for _, d := range drawings {
		more, err := os.ReadFile(d)
		must(t, err)
		all += strings.ToLower(string(more))
	}
	for _, line := range pad.LineNames() {
		if !regexp.MustCompile(`\b` + line + `\b`).MatchString(all) {
			t.Errorf("the wiring notes do not speak of %s", line)
		}
	}
	window := fmt.Sprintf("%d to %d ms", virtual.LeastGap.Milliseconds(), virtual.MostGap.Milliseconds())
	hold := fmt.Sprintf("let go %d ms after the last good edge", virtual.WatchdogDrop.Milliseconds())
	for _, words := range []string{"**no category and no performance level**", window, hold, "16.7 Hz", "**uncrewed**", "licensed practice"} {
		if !strings.Contains(string(text), words) {
			t.Errorf("the wiring notes do not say %q", words)
		}
	}
}
