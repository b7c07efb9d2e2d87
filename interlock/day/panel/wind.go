package panel

import (
	"math"
	"strings"
	"time"

	"downhaul/interlock/day/answers/told"
	"downhaul/rules"
)

// windHistory collects what one session tells, from when this process began.
type windHistory struct {
	session string
	unit    string
	last    float64  // engine time of the last status taken
	past    windRing // in that unit
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

func (w *windHistory) take(st *told.Status) {
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
				w.unit, w.past = c.Shown, windRing{}
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
	if w.speed == nil {
		return
	}
	gust, has := 0.0, w.gust != nil
	if has {
		gust = *w.gust
	}
	w.past.take(w.now(), *w.speed, gust, has)
}

// now is the engine time of the last status.
func (w *windHistory) now() time.Duration { return time.Duration(w.last * float64(time.Second)) }

// limits are the rules and conditions on wind channels, where they are in the
// picture's unit.
func (w *windHistory) limits(st *told.Status) {
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
	p := windPicture{Unit: w.unit, SpanS: (time.Duration(windSteps) * windStep).Seconds(), Points: [][3]*float64{}, Lines: append([]windLine{}, w.lines...),
		Now: rounded(w.speed), Gust: rounded(w.gust), Mean: rounded(w.mean), MeanOf: w.meanSay}
	for _, s := range w.past.list(w.now()) {
		ago := max(0, w.last-(float64(s.Index)+0.5)*windStep.Seconds())
		p.Points = append(p.Points, [3]*float64{rounded(&ago), rounded(&s.Mean), rounded(s.Gust)})
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
