package craftmodel

import "math"

// Gravity is standard gravity in m/s² (ICAO Doc 7488; US Standard Atmosphere
// 1976).
const Gravity = 9.80665

// Constants of the US Standard Atmosphere 1976.
const (
	seaTemperature = 288.15    // K
	seaPressure    = 101325.0  // Pa
	lapse          = 0.0065    // K/m
	gasUniversal   = 8.31432   // J/(mol K)
	molarMass      = 0.0289644 // kg/mol
	earthRadius    = 6356766.0 // m
)

// Density is the density of dry air in kg/m³ at an elevation above sea level
// in metres (geometric, below 11 km) and an air temperature in °C: pressure by
// the US Standard Atmosphere 1976, then the gas law at the temperature given.
func Density(elevation, celsius float64) float64 {
	return pressure(elevation) * molarMass / (gasUniversal * (celsius + 273.15))
}

func geopotential(z float64) float64 { return earthRadius * z / (earthRadius + z) }

func pressure(elevation float64) float64 {
	ratio := 1 - lapse*geopotential(elevation)/seaTemperature
	return seaPressure * math.Pow(ratio, Gravity*molarMass/(gasUniversal*lapse))
}

// logLaw carries a wind speed from height from to height to, both in metres
// above ground, over a roughness length z0 in metres:
// U(z) = U ref · ln(z/z0)/ln(zref/z0), the neutral logarithmic profile. Below
// twice the roughness length there is no wind to speak of and it stays there.
func logLaw(speed, from, to, z0 float64) float64 {
	to = math.Max(to, 2*z0)
	return speed * math.Log(to/z0) / math.Log(from/z0)
}

// drag is F = ½ ρ v² CdA in newtons; it always acts along the relative wind.
func drag(rho, speed, cdA float64) float64 { return 0.5 * rho * speed * speed * cdA }

const foot = 0.3048 // m, exact

// Turbulence of the Dryden form at low altitude (MIL-F-8785C 3.7.3.4 and
// MIL-HDBK-1797, from memory): below 1000 ft, with h in feet from 10 ft up and
// W20 the mean wind at 20 ft,
//
//	σw = 0.1 W20,  σu = σv = σw / (0.177 + 0.000823 h)^0.4
//	Lw = h,        Lu = Lv = h / (0.177 + 0.000823 h)^1.2
func drydenSigma(height, w20 float64) (along, vertical float64) {
	h := math.Max(height/foot, 10)
	vertical = 0.1 * w20
	return vertical / math.Pow(0.177+0.000823*h, 0.4), vertical
}

func drydenLength(height float64) (along, vertical float64) {
	h := math.Max(height/foot, 10)
	return h / math.Pow(0.177+0.000823*h, 1.2) * foot, h * foot
}
