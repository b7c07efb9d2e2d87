package lift

import (
	"math"
	"math/rand/v2"
	"sort"

	"gonum.org/v1/gonum/stat/distuv"
)

// line is y = level + slope·(x − centre) by weighted least squares, one point a
// hover. Beyond its last point the slope is not believed whole: see drawn.at.
type line struct {
	centre, level, slope float64
	top                  float64 // largest x
	n                    int
	// levelUnsure and slopeUnsure are their standard errors, scatter that of one
	// new point.
	levelUnsure, slopeUnsure, scatter float64
	freedom                           float64
	// seen is the scatter about the line over the points' own errors, squared, and
	// factor that by which the errors above are more than the points' own.
	seen, factor float64
}

// fitLine fits at least three points that do not all share one x. own is the
// standard error of each point as far as it is known from the stretch itself.
// Where the points lie further from the line than their own errors, all errors
// grow by that factor; where they happen to lie nearer, none shrinks: three
// points on a line do not promise what they cannot.
func fitLine(x, y, own []float64) (line, bool) {
	l := line{n: len(x), freedom: float64(len(x) - 2)}
	if l.n < 3 {
		return l, false
	}
	var sum float64
	weight := make([]float64, l.n)
	for i := range x {
		weight[i] = 1 / (own[i] * own[i])
		sum += weight[i]
		l.centre += weight[i] * x[i]
		l.level += weight[i] * y[i]
		l.top = math.Max(l.top, x[i])
	}
	l.centre, l.level = l.centre/sum, l.level/sum
	var sxx, sxy float64
	for i := range x {
		sxx += weight[i] * (x[i] - l.centre) * (x[i] - l.centre)
		sxy += weight[i] * (x[i] - l.centre) * (y[i] - l.level)
	}
	if !(sxx > 0) {
		return l, false
	}
	l.slope = sxy / sxx
	var square float64
	for i := range x {
		r := y[i] - l.level - l.slope*(x[i]-l.centre)
		square += weight[i] * r * r
	}
	l.seen = square / l.freedom
	l.factor = math.Sqrt(math.Max(l.seen, 1))
	l.levelUnsure, l.slopeUnsure = l.factor/math.Sqrt(sum), l.factor/math.Sqrt(sxx)
	l.scatter = l.factor * math.Sqrt(float64(l.n)/sum)
	return l, true
}

// drawn is one line that the points allow, with the scatter of one new point.
type drawn struct {
	level, slope, beyond, centre, top float64
	// rows, where there are any, are points in ascending order of x that the line is drawn
	// through up to its top, in place of level and slope.
	rows []knot
}

// knot is a point that a line goes through.
type knot struct{ x, y float64 }

// bend bounds how fast a line may rise or fall, as d ln y/d ln x at its centre,
// by what the quantity can do at all; and says what is believed of a falling
// line beyond its last point.
type bend struct {
	low, high float64
	falls     bool
}

var (
	// Thrust goes with a power of the voltage between 1 (all of it is lost in the
	// winding) and a little over 2 (a command that begins late, at 0.1).
	driveBend = bend{low: -0.25, high: 1}
	// A thrust coefficient changes slowly: measured small propellers reach 0.2.
	thrustBend = bend{low: -0.3, high: 0.3, falls: true}
	// The electric power over T^1.5: from a constant load on top (falling) to the
	// winding's own heat alone (rising with T^½ and more).
	powerBend = bend{low: -1, high: 1}
)

// draw takes a line from what the points allow: σ² from its χ² with the
// scatter's freedom, level and slope normal about the fit given σ. Over many
// draws level and slope are Student's t, as the theory of least squares has it
// for normal errors; then the bounds of the bend. The points' own errors are a floor
// that is better known than the scatter of so few: as well as assumedFreedom points
// more would tell it.
//
// Beyond the heaviest point, the share of the slope that goes on is anything
// from none to a little more than all, seldom near either: none is the square law from
// there on, all the law of a motor whose winding takes an ever larger part of the
// voltage. Measured propellers lie between, a few on packs that weaken beyond all: of
// those the forecast promises too much. Where falling would promise more, a falling
// line is level there.
func (l line) draw(rng *rand.Rand, b bend) drawn {
	unsure := func(freedom float64) float64 {
		return math.Sqrt(freedom / distuv.ChiSquared{K: freedom, Src: rng}.Rand())
	}
	seen, own := math.Sqrt(l.seen)*unsure(l.freedom), unsure(l.freedom+assumedFreedom)
	grow := math.Max(seen, own) / l.factor
	d := drawn{centre: l.centre, top: l.top}
	d.level = l.level + grow*l.levelUnsure*rng.NormFloat64()
	slope := l.slope + grow*l.slopeUnsure*rng.NormFloat64()
	// The next hover scatters like the others.
	d.level += grow * l.scatter * rng.NormFloat64()
	d.level = math.Max(d.level, l.level/5)
	d.slope = math.Min(math.Max(slope, b.low*d.level/l.centre), b.high*d.level/l.centre)
	goesOn := d.slope
	if !b.falls {
		goesOn = math.Max(goesOn, 0)
	}
	d.beyond = goesOn * goesOnAtMost * middle(rng.Float64(), rng.Float64(), rng.Float64())
	return d
}

