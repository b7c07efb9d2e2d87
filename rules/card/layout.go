package card

import "math"

// Arm is how far the place is from the middle, m.
func (p Place) Arm() float64 {
	return math.Sqrt(float64(p.Ahead*p.Ahead) + float64(p.Right*p.Right))
}

// HeardOutputs is how many outputs telemetry tells of: 16 of SERVO_OUTPUT_RAW
// (the open standard's common messages).
const HeardOutputs = 16
