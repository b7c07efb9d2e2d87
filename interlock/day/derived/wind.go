package derived

import (
	"time"

	"downhaul/interlock/limits"
	"downhaul/rules"
)

// Averaging times. Sources: peak gust as a 3 s average, WMO-No. 306 Manual on
// Codes I.1, 15.5.5, and ICAO Annex 3, 4.1.3.2; means over 2 minutes for local
// reports and 10 minutes otherwise, WMO-No. 8 Part II, 1.3.2.4, and ICAO Annex
// 3, 4.1.3.1. Twelve samples at 4 Hz for 3 s: WMO-No. 8 Part I, chapter 5 (the
// rate from memory).
const (
	gustSpan   = 3 * time.Second
	mean2Span  = 2 * time.Minute
	mean10Span = 10 * time.Minute

	// A 3 s mean with one sample missing is already another measure; a mean
	// over minutes is not. Common practice, no source.
	gustTolerated = 0
	meanTolerated = 0.25
)

// meanWind is a running mean of wind.speed: the 3 s mean that measures a gust,
// and the means over 2 and 10 minutes. Assumption: wind.speed comes at its
// declared rate, so that each sample stands for the same time.
type meanWind struct {
	untimed
	output    rules.ChannelID
	tolerated float64
	window    window
}

func newMeanWind(output rules.ChannelID) *meanWind {
	m := &meanWind{output: output, tolerated: meanTolerated}
	span := mean10Span
	switch output {
	case rules.Gust:
		span, m.tolerated = gustSpan, gustTolerated
	case rules.Mean2:
		span = mean2Span
	}
	m.window = newWindow(span, rules.WindSpeed.Channel().Period)
	return m
}

func (m *meanWind) Trigger() rules.ChannelID { return rules.WindSpeed }
func (m *meanWind) Output() rules.ChannelID  { return m.output }

func (m *meanWind) Sample(at time.Duration, t *limits.Table) (limits.Result, bool) {
	in := t[rules.WindSpeed]
	m.window.addReading(at, in)
	return judged(&m.window, at, m.tolerated, in, m.window.mean), true
}

// judged is value() with the quality of the window and of the newest input. A
// missing newest sample gives a missing result: what is not heard now is not
// published as if it were.
func judged(w *window, at time.Duration, tolerated float64, in limits.Reading, value func() float64) limits.Result {
	if in.Quality == rules.Missing {
		return missing(because(in))
	}
	q, cause := w.judge(at, tolerated)
	if q == rules.Missing {
		return missing(cause)
	}
	r := publish(value(), in)
	if q == rules.Doubtful {
		r = doubt(r, cause)
	}
	return r
}

func (m *meanWind) Clone() limits.Calculator {
	c := *m
	c.window = m.window.clone()
	return &c
}
