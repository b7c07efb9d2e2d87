package derived

import "math"

// The elementary functions below give the same bits on every architecture:
// only +, −, ×, ÷ and square root, each rounded once, every product rounded
// before it meets a sum. Package math's own may take an assembler or a fused
// path, which differs between architectures.
//
// Coefficients: sine, cosine and arctangent from the Cephes mathematical
// library, release 2.8 (sin.c, atan.c); logarithm and exponential from the C
// library fdlibm 5.3 (e_log.c, e_exp.c). Both are free to use.

// sinCos gives sine and cosine of x radians, within 2 ulp of the true value or
// 2e-16 absolute near their zeros, for |x| up to 1e5. NaN for NaN, for infinities
// and beyond 1e9, where the reduction has no meaning left.
func sinCos(x float64) (sin, cos float64) {
	octant, z, ok := reduce(math.Abs(x))
	if !ok {
		return notANumber(), notANumber()
	}
	sin, cos = sineSeries(z), cosineSeries(z)
	switch octant {
	case 2:
		sin, cos = cos, -sin
	case 4:
		sin, cos = -sin, -cos
	case 6:
		sin, cos = -cos, sin
	}
	if x < 0 {
		sin = -sin
	}
	return sin, cos
}

// reduce takes an even number of octants off x ≥ 0, leaving |z| ≤ π/4, and
// returns it modulo 8. The first two parts
// of π/4 are short enough that their products with the count are exact.
func reduce(x float64) (octant int, z float64, ok bool) {
	const (
		partA = 7.85398125648498535156e-1
		partB = 3.77489470793079817668e-8
		partC = 2.69515142907905952645e-15
		limit = 1e9
	)
	if !(x < limit) {
		return 0, 0, false
	}
	n := int64(float64(x * (4 / math.Pi)))
	n += n & 1
	y := float64(n)
	z = ((x - float64(y*partA)) - float64(y*partB)) - float64(y*partC)
	return int(n & 7), z, true
}

func sineSeries(z float64) float64 {
	q := float64(z * z)
	p := 1.58962301576546568060e-10
	p = float64(p*q) - 2.50507477628578072866e-8
	p = float64(p*q) + 2.75573136213857245213e-6
	p = float64(p*q) - 1.98412698295895385996e-4
	p = float64(p*q) + 8.33333333332211858878e-3
	p = float64(p*q) - 1.66666666666666307295e-1
	return z + float64(float64(z*q)*p)
}

func cosineSeries(z float64) float64 {
	q := float64(z * z)
	p := -1.13585365213876817300e-11
	p = float64(p*q) + 2.08757008419747316778e-9
	p = float64(p*q) - 2.75573141792967388112e-7
	p = float64(p*q) + 2.48015872888517045348e-5
	p = float64(p*q) - 1.38888888888730564116e-3
	p = float64(p*q) + 4.16666666666665929218e-2
	return 1 - float64(0.5*q) + float64(float64(q*q)*p)
}

// atan is the arctangent of x in radians, within 2 ulp; ±π/2 for infinities.
func atan(x float64) float64 {
	const (
		tan3Pi8  = 2.41421356237309504880
		straight = 0.66 // below it the series needs no reduction
	)
	a := math.Abs(x)
	var y float64
	switch {
	case a <= straight:
		y = arcSeries(a)
	case a > tan3Pi8:
		y = math.Pi/2 - arcSeries(1/a)
	default:
		y = math.Pi/4 + arcSeries((a-1)/(a+1))
	}
	if x < 0 {
		return -y
	}
	return y
}

func arcSeries(x float64) float64 {
	z := float64(x * x)
	p := -8.750608600031904122785e-01
	p = float64(p*z) - 1.615753718733365076637e+01
	p = float64(p*z) - 7.500855792314704667340e+01
	p = float64(p*z) - 1.228866684490136173410e+02
	p = float64(p*z) - 6.485021904942025371773e+01
	q := z + 2.485846490142306297962e+01
	q = float64(q*z) + 1.650270098316988542046e+02
	q = float64(q*z) + 4.328810604912902668951e+02
	q = float64(q*z) + 4.853903996359136964868e+02
	q = float64(q*z) + 1.945506571482613964425e+02
	return x + float64(x*(float64(z*p)/q))
}

