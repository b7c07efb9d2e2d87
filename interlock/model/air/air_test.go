package air

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"downhaul/rules/card"
)

// The standard atmosphere by geometric height as published (engineeringtoolbox.com,
// international standard atmosphere): temperature in K, pressure in bar, density over
// that at sea level.
func TestStandardAtmosphereOfThePublishedTable(t *testing.T) {
	for _, c := range []struct{ height, kelvin, bar, share float64 }{
		{0, 288.15, 1.01325, 1}, {500, 284.9, 0.9546, 0.9529}, {1000, 281.7, 0.8988, 0.9075}, {1500, 278.4, 0.8456, 0.8638},
		{2000, 275.2, 0.7950, 0.8217}, {2500, 271.9, 0.7469, 0.7812}, {3000, 268.7, 0.7012, 0.7423},
	} {
		p := standardPressure(c.height)
		if math.Abs(p-c.bar*1e5) > 6 {
			t.Errorf("%g m: %.1f Pa, published %g bar", c.height, p, c.bar)
		}
		rho := Density(card.Air{Celsius: c.kelvin - 273.15, Pressure: p, Told: true})
		if got := rho / 1.225; math.Abs(got-c.share) > 0.0002 {
			t.Errorf("%g m: density %.4f of sea level's, published %.4f", c.height, got, c.share)
		}
	}
	// In feet and slug/ft³, another published table (the same site, in US units).
	for _, c := range []struct{ feet, fahrenheit, slug float64 }{{0, 59, 23.77e-4}, {5000, 41.17, 20.48e-4}} {
		a, err := card.ParseAir(fmt.Sprintf("%g °F, %g ft", c.fahrenheit, c.feet))
		if err != nil {
			t.Fatal(err)
		}
		if want := c.slug * 515.378818; math.Abs(Density(a)/want-1) > 0.0005 {
			t.Errorf("%g ft: %.4f kg/m³, published %.4f", c.feet, Density(a), want)
		}
	}
}

// Reckoned dry, the density errs high: two certificates of cup anemometers print it for
// damp air (Otech, 29 March 2010, units 179500149067 and 179500149082), some 0.4 % less.
func TestDryDensityErrsHigh(t *testing.T) {
	for _, c := range []struct{ celsius, pascal, printed float64 }{{23.9, 101411, 1.1844}, {24.1, 101162, 1.1800}} {
		dry := Density(card.Air{Celsius: c.celsius, Pressure: c.pascal, Told: true})
		if over := dry/c.printed - 1; over < 0.003 || over > 0.006 {
			t.Errorf("dry %.4f, printed %.4f: %.2f %% over", dry, c.printed, 100*over)
		}
	}
	// At the most: saturated vapour at 30 °C has 4247 Pa and 0.622 of dry air's density
	// (steam tables, from memory).
	if share := 0.378 * 4247 / 101325; share > 0.016 || share < 0.015 {
		t.Errorf("saturated air at 30 °C is %.2f %% lighter", 100*share)
	}
}

// A pressure that is told reduced to sea level, as forecasts and aerodromes tell it, is
// too high for a pad on a hill, and would count as so much lift. Standard pressures as the
// ICAO atmosphere has them: 977.73 hPa at 300 m, 954.61 at 500, 898.76 at 1000, 701.2 at
// 3000. Weather: from 870 to 1084 hPa at sea level are the extremes on record (from memory).
func TestAirThatCannotBeOfThisPad(t *testing.T) {
	for _, c := range []struct{ before, told, says string }{
		{"20 °C, 1000 m", "22 °C, 1013 hPa", "refused"}, {"20 °C, 3000 m", "22 °C, 1000 hPa", "refused"}, {"20 °C, 700 hPa", "22 °C, 1000 hPa", "refused"},
		{"20 °C, 300 m", "22 °C, 820 hPa", "refused"}, {"20 °C, 300 m", "22 °C, 1500 m", "refused"}, {"20 °C, 990 hPa", "22 °C, 1500 m", "refused"},
		{"20 °C, 500 m", "22 °C, 1013 hPa", "doubted"}, {"20 °C, 300 m", "22 °C, 1013 hPa", "doubted"},
		{"20 °C, 0 m", "22 °C, 980 hPa", ""}, {"20 °C, 300 m", "22 °C, 960 hPa", ""}, {"20 °C, 1000 m", "35 °C, 890 hPa", ""}, {"20 °C, 985 hPa", "-5 °C, 1002 hPa", ""}, {"20 °C, 3000 m", "22 °C, 704 hPa", ""},
	} {
		before, err := card.ParseAir(c.before)
		told, wrong := card.ParseAir(c.told)
		if err != nil || wrong != nil {
			t.Fatal(err, wrong)
		}
		doubt, err := Against(told, before)
		got := ""
		switch {
		case err != nil && strings.Contains(err.Error(), "not reduced to sea level"):
			got = "refused"
		case strings.Contains(doubt, "reduced to sea level"):
			got = "doubted"
		case err != nil || doubt != "":
			got = "other words"
		}
		if got != c.says {
			t.Errorf("%s after %s: want %q, got %v, %q", c.told, c.before, c.says, err, doubt)
		}
	}
	if doubt, err := Against(card.Air{Celsius: 20, Pressure: 101325, Told: true}, card.Air{}); doubt != "" || err != nil {
		t.Errorf("against nothing told: %q, %v", doubt, err)
	}
}

// The speed of sound at 15 °C is 340.294 m/s, at 0 °C 331.3 m/s (ISO 2533, table 1).
func TestSpeedOfSound(t *testing.T) {
	if a, b := Sound(15), Sound(0); math.Abs(a-340.294) > 0.001 || math.Abs(b-331.3) > 0.05 {
		t.Errorf("%v, %v", a, b)
	}
}
