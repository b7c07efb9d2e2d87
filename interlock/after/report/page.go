package report

import (
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"math"
	"slices"
	"strings"
	"time"

	"downhaul/interlock/after/report/picture"
	"downhaul/interlock/records/timeofday"
	"downhaul/rules"
	"downhaul/rules/words"
)

//go:embed page.gohtml
var pageText string

var page = template.Must(template.New("page").Funcs(template.FuncMap{
	"at": At, "took": Took, "day": timeofday.Day, "join": list, "percent": percent, "plural": words.Count[int], "upper": strings.ToUpper,
	"factor": func(f *float64) string {
		if f == nil {
			return "not known"
		}
		return fmt.Sprintf("%.2f", *f)
	},
	"sentence": sentence, "sentence0": sentence0, "afterNotRemoved": AfterNotRemoved,
	"style":  func() template.CSS { return picture.Style },
	"mul100": func(f float64) float64 { return f * 100 },
}).Parse(pageText))

// WritePage writes the report as one page that needs nothing else.
func (r *Report) WritePage(w io.Writer) error {
	if err := page.Execute(w, newView(r)); err != nil {
		return fmt.Errorf("write the page: %w", err)
	}
	return nil
}

// view is the report with its drawings.
type view struct {
	*Report
	Shown     []sessionView
	Many      bool
	LiftShown liftView
	AcrossSVG []drawing
}

type sessionView struct {
	*Session
	Headline string
	Shots    []shot
	Over     []overviewView
	WindSVG  template.HTML
	PackSVG  drawing
	Shaky    []Span // cautions, as many as a page bears
	// Same reports whether proofs, hazards and blind spots are those of the session before;
	// For names the sessions for which they are told here, empty for all.
	Same bool
	For  string
	// SeenSame reports whether the blind spots alone are.
	SeenSame bool
	// MoreShots and MoreShaky count what only the object lists.
	MoreShots, MoreShaky int
}

// mostShots and mostShaky bound the page; ours.
const (
	mostShots = 200
	mostShaky = 500
	// onPaper is how many first causes of a session have their picture and times there;
	// of others the cause stands. Ours: two sheets a session.
	onPaper = 2
)

// shot is one first cause with its drawings: the channel that tripped first,
// then the others.
type shot struct {
	*Episode
	Ses    *Session
	Late   bool // behind those that paper has room for
	First  template.HTML
	Name   string
	Others []drawing
}

type drawing struct {
	Name string
	SVG  template.HTML
}

type overviewView struct {
	RuleRow
	SVG template.HTML
}

func newView(r *Report) *view {
	v := &view{Report: r, Many: len(r.Sessions) > 1, LiftShown: r.Lift.view(), AcrossSVG: r.Across.charts()}
	told := 0 // by which session
	for i, s := range r.Sessions {
		v.Shown = append(v.Shown, s.view())
		switch {
		case i > 0 && s.standsAs(r.Sessions[i-1]):
			v.Shown[i].Same = true
			v.Shown[told].For = fmt.Sprintf("sessions %d to %d", r.Sessions[told].Number, s.Number)
		case len(r.Sessions) > 1:
			v.Shown[i].SeenSame = i > 0 && slices.Equal(s.Unseen, r.Sessions[i-1].Unseen)
			told, v.Shown[i].For = i, fmt.Sprintf("session %d", s.Number)
		}
	}
	return v
}

func (s *Session) view() sessionView {
	v := sessionView{Session: s, Headline: s.Headline(), WindSVG: s.windChart(), PackSVG: s.packChart()}
	for i := range s.Episodes[:min(len(s.Episodes), mostShots)] {
		v.Shots = append(v.Shots, s.shot(&s.Episodes[i]))
		v.Shots[i].Late = i >= onPaper
	}
	for _, row := range s.Rules {
		o := overviewView{RuleRow: row}
		if row.index < len(s.charts.rules) {
			o.SVG = s.overviewChart(&s.env.Rules[row.index], s.charts.rules[row.index])
		}
		v.Over = append(v.Over, o)
	}
	v.Shaky = s.Spans[:min(len(s.Spans), mostShaky)]
	v.MoreShots, v.MoreShaky = len(s.Episodes)-len(v.Shots), len(s.Spans)-len(v.Shaky)
	return v
}

