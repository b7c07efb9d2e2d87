package lift

import (
	"fmt"
	"math"
	"sort"
)

// What counts as a steady hover. Numbers of ours, chosen so that the error each
// lets through stays below one percent of thrust; no source.
const (
	// shortestHover: several periods of a height loop.
	shortestHover = 5.0 // s
	// shortestPull and shortestAttempt: full output is held for a moment only.
	shortestPull    = 1.5 // s
	shortestAttempt = 1.0 // s
	// steadyClimb is the most mean climb over the stretch, quickClimb the most over
	// two seconds; steadyHeight the most that height may change over it.
	steadyClimb  = 0.10 // m/s
	quickClimb   = 0.50 // m/s
	steadyHeight = 0.6  // m, largest less smallest
	// steadyOutput is the most that output × voltage, over two seconds, may differ
	// from the stretch's, as a share.
	steadyOutput = 0.12
	// scattered is the most scatter of it over half seconds, as a share.
	scattered = 0.15
	// drifting is the most that it may differ between the halves.
	drifting = 0.04
	// slackShare of the weight is a tether that hangs; above it the pull counts.
	slackShare = 0.01
	// steadyPull is the most scatter of the pull within the stretch, as a share
	// of the weight.
	steadyPull = 0.05
	// steepest is the least vertical share of the pull that is still counted: a
	// tether more than 45° from the vertical is refused.
	steepest = 0.7
	// unknownAngle is how unsure the vertical share is when no slant range tells
	// the angle, as a share of the pull (up to 30° off: 13 %).
	unknownAngle = 0.07
	// lowest is the least height in craft widths; below oneWidth ground effect is
	// bounded and the bound's half counted as unsure.
	lowest = 0.5
	// full is an output that counts as full.
	full = 0.95
	// onGround is a height that may still be standing, m.
	onGround = 0.3
	// mostTilt leans so far that the rotors' wash and drag are another matter.
	mostTilt = 0.966 // cosine of 15°
)

// foot is a foot in m, exactly.
const foot = 0.3048

// criteria are the criteria of this package in words, for the report.
func criteria() []string {
	return []string{
		fmt.Sprintf("hover: airborne at least %g s, mean climb under %g m/s (%.1g ft/s) and never over %g m/s (%.1g ft/s) for two seconds, height within %g m (%.1g ft)",
			shortestHover, steadyClimb, steadyClimb/foot, quickClimb, quickClimb/foot, steadyHeight, steadyHeight/foot),
		fmt.Sprintf("output times pack voltage, over two seconds, within %g %% of its mean and not drifting by more than %g %%", 100*steadyOutput, 100*drifting),
		fmt.Sprintf("at least %g craft width high; the bound of ground effect counts as unsure", lowest),
		fmt.Sprintf("a pull over %g %% of the weight counts as load when it is steady within %g %%", 100*slackShare, 100*steadyPull),
		fmt.Sprintf("attempt: output %g %% or more for %g s, still on the ground", 100*full, shortestAttempt),
	}
}

// groundEffect is the most by which thrust rises over that far from the ground
// at the same power: 1/(1 − (R/4z)²), z the height of the rotor above ground
// (Cheeseman and Bennett, ARC R&M 3021, 1955; from memory). R is half the
// craft's width, which takes all rotors for one large one: a bound, for a single
// rotor of the group feels less.
func groundEffect(radius, z float64) float64 {
	q := radius / (4 * z)
	return 1 / (1 - q*q)
}

// Points finds the evidence in one run. unused says what was left out and why.
func (r *Run) Points(c Craft) (points []Point, unused []string) {
	one := r.clean()
	return one.points(c)
}

func (r *Run) points(c Craft) (points []Point, unused []string) {
	b := r.bin()
	drop := func(format string, args ...any) {
		unused = append(unused, r.label()+": "+fmt.Sprintf(format, args...))
	}
	switch {
	case b.n == 0:
		drop("no motor outputs")
		return nil, unused
	case c.Motors > 0 && len(r.Outputs) != c.Motors:
		drop("it tells %d motor outputs, and the craft has %d motors", len(r.Outputs), c.Motors)
		return nil, unused
	case !(r.Mass > 0):
		drop("its mass is not known: declare the step")
		return nil, unused
	case len(r.Voltage.T) == 0:
		drop("no pack voltage")
		return nil, unused
	}
	for from := 0; from < b.n; {
		if !b.lifting(from, c) {
			from++
			continue
		}
		to := b.steadyUntil(from, r.Mass*Gravity, c)
		p, why := r.hover(&b, from, to, c)
		switch {
		case why == "":
			points = together(points, p)
		case float64(to-from)*binTime >= shortestHover:
			drop("%.0f to %.0f s: %s", b.time(from), b.time(to), why)
		default:
			// Too short from here on: begin one bin later.
			to = from + 1
		}
		from = to
	}
	points = append(points, r.attempts(&b)...)
	if len(points) == 0 && len(unused) == 0 {
		drop("no steady hover of %g s or more and no full-output attempt: %s", shortestHover, b.barred(c))
	}
	return points, unused
}