// middle is the second of three.
func middle(a, b, c float64) float64 { return a + b + c - min(a, b, c) - max(a, b, c) }

func (d drawn) at(x float64) float64 {
	if n := len(d.rows); n > 0 {
		i := sort.Search(n, func(i int) bool { return d.rows[i].x >= x })
		switch {
		case i == 0:
			return d.rows[0].y
		case i == n:
			return d.rows[n-1].y + d.beyond*(x-d.rows[n-1].x)
		}
		a, b := d.rows[i-1], d.rows[i]
		return a.y + (b.y-a.y)*(x-a.x)/(b.x-a.x)
	}
	if x <= d.top {
		return d.level + d.slope*(x-d.centre)
	}
	return d.level + d.slope*(d.top-d.centre) + d.beyond*(x-d.top)
}

// law is thrust against what the motors are given.
//
// For one motor, T = C·ρ·n² (propeller theory), and a motor at the mean voltage
// w = output × pack voltage turns so that w = α·n + β·ρ·n²: the back voltage and
// the drop over the winding, whose current goes with the torque. With g = √(T/ρ)
// in place of n, w/g is a straight line in ρ·g. Where the rotors' speeds are
// known, g is the speed, and T/(ρ·g²) another line in g.
//
// Power: P = T^1.5/√ρ times a factor (momentum theory: T^1.5/√(2ρA), over the
// figure of merit and the efficiency), itself a line in ρ·√(T/ρ).
type law struct {
	speeds   bool
	drive    line // w/g against ρ·g
	thrust   line // T/(ρ·g²) against g, with speeds
	power    line // P·√ρ/T^1.5 against ρ·√(T/ρ)
	heaviest float64
}

// drawnLaw is one law that the data allow, for one motor.
type drawnLaw struct {
	speeds               bool
	drive, thrust, power drawn
	// At another voltage than told the same output × voltage gives another thrust: output
	// goes as if the voltage over told counted with its power bent more. 0 does nothing.
	told, bent float64
	// installed is the thrust over that of the law at the same speed, or output and
	// voltage; the power goes with the speed. 0 counts as 1.
	// installed holds at the thrust ref, and changes by slope, d ln f/d ln T; costs is the
	// factor of the power, 0 counts as 1.
	installed, ref, slope, costs float64
}

// bare is the thrust that the law knows for an installed one.
func (d *drawnLaw) bare(thrust float64) float64 {
	switch {
	case d.installed <= 0:
		return thrust
	case d.ref <= 0 || thrust <= 0:
		return thrust / d.installed
	}
	return thrust / d.installed * math.Pow(thrust/d.ref, -d.slope)
}

func (l *law) draw(rng *rand.Rand) drawnLaw {
	d := drawnLaw{speeds: l.speeds, drive: l.drive.draw(rng, driveBend), power: l.power.draw(rng, powerBend)}
	if l.speeds {
		d.thrust = l.thrust.draw(rng, thrustBend)
	}
	return d
}

// bareVolts is that for a thrust of the law itself.
func (d *drawnLaw) bareVolts(thrust, rho float64) float64 {
	g := math.Sqrt(thrust / rho)
	if d.speeds {
		// T = ρ·g²·C(g): the coefficient moves slowly, and this settles fast.
		n := g
		for range 20 {
			n = g / math.Sqrt(math.Max(d.thrust.at(n), 1e-12))
		}
		g = n
	}
	return d.drive.at(rho*g) * g
}

// output is the output that the thrust of one motor takes at a voltage.
func (d *drawnLaw) output(thrust, rho, volts float64) float64 {
	return d.bareOutput(d.bare(thrust), rho, volts)
}