// atan2 is the angle in radians, −π to π, of the point (x, y) seen from the
// origin, counted from the x axis, within 2 ulp; 0 at the origin itself,
// π for every zero y left of it.
func atan2(y, x float64) float64 {
	if math.IsNaN(x) || math.IsNaN(y) {
		return notANumber()
	}
	if math.IsInf(x, 0) && math.IsInf(y, 0) {
		// All that is left of the ratio is its sign.
		x, y = signOf(x), signOf(y)
	}
	switch {
	case y == 0 && x < 0:
		return math.Pi
	case y == 0:
		return 0
	case x == 0 && y > 0:
		return math.Pi / 2
	case x == 0:
		return -math.Pi / 2
	}
	a := atan(y / x)
	if x < 0 {
		if y > 0 {
			return a + math.Pi
		}
		return a - math.Pi
	}
	return a
}

func notANumber() float64 { return math.Float64frombits(0x7FF8000000000001) }

func signOf(x float64) float64 {
	if x < 0 {
		return -1
	}
	return 1
}

// ln 2 in two parts; the first is short, so that its product with a small whole
// number is exact.
const (
	ln2High = 6.93147180369123816490e-01
	ln2Low  = 1.90821492927058770002e-10
)

// ln is the natural logarithm of x, within 1 ulp: −Inf at 0, NaN below it.
func ln(x float64) float64 {
	switch {
	case math.IsNaN(x) || math.IsInf(x, 1):
		return x
	case x < 0:
		return notANumber()
	case x == 0:
		return math.Inf(-1)
	}
	f, n := math.Frexp(x)
	if f < math.Sqrt2/2 {
		f = float64(f * 2)
		n--
	}
	f--
	k := float64(n)
	s := f / (2 + f)
	s2 := float64(s * s)
	s4 := float64(s2 * s2)
	odd := float64(s4*1.479819860511658591e-01) + 1.818357216161805012e-01
	odd = float64(s4*odd) + 2.857142874366239149e-01
	odd = float64(s4*odd) + 6.666666666666735130e-01
	even := float64(s4*1.531383769920937332e-01) + 2.222219843214978396e-01
	even = float64(s4*even) + 3.999999999940941908e-01
	r := float64(s2*odd) + float64(s4*even)
	half := float64(float64(0.5*f) * f)
	return float64(k*ln2High) - ((half - (float64(s*(half+r)) + float64(k*ln2Low))) - f)
}

// exp is e to the power x, within 1 ulp where the result is a normal number:
// +Inf above 709.78, 0 below −745.13.
func exp(x float64) float64 {
	const (
		most  = 7.09782712893383973096e+02
		least = -7.45133219101941108420e+02
	)
	switch {
	case math.IsNaN(x):
		return x
	case x > most:
		return math.Inf(1)
	case x < least:
		return 0
	}
	k := 0
	if x < 0 {
		k = int(float64(x/math.Ln2) - 0.5)
	} else {
		k = int(float64(x/math.Ln2) + 0.5)
	}
	high := x - float64(float64(k)*ln2High)
	low := float64(float64(k) * ln2Low)
	r := high - low
	t := float64(r * r)
	p := 4.13813679705723846039e-08
	p = float64(p*t) - 1.65339022054652515390e-06
	p = float64(p*t) + 6.61375632143793436117e-05
	p = float64(p*t) - 2.77777777770155933842e-03
	p = float64(p*t) + 1.66666666666666657415e-01
	c := r - float64(t*p)
	y := 1 - ((low - float64(r*c)/(2-c)) - high)
	return math.Ldexp(y, k)
}