// mergeGap is how soon after a stretch the next one is still the same hover, s: a
// gust or a lost second in between makes no second independent hover of it.
const mergeGap = 8.0

// together adds a point, to the one before where both are one hover.
func together(points []Point, p Point) []Point {
	if len(points) == 0 {
		return append(points, p)
	}
	last := &points[len(points)-1]
	if last.Kind != p.Kind || p.From-last.To > mergeGap || math.Abs(p.Thrust/last.Thrust-1) > sameStep ||
		math.Abs(p.Output*p.Voltage/(last.Output*last.Voltage)-1) > steadyOutput/2 {
		return append(points, p)
	}
	// Each stretch counts by how long it lasted.
	a, b := last.seconds, p.seconds
	mix := func(to *float64, v float64) { *to = (a**to + b*v) / (a + b) }
	mix(&last.Thrust, p.Thrust)
	mix(&last.Unsure, p.Unsure)
	mix(&last.Output, p.Output)
	mix(&last.Worst, p.Worst)
	mix(&last.Speed, p.Speed)
	mix(&last.Voltage, p.Voltage)
	mix(&last.Current, p.Current)
	mix(&last.Height, p.Height)
	mix(&last.Pulled, p.Pulled)
	mix(&last.Scatter, p.Scatter)
	last.seconds, last.To = a+b, p.To
	return points
}

func (r *Run) label() string {
	if r.Name != "" {
		return r.Name
	}
	return "a run"
}

func isTrue(v float64) bool { return v >= 0.5 } // false for NaN

// steadyUntil is the end of the longest stretch from the bin on that is steady.
func (b *bins) steadyUntil(from int, weight float64, c Craft) int {
	low, high := b.height[from], b.height[from]
	var output, pull float64
	to := from
	for ; to < b.n && b.lifting(to, c); to++ {
		low, high = math.Min(low, b.height[to]), math.Max(high, b.height[to])
		n := float64(to - from)
		// Over two seconds, none of them from before the stretch.
		u := over(b.given, max(from, to-int(2/binTime)+1), to+1)
		if high-low > steadyHeight {
			break
		}
		if n >= 2/binTime && math.Abs(u-output/n) > steadyOutput*output/n {
			// The two seconds that gave it away began before: take their tail off.
			for to > from+1 && math.Abs(b.given[to-1]-output/n) > steadyOutput/2*output/n {
				to--
			}
			break
		}
		t := b.tension[to]
		if math.IsNaN(t) {
			t = 0
		}
		if n > 0 && math.Abs(t-pull/n) > 2*steadyPull*weight {
			break
		}
		output += b.given[to]
		pull += t
	}
	return max(to, from+1)
}

// hover makes a point of the bins, or says why it cannot be one.
func (r *Run) hover(b *bins, from, to int, c Craft) (Point, string) {
	p := r.point(b, from, to)
	p.Kind = Hover
	lasted := float64(to-from) * binTime
	weight := r.Mass * Gravity
	if pull := over(b.tension, from, to); pull > slackShare*weight {
		p.Pulled = pull
		p.Kind = Pull
	}
	least := shortestHover
	if p.Kind == Pull && p.Output >= full {
		least = shortestPull
	}
	half := (from + to) / 2
	first, second := over(b.given, from, half), over(b.given, half, to)
	switch {
	case lasted < least:
		return p, fmt.Sprintf("only %.1f s", lasted)
	case math.IsNaN(p.Voltage):
		return p, "no pack voltage was told in it"
	case len(r.Climb.T) > 0 && math.Abs(over(b.climb, from, to)) > steadyClimb,
		len(r.Climb.T) == 0 && math.Abs(b.height[to-1]-b.height[from])/lasted > steadyClimb:
		return p, "it climbed or sank"
	case spread(b.given, from, to) > scattered*over(b.given, from, to):
		return p, "the outputs were not steady"
	case math.Abs(second/first-1) > drifting:
		return p, "the outputs drifted"
	}
	share := 1.0
	if p.Kind == Pull {
		scatter := math.Sqrt(over(b.tensionVariance, from, to) + spread(b.tension, from, to)*spread(b.tension, from, to))
		if scatter > steadyPull*weight {
			return p, "the tether's pull was not steady"
		}
		if slant := over(b.slant, from, to); slant > 0 {
			if share = math.Min(p.Height/slant, 1); share < steepest {
				return p, "the tether pulled sideways"
			}
			p.Unsure = 0.02 * p.Pulled / (weight + p.Pulled)
		} else {
			p.Unsure = unknownAngle * p.Pulled / (weight + p.Pulled)
		}
	} else if len(r.Tension.T) == 0 {
		// Nothing means that the tether hung: half of what would pass for slack.
		p.Unsure = slackShare / 2
		p.blind = true
	}
	p.Thrust = weight + share*p.Pulled
	if lean := over(b.tilt, from, to); lean > 0 {
		p.Thrust /= lean
	}
	if c.Width > 0 {
		// The thrust this output gives away from the ground is less by up to the
		// bound: take the middle, and count the half as a uniform distribution.
		k := groundEffect(c.Width/2, p.Height+c.RotorHeight)
		p.Thrust /= (1 + k) / 2
		p.Unsure = math.Hypot(p.Unsure, (k-1)/math.Sqrt(12))
	}
	return p, ""
}

