// Package album shows rehearsals as one page with a picture of each flight.
//
// It promises: the page needs nothing else and no network; the same flights give the
// same page, byte for byte; it says at its head that all is a rehearsal. It never flies
// anything and never writes a file.
package album

import (
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"slices"
	"strings"
	"time"

	"downhaul/interlock/after/report/picture"
	"downhaul/interlock/model/rehearsal"
	"downhaul/rules"
)

//go:embed page.gohtml
var text string

var page = template.Must(template.New("page").Funcs(template.FuncMap{
	"style": func() template.CSS { return picture.Style },
	"at":    func(d time.Duration) string { return fmt.Sprintf("%.2f s", d.Seconds()) },
}).Parse(text))

// Shown is what a page shows.
type Shown struct {
	Mark    string
	Setup   *rehearsal.Setup
	Flights []*rehearsal.Result
	// Ranked reports whether changes were flown at all; Changes are the best of them.
	Ranked  bool
	Changes []rehearsal.Change
}

type view struct {
	Shown
	Craft        string
	Height, Pull string // units
	Speed        string
	Rows         []row
	NotSeen      []row
	Unexpected   []row
}

type row struct {
	*rehearsal.Result
	First, After                    string
	Height, Pull, Arrival, Distance string
	Unseen                          string
	HeightSVG, PullSVG              template.HTML
	Said                            []said
}

// Write writes the page.
func Write(w io.Writer, shown Shown) error {
	s := shown.Setup
	unit := func(k rules.Kind) string { return rules.DefaultUnit(k, s.Checked.Envelope.Units) }
	v := view{Shown: shown, Craft: s.Sentence(), Height: unit(rules.Length), Pull: unit(rules.Force), Speed: unit(rules.Speed)}
	bare := func(x float64, k rules.Kind) string {
		number, _, _ := strings.Cut(s.Show(x, k), " ")
		return number
	}
	for _, r := range shown.Flights {
		x := row{Result: r, Unseen: r.Unseen()}
		x.First, x.After = r.ActedFirst()
		if t := r.Truth; r.Lacks == "" {
			x.Height, x.Pull, x.Arrival, x.Distance = bare(t.Height, rules.Length), bare(t.Tension, rules.Force), bare(t.Arrival, rules.Speed), bare(t.Distance, rules.Length)
			x.HeightSVG, x.PullSVG = height(s, r), pull(s, r)
			x.Said = since(r)
		}
		v.Rows = append(v.Rows, x)
		switch {
		case x.Unseen != "":
			v.NotSeen = append(v.NotSeen, x)
		case !r.AsExpected:
			v.Unexpected = append(v.Unexpected, x)
		}
	}
	if err := page.Execute(w, v); err != nil {
		return fmt.Errorf("write the page: %w", err)
	}
	return nil
}

// before is how much of a flight a picture shows ahead of its mishap.
const before = 3 * time.Second

// begin is where pictures and words of a flight begin.
func begin(r *rehearsal.Result) time.Duration {
	c := r.Course
	switch {
	case c == nil:
		return 0
	case c.Mishap >= 0 && c.Live >= 0:
		return max(c.Mishap-before, c.Live)
	}
	return max(c.Live, 0)
}

// since is what was said from the picture's beginning on, in time of the picture.
func since(r *rehearsal.Result) []said {
	from := begin(r)
	i := slices.IndexFunc(r.Timeline, func(l rehearsal.Line) bool { return l.At >= from })
	if i < 0 {
		return nil
	}
	var out []said
	for _, l := range r.Timeline[i:] {
		l.At -= zero(r)
		// A caution that comes and goes is one line.
		if i := slices.IndexFunc(out, func(x said) bool { return x.Who == l.Who && x.Says == l.Says }); i >= 0 {
			out[i].Times++
			continue
		}
		out = append(out, said{l, 1})
	}
	return out
}

type said struct {
	rehearsal.Line
	Times int
}

