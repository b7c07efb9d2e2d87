package card_test

import (
	"fmt"

	"downhaul/rules/card"
)

// The air is told as temperature with a pressure at the pad, or with an elevation.
func ExampleParseAir() {
	a, err := card.ParseAir("20 °C, 985 hPa")
	fmt.Println(a.Celsius, a.Pressure, err)
	// Output: 20 98500 <nil>
}
