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

// standardPressure returns the pressure in Pa at a geometric elevation in metres by the
// standard atmosphere of ISO 2533: for a pad that has no barometer. The weather makes it
// up to some 3 % more or less (from memory).
func standardPressure(elevation float64) float64 {
	h := earthRadius * elevation / (earthRadius + elevation)
	return seaPressure * math.Pow(1-lapse*h/seaTemperature, gravity/(dry*lapse))
}

// Pressure returns the air's pressure in Pa, told or reckoned from its elevation.
func Pressure(a card.Air) float64 {
	if a.Pressure > 0 {
		return a.Pressure
	}
	return standardPressure(a.Elevation)
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

// What weather makes of the pressure at one place: 870 to 1084 hPa are on record at sea
// level (from memory), and more than usualShare over the standard is seldom.
const (
	leastShare, mostShare = 870 / 1013.25, 1084 / 1013.25
	usualShare            = 1.03
)

// Against holds the air that was told of a pad against the one told before. It returns an
// error where no weather lies between the two, and a doubt where it seldom does: most
// often a pressure that was reduced to sea level, which counts as air that is not there.
func Against(told, before card.Air) (doubt string, err error) {
	if !told.Told || !before.Told {
		return "", nil
	}
	share, least, most := Pressure(told)/Pressure(before), leastShare, mostShare
	if told.Pressure == 0 && before.Pressure == 0 {
		least, most = 1/usualShare, usualShare // two elevations: weather is in neither
	}
	hPa := func(a card.Air) string { return rules.Format(math.Round(Pressure(a)/100)*100, "hPa") }
	switch says := fmt.Sprintf("%s was declared, and the card's air has %s", hPa(told), hPa(before)); {
	case share > most || share < least:
		return "", fmt.Errorf("%s; no weather lies between: declare the pressure at the pad, not reduced to sea level, or its elevation, or mend air on the card", says)
	case share > usualShare:
		return says + ": if that was reduced to sea level, it is not the pressure at the pad, and lift errs high", nil
	}
	return "", nil
}

// Sound is the speed of sound in dry air, m/s: √(γ·R·T) (ISO 2533).
func Sound(celsius float64) float64 { return math.Sqrt(1.4 * dry * (celsius + 273.15)) }
