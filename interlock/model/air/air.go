// Package air reckons the density of the air at the pad, by which thrust at one output
// goes. It reads no clock and no file, and the guard needs nothing of it.
package air

import (
	"fmt"
	"math"

	"downhaul/rules"
	"downhaul/rules/card"
)

// Constants of the standard atmosphere of ISO 2533 (ICAO Doc 7488 has the same),
// below 11 km of geopotential height.
const (
	seaTemperature = 288.15    // K
	seaPressure    = 101325.0  // Pa
	lapse          = 0.0065    // K/m
	dry            = 287.05287 // J/(kg·K)
	gravity        = 9.80665   // m/s²
	earthRadius    = 6356766.0 // m
)

// Sea is the standard atmosphere's density at sea level, kg/m³.
const Sea = 1.225

// StandardPressure returns the pressure in Pa at a geometric elevation in metres by the
// standard atmosphere of ISO 2533: for a pad that has no barometer. The weather makes it
// up to some 3 % more or less (from memory).
func StandardPressure(elevation float64) float64 {
	h := earthRadius * elevation / (earthRadius + elevation)
	return seaPressure * math.Pow(1-lapse*h/seaTemperature, gravity/(dry*lapse))
}

// Pressure returns the air's pressure in Pa, told or reckoned from its elevation.
func Pressure(a card.Air) float64 {
	if a.Pressure > 0 {
		return a.Pressure
	}
	return StandardPressure(a.Elevation)
}

// Density returns the air's density in kg/m³, reckoned dry: ρ = p/(R·T) of ISO 2533.
// Humidity is left out, which errs high: damp air is lighter, saturated air at 30 °C by
// 1.6 %.
func Density(a card.Air) float64 { return Pressure(a) / (dry * (a.Celsius + 273.15)) }

// Says returns the air for people, in the units of the system.
func Says(a card.Air, units string) string {
	return fmt.Sprintf("%s and %s, reckoned dry %.1f %% as dense as standard air at sea level", rules.Format(math.Round(a.Celsius*10)/10, rules.DefaultUnit(rules.Temperature, units)),
		rules.Format(math.Round(Pressure(a)/100)*100, "hPa"), 100*Density(a)/Sea)
}
