package panel

import (
	"math"
	"strings"

	"downhaul/interlock/guard"
	"downhaul/rules"
)

// The wind of the last ten minutes (WMO-No. 8: 3 s gust, 10 min mean), in
// steps of five seconds.
const (
	windSpan  = 600.0                         // s
	windStep  = float64(guard.WindStep) / 1e9 // s
	windSteps = int(windSpan / windStep)
)

// windStepOf is one step: the mean of the speeds in it, and the highest gust.
type windStepOf struct {
	index     int64 // engine time over windStep
	n         int
	sum, gust float64
	hasGust   bool
}

// windHistory collects what one session tells. What was before this process
// began comes from the guard's own memory.
type windHistory struct {
	session string
	unit    string
	last    float64 // engine time of the last status taken
	steps   []windStepOf
	lines   []windLine
	mean    *float64
	gust    *float64
	speed   *float64
	meanSay string
}

// windLine is a limit on a wind channel, in the shown unit.
type windLine struct {
	Name string  `json:"name"`
	At   float64 `json:"at"`
	Text string  `json:"text"`
}

// windPicture is what a page draws. A point is [seconds ago, mean, gust or
// null]; Mean, Gust and Now are the guard's own latest, null where missing.
type windPicture struct {
	Unit   string        `json:"unit"`
	SpanS  float64       `json:"span_s"`
	Points [][3]*float64 `json:"points"`
	Lines  []windLine    `json:"lines"`
	Now    *float64      `json:"now"`
	Gust   *float64      `json:"gust"`
	Mean   *float64      `json:"mean"`
	MeanOf string        `json:"mean_of"`
}

func (w *windHistory) take(st *guard.Status) {
	if st.Session != w.session || st.At < w.last {
		*w = windHistory{session: st.Session}
	}
	if st.At == w.last {
		return // told before
	}
	w.last = st.At
	w.speed, w.gust, w.mean, w.meanSay = nil, nil, nil, ""
	for i := range st.Channels {
		c := &st.Channels[i]
		switch c.Channel {
		case rules.WindSpeed.String():
			w.speed = c.AsShown
			if c.Shown != w.unit {
				w.unit, w.steps = c.Shown, nil
			}
		case rules.Gust.String():
			w.gust = c.AsShown
		case rules.Mean10.String():
			if c.AsShown != nil {
				w.mean, w.meanSay = c.AsShown, "10 min"
			}
		case rules.Mean2.String():
			if w.mean == nil && c.AsShown != nil {
				w.mean, w.meanSay = c.AsShown, "2 min"
			}
		}
	}
	w.limits(st)
	w.remember(st.WindPast)
	if w.speed == nil {
		return
	}
	index := int64(math.Floor(st.At / windStep))
	if n := len(w.steps); n == 0 || w.steps[n-1].index != index {
		w.steps = append(w.steps, windStepOf{index: index})
		if len(w.steps) > windSteps {
			w.steps = append(w.steps[:0], w.steps[len(w.steps)-windSteps:]...)
		}
	}
	s := &w.steps[len(w.steps)-1]
	s.n++
	s.sum += *w.speed
	if w.gust != nil && (!s.hasGust || *w.gust > s.gust) {
		s.gust, s.hasGust = *w.gust, true
	}
}

// remember takes over what the guard remembers: it knows more than this process
// heard.
func (w *windHistory) remember(past []guard.WindPast) {
	if len(past) == 0 || w.unit == "" {
		return
	}
	w.steps = nil
	for _, p := range past {
		mean, ok := rules.Convert(p.Mean, w.unit)
		if !ok || p.Count < 1 {
			continue
		}
		s := windStepOf{index: p.Index, n: p.Count, sum: mean * float64(p.Count)}
		if p.Gust != nil {
			s.gust, s.hasGust = rules.Convert(*p.Gust, w.unit)
		}
		w.steps = append(w.steps, s)
	}
}

// limits are the rules and conditions on wind channels, where they are in the
// picture's unit.
func (w *windHistory) limits(st *guard.Status) {
	w.lines = w.lines[:0]
	add := func(name, channel string, si float64) {
		if at, ok := rules.Convert(si, w.unit); ok && strings.HasPrefix(channel, "wind.") && len(w.lines) < 4 {
			w.lines = append(w.lines, windLine{name, at, rules.Format(si, w.unit)})
		}
	}
	for i := range st.Rules {
		if r := &st.Rules[i]; r.Unit == rules.SIUnit(rules.Speed) {
			add(r.Name, r.Channel, r.Limit)
		}
	}
	for i := range st.Permissives {
		if p := &st.Permissives[i]; p.Unit == rules.SIUnit(rules.Speed) {
			add("to start", p.Channel, p.Limit)
		}
	}
}

func (w *windHistory) picture() windPicture {
	p := windPicture{Unit: w.unit, SpanS: windSpan, Points: [][3]*float64{}, Lines: append([]windLine{}, w.lines...),
		Now: rounded(w.speed), Gust: rounded(w.gust), Mean: rounded(w.mean), MeanOf: w.meanSay}
	for _, s := range w.steps {
		ago := w.last - (float64(s.index)+0.5)*windStep
		if ago > windSpan {
			continue
		}
		ago, mean := max(0, ago), s.sum/float64(s.n)
		point := [3]*float64{rounded(&ago), rounded(&mean), nil}
		if s.hasGust {
			point[2] = rounded(&s.gust)
		}
		p.Points = append(p.Points, point)
	}
	return p
}

// rounded is short on the wire: a hundredth is finer than any cup.
func rounded(v *float64) *float64 {
	if v == nil {
		return nil
	}
	r := math.Round(*v*100) / 100
	return &r
}
