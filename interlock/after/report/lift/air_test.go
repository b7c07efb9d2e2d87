package lift

import (
	"math"
	"testing"
)

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s: got %v, want %v within %v", what, got, want, within)
	}
}

// The air density that two calibration certificates of cup anemometers print
// beside temperature, pressure and humidity (Otech, 29 March 2010, units
// 179500149067 and 179500149082). Dry air would be 0.4 % off.
func TestDensityOfMoistAir(t *testing.T) {
	near(t, "first certificate", Density(23.9, 101411, 0.401), 1.1844, 0.0003)
	near(t, "second certificate", Density(24.1, 101162, 0.432), 1.1800, 0.0003)
	if dry := Density(23.9, 101411, 0); math.Abs(dry-1.1844) < 0.003 {
		t.Errorf("dry air gives %v, which the certificate could not tell apart", dry)
	}
}

// The US Standard Atmosphere 1976 by geometric height: pressure in bar as
// published (engineeringtoolbox.com, international standard atmosphere).
func TestStandardPressure(t *testing.T) {
	for _, c := range []struct{ height, bar, share float64 }{
		{0, 1.01325, 1}, {500, 0.9546, 0.9529}, {1000, 0.8988, 0.9075}, {2000, 0.7950, 0.8217}, {3000, 0.7012, 0.7423},
	} {
		p := StandardPressure(c.height)
		near(t, "pressure", p, c.bar*1e5, 6)
		k := 288.15 - 0.0065*6356766*c.height/(6356766+c.height)
		near(t, "density ratio", Density(k-273.15, p, 0)/Density(15, 101325, 0), c.share, 0.0002)
	}
}

func TestUnknownAirIsTakenAsTheSame(t *testing.T) {
	near(t, "not told", Air{Celsius: 35, Pressure: 90000}.density(), 1.225, 0)
	near(t, "told", Air{Celsius: 15, Pressure: 101325, Told: true}.density(), 1.225, 0.001)
}
