package derived

import (
	"time"

	"downhaul/interlock/limits"
	"downhaul/rules"
)

// peakWind is the highest or lowest 3 s mean of the last 10 minutes (ICAO Annex
// 3, 4.1.5.2: gusts over the past 10 minutes; WXT532 User's Guide: gust and
// lull are the highest and lowest 3 s averages). Its input is wind.gust3s; it
// has no value until 10 minutes of it are there. Doubtful 3 s means count.
type peakWind struct {
	untimed
	output  rules.ChannelID
	window  window // counts what was there and what was missing
	extreme extreme
}

func newPeakWind(output rules.ChannelID) *peakWind {
	period := rules.Gust.Channel().Period
	return &peakWind{
		output:  output,
		window:  newWindow(mean10Span, period),
		extreme: newExtreme(mean10Span, period, output == rules.Lull10),
	}
}

func (p *peakWind) Trigger() rules.ChannelID { return rules.Gust }
func (p *peakWind) Output() rules.ChannelID  { return p.output }

func (p *peakWind) Sample(at time.Duration, t *limits.Table) (limits.Result, bool) {
	in := t[rules.Gust]
	if in.Quality == rules.Missing && in.Cause == rules.NotFilled && p.window.n == 0 {
		return missing(rules.NotFilled), true // the 10 minutes start with the first 3 s mean
	}
	p.window.addReading(at, in)
	p.extreme.evict(at)
	if in.Quality != rules.Missing {
		p.extreme.add(at, in.Value)
	}
	return judged(&p.window, at, meanTolerated, in, p.extreme.value), true
}

func (p *peakWind) Clone() limits.Calculator {
	c := *p
	c.window, c.extreme = p.window.clone(), p.extreme.clone()
	return &c
}
