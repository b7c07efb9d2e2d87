package lift

import "math"

// Gravity is standard gravity, m/s² (3rd General Conference on Weights and
// Measures).
const Gravity = 9.80665

// Density of moist air, kg/m³, from the temperature in °C, the pressure in Pa
// and the relative humidity from 0 to 1:
// ρ = (1/T)·[B/R₀ − φ·P_w·(1/R₀ − 1/R_w)], R₀ 287.05, R_w 461.5,
// P_w = 0.0000205·exp(0.0631846·T), T in K (the form of IEC 61400-12-1, from
// memory; it gives what two anemometer certificates print).
func Density(celsius, pascal, humidity float64) float64 {
	const dry, vapour = 287.05, 461.5
	k := celsius + 273.15
	saturated := 0.0000205 * math.Exp(0.0631846*k)
	return (pascal/dry - humidity*saturated*(1/dry-1/vapour)) / k
}

// StandardPressure is that of the US Standard Atmosphere 1976 at a geometric
// elevation in metres, below 11 km: for a pad that has no barometer.
func StandardPressure(elevation float64) float64 {
	const (
		earth    = 6356766.0
		exponent = Gravity * 0.0289644 / (8.31432 * 0.0065)
	)
	h := earth * elevation / (earth + elevation)
	return 101325 * math.Pow(1-0.0065*h/288.15, exponent)
}

// unknownDensity stands in for an air of which nothing was told: the standard
// atmosphere's at sea level. It cancels as long as all runs share it.
const unknownDensity = 1.225

func (a Air) density() float64 {
	if !a.Told {
		return unknownDensity
	}
	return Density(a.Celsius, a.Pressure, a.Humidity)
}