// behind is how much of a flight a picture shows behind the last that was said of it.
const behind = 8 * time.Second

// zero is the instant from which a picture counts its seconds: the mishap, else
// the start.
func zero(r *rehearsal.Result) time.Duration {
	if r.Course == nil {
		return 0
	}
	if r.Course.Mishap >= 0 {
		return r.Course.Mishap
	}
	return max(r.Course.Live, 0)
}

func height(s *rehearsal.Setup, r *rehearsal.Result) template.HTML {
	if r.Course == nil {
		return ""
	}
	var levels []picture.Level
	for i := range s.Checked.Envelope.Rules {
		x := &s.Checked.Envelope.Rules[i]
		if x.Form == rules.Above && x.Stop != rules.NoStop && (x.Watch == rules.Apex || x.Watch == rules.Height) {
			words := "limit "
			if x.Watch == rules.Apex {
				words = "apex limit "
			}
			levels = append(levels, picture.Level{V: x.Limit, Words: words + rules.FormatExact(x.Limit, x.Unit)})
		}
	}
	return draw(s, r, r.Course.Height, rules.Length, levels, "height over the ground")
}

func pull(s *rehearsal.Setup, r *rehearsal.Result) template.HTML {
	if r.Course == nil || r.Truth.Tension == 0 {
		return ""
	}
	var levels []picture.Level
	for i := range s.Checked.Envelope.Rules {
		if x := &s.Checked.Envelope.Rules[i]; x.Form == rules.Above && x.Watch == rules.Tension {
			levels = append(levels, picture.Level{V: x.Limit, Words: "limit " + rules.FormatExact(x.Limit, x.Unit)})
		}
	}
	if load := s.WorkingLoad(); load > 0 {
		levels = append(levels, picture.Level{V: load, Words: "working load " + s.Show(load, rules.Force), Caution: true})
	}
	return draw(s, r, r.Course.Pull, rules.Force, levels, "pull of the tether")
}

// draw draws a course with its limits, and what acted when.
func draw(s *rehearsal.Setup, r *rehearsal.Result, course []rehearsal.Point, k rules.Kind, levels []picture.Level, says string) template.HTML {
	from, zero, to := begin(r), zero(r), time.Duration(0)
	for _, l := range r.Timeline {
		to = max(to, l.At+behind)
	}
	var line []picture.Point
	for i, p := range course {
		if p.At < from || p.At > to || i > 0 && i < len(course)-1 && course[i-1].V == p.V && course[i+1].V == p.V {
			continue
		}
		line = append(line, picture.Point{At: p.At - zero, V: p.V})
	}
	if len(line) == 0 {
		return ""
	}
	unit := rules.DefaultUnit(k, s.Checked.Envelope.Units)
	c := picture.Chart{From: (from - zero).Seconds(), To: line[len(line)-1].At.Seconds(), Unit: unit, Scale: picture.InUnit(unit),
		Traces: []picture.Trace{{Curves: [][]picture.Point{line}}}, Levels: levels, Says: says + " in " + r.Name}
	mark := func(at time.Duration, words string, main bool) {
		if at >= from {
			c.Marks = append(c.Marks, picture.Mark{At: at - zero, Words: words, Main: main})
		}
	}
	if r.Course.Mishap >= 0 {
		mark(r.Course.Mishap, "mishap", false)
	}
	if a := r.Acted; a != nil && (r.Stopped == nil || a.At != r.Stopped.At) {
		mark(r.Course.Since(a), a.What, true)
	}
	if a := r.Stopped; a != nil {
		mark(r.Course.Since(a), a.What, true)
	}
	if off := r.Course.Off; off >= 0 && (r.Stopped == nil || r.Stopped.What != "power off" || off-r.Course.Since(r.Stopped) > 200*time.Millisecond) {
		mark(off, "contactor open", false)
	}
	slices.SortStableFunc(c.Marks, func(a, b picture.Mark) int { return int(a.At - b.At) })
	return c.SVG()
}