func (d *drawnLaw) bareOutput(thrust, rho, volts float64) float64 {
	u := d.bareVolts(thrust, rho) / volts
	if d.bent != 0 {
		u *= math.Pow(d.told/volts, d.bent)
	}
	return u
}

// watts is the electric power of one motor for its thrust.
func (d *drawnLaw) watts(thrust, rho float64) float64 {
	watts := d.bareWatts(d.bare(thrust), rho)
	if d.costs > 0 {
		watts *= d.costs
	}
	return watts
}

func (d *drawnLaw) bareWatts(thrust, rho float64) float64 {
	return d.power.at(math.Sqrt(thrust*rho)) * thrust * math.Sqrt(thrust/rho)
}

// newLaw fits the law to hovers and pulls. extra are full-output runs on the
// ground, whose thrust is not known but whose speed is.
func newLaw(points []Point) (*law, string) {
	var hovers, extra []Point
	speeds := true
	for _, p := range points {
		if p.Kind == Attempt {
			extra = append(extra, p)
			continue
		}
		hovers = append(hovers, p)
		speeds = speeds && p.Speed > 0
	}
	l := &law{speeds: speeds}
	for _, p := range hovers {
		if p.Thrust > l.heaviest {
			l.heaviest = p.Thrust
		}
	}
	var drive, thrust, power, driveX, thrustX, powerX, driveOwn, thrustOwn, powerOwn []float64
	for _, p := range hovers {
		far := math.Log(l.heaviest / p.Thrust)
		far *= bendShare * far
		one := p.Thrust / float64(p.Motors)
		s := math.Sqrt(one / p.Density)
		g := s
		if speeds {
			g = p.Speed
			c := one / (p.Density * g * g)
			thrustX, thrust = append(thrustX, g), append(thrust, c)
			thrustOwn = append(thrustOwn, c*math.Hypot(leastCoefficient, p.Unsure+far))
		}
		w := p.Output * p.Voltage / g
		driveX, drive = append(driveX, p.Density*g), append(drive, w)
		// Half of a share in thrust is its share in √T.
		own := math.Hypot(p.Scatter, p.Unsure/2)
		if speeds {
			own = p.Scatter
		}
		driveOwn = append(driveOwn, w*math.Hypot(leastScatter, own+far))
		if p.Current > 0 {
			powerX = append(powerX, p.Density*s)
			k := p.Voltage * p.Current / float64(p.Motors) * math.Sqrt(p.Density) / math.Pow(one, 1.5)
			power = append(power, k)
			powerOwn = append(powerOwn, k*math.Hypot(leastPower, 1.5*p.Unsure+2*far))
		}
	}
	for _, p := range extra {
		if speeds && p.Speed > 0 {
			driveX, drive = append(driveX, p.Density*p.Speed), append(drive, p.Output*p.Voltage/p.Speed)
			driveOwn = append(driveOwn, drive[len(drive)-1]*math.Hypot(2*leastScatter, p.Scatter))
		}
	}
	var ok bool
	if l.drive, ok = fitLine(driveX, drive, driveOwn); !ok {
		return nil, "too few hovers at different loads"
	}
	if speeds {
		if l.thrust, ok = fitLine(thrustX, thrust, thrustOwn); !ok {
			return nil, "too few hovers at different rotor speeds"
		}
	}
	if l.power, ok = fitLine(powerX, power, powerOwn); !ok {
		return nil, "too few hovers with a pack current"
	}
	return l, ""
}

// bendShare counts a hover far below the heaviest load as less sure: the law is
// a straight line only nearby, and measured propellers bend away from it by some
// percent at a third of the load. The share is of the value, times the square of
// the logarithm of the loads' ratio: 4 % at half the load.
//
// leastScatter is the least scatter of a hover's output × voltage that is believed, as a
// share: measured propellers lie so far beside any smooth curve.
//
// goesOnAtMost is the most of the slope that goes on beyond the heaviest load.
//
// All three are ours, taken from some 400 choices, by width, among those with which the
// steps above lay within the interval in 95 % of the cases on the measured tables and on
// those of another stand (TestForecastsOfMeasuredPropellers, TestForecastsOfAnotherStand).
const (
	bendShare    = 0.08
	leastScatter = 0.006
	goesOnAtMost = 1.1
)

// leastCoefficient and leastPower are the least scatter of a coefficient of thrust and of
// one of power. Ours.
const leastCoefficient, leastPower = 0.004, 0.006
