package card

import "slices"

// Shorten takes out of the facts what can change nothing any more, whatever is told
// later: by what is left each step stands where it stood, by the same result, and has
// the same last run. For a card that asks for lift to spare the last run of each session
// stays, but for those that the forecast rests on.
func (c *Card) Shorten(f *Facts) {
	below := c.below()
	all := c.stand(f, below)
	same := func(less *Facts) bool {
		return slices.EqualFunc(all, c.stand(less, below), func(a, b stood) bool {
			return a.standing == b.standing && a.by == b.by && (a.result == nil) == (b.result == nil) && (a.result == nil || *a.result == *b.result)
		})
	}
	for i := len(f.Results) - 1; i >= 0; i-- {
		less := Facts{Results: slices.Delete(slices.Clone(f.Results), i, i+1), Runs: slices.Clone(f.Runs)}
		for j := range less.Runs {
			if less.Runs[j].After > i {
				less.Runs[j].After--
			}
		}
		if same(&less) {
			f.Results, f.Runs = less.Results, less.Runs
		}
	}
	for i := len(f.Runs) - 1; i >= 0; i-- {
		less := Facts{Results: f.Results, Runs: slices.Delete(slices.Clone(f.Runs), i, i+1)}
		if !c.lastRun(f, i) && same(&less) {
			f.Runs = less.Runs
		}
	}
}

// lastRun reports whether that run is the last of its step, or of a session that a
// forecast must rest on and does not yet.
func (c *Card) lastRun(f *Facts, i int) bool {
	r, later := f.Runs[i], f.Runs[i+1:]
	step := c.index(r.Step)
	return step >= 0 && !slices.ContainsFunc(later, func(o Flown) bool { return c.index(o.Step) == step }) ||
		c.ForecastsAsked() && (f.Forecast == nil || !slices.Contains(f.Forecast.Sessions, r.Session)) &&
			!slices.ContainsFunc(later, func(o Flown) bool { return o.Session == r.Session })
}

// ForecastsAsked reports whether any step asks for lift to spare, which reports foresee.
func (c *Card) ForecastsAsked() bool {
	return slices.ContainsFunc(c.Steps, func(s Step) bool { return s.Shown.HasReserve })
}
