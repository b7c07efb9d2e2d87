package air_test

import (
	"fmt"

	"downhaul/interlock/model/air"
	"downhaul/rules/card"
)

// The standard atmosphere at sea level, ISO 2533: 1.225 kg/m³ at 15 °C and 1013.25 hPa.
func ExampleDensity() {
	fmt.Printf("%.3f kg/m³\n", air.Density(card.Air{Celsius: 15, Pressure: 101325, Told: true}))
	// Output: 1.225 kg/m³
}