// point is the means over a stretch.
func (r *Run) point(b *bins, from, to int) Point {
	p := Point{
		Run: r.Name, Step: r.Step, From: b.time(from), To: b.time(to), Mass: r.Mass, Motors: len(r.Outputs),
		Output: math.Sqrt(over(b.square, from, to)), Voltage: r.Voltage.within(b.time(from), b.time(to)),
		Current: known(r.Current.within(b.time(from), b.time(to))), Height: known(over(b.height, from, to)),
		Density: density(r.Air), seconds: float64(to-from) * binTime,
	}
	if b.speedSquare != nil {
		p.Speed = math.Sqrt(known(over(b.speedSquare, from, to)))
	}
	for _, m := range b.motors {
		p.Worst = math.Max(p.Worst, math.Sqrt(over(m, from, to))/p.Output)
	}
	p.Scatter = batchError(b, from, to)
	return p
}

// within is the mean of the samples that were told in that time, none held over
// from before: at full output the pack sags at once. NaN where there is none.
func (s Series) within(from, to float64) float64 {
	lo, hi := sort.SearchFloat64s(s.T, from), sort.SearchFloat64s(s.T, to)
	return over(s.V, lo, hi)
}

func known(v float64) float64 {
	if math.IsNaN(v) {
		return 0
	}
	return v
}

// batchError is the standard error of the mean of output × voltage over the
// stretch, as a share of it, from the means of five batches: neighbouring
// samples are not independent, batches of a second or more nearly are.
func batchError(b *bins, from, to int) float64 {
	const batches = 5
	if to-from < 2*batches {
		return 0
	}
	var means []float64
	for i := range batches {
		lo, hi := from+(to-from)*i/batches, from+(to-from)*(i+1)/batches
		means = append(means, over(b.given, lo, hi))
	}
	return spread(means, 0, batches) / over(means, 0, batches) / math.Sqrt(batches)
}

// attempts are the stretches at full output on the ground.
func (r *Run) attempts(b *bins) (points []Point) {
	for from := 0; from < b.n; from++ {
		to := from
		for to < b.n && b.pushing(to) {
			to++
		}
		if float64(to-from)*binTime < shortestAttempt {
			from = max(from, to)
			continue
		}
		p := r.point(b, from, to)
		p.Kind = Attempt
		if math.IsNaN(p.Voltage) {
			from = to
			continue
		}
		p.Thrust = r.Mass * Gravity
		if pull := over(b.tension, from, to); pull > 0 {
			p.Pulled = pull
			p.Thrust += pull
		}
		points = append(points, p)
		from = to
	}
	return points
}

// pushing reports whether all motors were at full output and the craft stood.
func (b *bins) pushing(k int) bool {
	if math.IsNaN(b.voltage[k]) || !math.IsNaN(b.armed[k]) && !isTrue(b.armed[k]) {
		return false
	}
	for _, m := range b.motors {
		if !(m[k] >= full*full) {
			return false
		}
	}
	if math.IsNaN(b.landed[k]) {
		return b.height[k] < onGround
	}
	// A craft that leaves the ground says so late: the height must agree.
	return !(b.height[k] >= onGround) && (isTrue(b.landed[k]) || b.height[k] < onGround)
}
