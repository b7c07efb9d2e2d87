package report

import (
	"time"

	"downhaul/interlock/limits"
	"downhaul/rules"
)

// Wind is the wind over the session and over each run.
type Wind struct {
	Known   bool         `json:"known"`
	Source  string       `json:"source"`
	Says    string       `json:"says"`
	Periods []WindPeriod `json:"periods"`
	// Mean2 and Mean10 are the highest means over 2 and 10 minutes; nil where
	// the window never filled.
	Mean2  *Quantity `json:"highest_mean2min"`
	Mean10 *Quantity `json:"highest_mean10min"`
}

// WindPeriod is the wind over one stretch of time. Gust and Lull are the highest
// and the lowest mean over 3 s in it (WMO-No. 8: a peak gust is the maximum over
// an interval, of a running mean over the gust's duration; WMO-No. 306: 3 s).
type WindPeriod struct {
	Period string    `json:"period"`
	From   *Quantity `json:"from"`
	Lasted *Quantity `json:"lasted"`
	Mean   *Quantity `json:"mean"`
	Gust   *Quantity `json:"gust3s"`
	GustAt *Quantity `json:"gust_at"`
	Lull   *Quantity `json:"lull3s"`
	LullAt *Quantity `json:"lull_at"`
	// Factor is gust over mean of this very period (WMO/TD-No. 1555, equation
	// 14): it grows with the period, so compare equal ones only.
	Factor *float64 `json:"gust_factor"`
	// Measured is the share of the period in which there was a value.
	Measured float64 `json:"measured_share"`
	Says     string  `json:"says,omitempty"`
}

// breeze sums up the wind of one period. It is a sink for the speed; its gusts
// are one for the means over 3 s.
type breeze struct {
	from, to   time.Duration
	sum        float64
	count      int
	gust, lull extreme
}

func newBreeze(from, to time.Duration) *breeze {
	return &breeze{from: from, to: to, gust: extreme{from: from, to: to}, lull: extreme{from: from, to: to, lowest: true}}
}

func (b *breeze) take(at time.Duration, r limits.Reading) {
	if at >= b.from && at <= b.to && r.Quality == rules.Good {
		b.sum += r.Value
		b.count++
	}
}

// leastMeasured is the share below which there is no mean: makers of wind
// sensors report a value as missing when over half of its samples are.
const leastMeasured = 0.5

// period is the result; every is the spacing of the samples.
func (b *breeze) period(name string, every time.Duration, show string) WindPeriod {
	p := WindPeriod{Period: name, From: seconds(b.from), Lasted: seconds(b.to - b.from)}
	if b.to > b.from {
		p.Measured = min(1, float64(b.count)*every.Seconds()/(b.to-b.from).Seconds())
	}
	if p.Measured < leastMeasured {
		p.Says = "less than half of it was measured: no figures"
		return p
	}
	mean := b.sum / float64(b.count)
	p.Mean = quantity(mean, rules.Speed, show)
	p.Gust, p.Lull = b.gust.quantity(rules.Speed, show), b.lull.quantity(rules.Speed, show)
	if p.Gust == nil {
		p.Says = "too short for a mean over 3 s"
		return p
	}
	p.GustAt, p.LullAt = seconds(b.gust.at), seconds(b.lull.at)
	if mean > 0 {
		f := p.Gust.Value / mean
		p.Factor = &f
	}
	return p
}