// standsAs reports whether hazards, proof tests and blind spots are those of another
// session, in whatever order: they are told once then.
func (s *Session) standsAs(o *Session) bool {
	untripped := func(hazards []Hazard) (out []Hazard) {
		for _, h := range hazards {
			h.Trips = 0
			out = append(out, h)
		}
		slices.SortFunc(out, func(a, b Hazard) int { return strings.Compare(a.Rule+a.Hazard, b.Rule+b.Hazard) })
		return out
	}
	return slices.Equal(untripped(s.Hazards), untripped(o.Hazards)) && slices.Equal(s.Proofs, o.Proofs) && slices.Equal(s.Unseen, o.Unseen)
}

func (s *Session) shot(ep *Episode) shot {
	out := shot{Episode: ep, Ses: s}
	first := ep.Trips[0].Rule
	// In the order in which the rules are listed: nearest to their limits first.
	for _, row := range s.Rules {
		for _, p := range ep.panels {
			rule := &s.env.Rules[p.rule]
			if p.rule != row.index {
				continue
			}
			svg := s.windowChart(rule, ep, p)
			switch {
			case svg == "":
			case rule.Name == first:
				out.First, out.Name = svg, caption(rule)
			default:
				out.Others = append(out.Others, drawing{caption(rule), svg})
			}
		}
	}
	if out.First == "" && len(out.Others) > 0 { // no rule tripped first: what came nearest to its limit
		out.First, out.Name, out.Others = out.Others[0].SVG, out.Others[0].Name, out.Others[1:]
	}
	return out
}

func caption(r *rules.Rule) string {
	text := r.Name + ": " + r.Watch.Channel().Says
	if isRate(r) {
		text += " (the limit is on its rate)"
	}
	return text
}

// Headline is the session in one sentence.
func (s *Session) Headline() string {
	trips := s.trips(func(string) bool { return true })
	text := "No trip"
	if trips > 0 {
		text = words.Count(trips, "trip")
	}
	switch {
	case s.Alone:
		text += " in " + words.Count(len(s.Runs), "flight") + " of a recording"
	case s.Duty == "watch":
		text += " in " + words.Count(len(s.Runs), "flight") + ", watching only"
	default:
		text += " in " + words.Count(len(s.Runs), "run")
	}
	var causes []string
	add := func(says string) {
		if !slices.Contains(causes, says) {
			causes = append(causes, says)
		}
	}
	for i := range s.Like {
		add(s.Like[i].Says)
	}
	for i := range s.Episodes {
		if s.Duty != "watch" {
			add(s.Episodes[i].Trips[0].Says)
		}
	}
	if len(causes) > 3 {
		causes = append(causes[:3], "and more")
	}
	text = strings.Join(append([]string{text}, causes...), "; ")
	if n := len(s.ChainFaults); n > 0 {
		text = words.Count(n, "fault") + " of the chain. " + text
	}
	if len(s.NotRemoved) > 0 {
		text = "POWER NOT REMOVED. " + text
	}
	return text + "."
}

// Title is which session it is, or which recording.
func (s *Session) Title() string {
	if s.Alone {
		return "recording " + s.Session
	}
	return fmt.Sprintf("session %d, duty %s", s.Number, s.Duty)
}

// At is an instant of the engine's clock for people.
func At(q *Quantity) string {
	if q == nil {
		return "not known"
	}
	return fmt.Sprintf("%.2f s", q.Value)
}

// Took is a length of time for people: milliseconds below a second.
func Took(q *Quantity) string {
	switch {
	case q == nil:
		return "not known"
	case q.Value == 0:
		return "0 ms"
	case math.Abs(q.Value) < 0.01:
		return fmt.Sprintf("%.1f ms", q.Value*1e3)
	case math.Abs(q.Value) < 1:
		return fmt.Sprintf("%.0f ms", q.Value*1e3)
	case math.Abs(q.Value) < 120:
		return fmt.Sprintf("%.2f s", q.Value)
	}
	return time.Duration(q.Value * 1e9).Round(time.Second).String()
}

// sentence0 is a sentence without its full stop.
func sentence0(s string) string { return strings.TrimSuffix(sentence(s), ".") }

func percent(f *float64) string {
	if f == nil {
		return "not known"
	}
	return fmt.Sprintf("%.0f %%", *f*100)
}

// sentence begins with a capital letter, or with a name as files write it (wind.gust3s,
// wind_loop), and ends with a full stop.
func sentence(s string) string {
	if s == "" {
		return ""
	}
	if first, _, _ := strings.Cut(s, " "); !strings.ContainsAny(strings.TrimRight(first, ".,:;"), "._") {
		r := []rune(s)
		s = strings.ToUpper(string(r[:1])) + string(r[1:])
	}
	if strings.HasSuffix(s, ".") || strings.HasSuffix(s, "!") {
		return s
	}
	return s + "."
}
