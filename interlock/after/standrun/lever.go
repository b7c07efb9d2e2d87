package standrun

import (
	"errors"
	"fmt"
	"math"

	"downhaul/rules"
)

// gravity is the standard acceleration, m/s² (ISO 80000-3): thrust and the weight that it
// lifts are reckoned with the same, so that the place's own cancels.
const gravity = 9.80665

// Lever is what makes a reading of the load cell a thrust.
type Lever struct {
	// Ratio is the thrust over the cell's reading less its zero.
	Ratio float64 `json:"thrust_over_reading"`
	// Doubt is how far Ratio may be off, as a share of it (95 %).
	Doubt float64 `json:"doubt_share"`
	Says  string  `json:"says"`
}

// mostLever bounds the ratio; beyond it a hand or a unit slipped. Ours.
const mostLever = 50.0

// byMass is the lever of a known mass that hung where the motor pulls: reading is the
// cell's less its zero, N, unsure by so much (95 %, N).
func byMass(mass, doubt, reading, unsure float64) (Lever, error) {
	weight := mass * gravity
	if reading <= 0 {
		return Lever{}, fmt.Errorf("the mass of %s pulls the cell the other way than its zero reads (%.3g N): hang it where the motor pulls, over a pulley if need be", rules.Format(mass, "kg"), reading)
	}
	l := Lever{Ratio: weight / reading, Doubt: math.Hypot(doubt/mass, unsure/reading)}
	l.Says = fmt.Sprintf("lever by a known mass: %s where the motor pulls read %.4g N, so thrust is %.4g times the reading, within %.1f %%", rules.Format(mass, "kg"), reading, l.Ratio, 100*l.Doubt)
	return l, l.check()
}

// byArms is the lever of a rocker: the motor pulls square to its arm, and the scale's line
// is off a right angle to its own by an angle. Moments balance: T·a = F·b·cos θ.
func byArms(m *Mark) (Lever, error) {
	cos := func(a float64) float64 { return math.Cos(math.Min(math.Abs(a), math.Pi/2)) }
	if cos(m.Angle) <= 0 || m.Motor <= 0 || m.Scale <= 0 {
		return Lever{}, errors.New("arms must be longer than nothing, and the scale's line not along its arm")
	}
	bent := math.Max(math.Abs(cos(m.Angle+m.AngleDoubt)-cos(m.Angle)), math.Abs(cos(m.Angle-m.AngleDoubt)-cos(m.Angle))) / cos(m.Angle)
	l := Lever{Ratio: m.Scale * cos(m.Angle) / m.Motor, Doubt: math.Sqrt(math.Pow(m.Doubt/m.Motor, 2) + math.Pow(m.Doubt/m.Scale, 2) + bent*bent)}
	l.Says = fmt.Sprintf("lever by its arms: motor at %s, scale at %s, %.3g deg off square, so thrust is %.4g times the reading, within %.1f %%; a known mass hung where the motor pulls would be surer",
		rules.Format(m.Motor, "mm"), rules.Format(m.Scale, "mm"), m.Angle*180/math.Pi, l.Ratio, 100*l.Doubt)
	return l, l.check()
}

func (l *Lever) check() error {
	if l.Ratio > mostLever || l.Ratio < 1/mostLever {
		return fmt.Errorf("thrust would be %.3g times the reading, which no lever is: look at mass, arms and units", l.Ratio)
	}
	return nil
}
