package card

import "math"

// oneLine is how near a motor stands to a line, as a share of its length; ours.
const oneLine = 0.02

// Arm is how far the place is from the middle, m.
func (p Place) Arm() float64 {
	return math.Sqrt(float64(p.Ahead*p.Ahead) + float64(p.Right*p.Right))
}

// HeardOutputs is how many outputs telemetry tells of: 16 of SERVO_OUTPUT_RAW
// (the open standard's common messages).
const HeardOutputs = 16

// unmeasurable says why no tilt response could be measured with these places,
// and the mend; empty when one can.
func (m *Motors) unmeasurable() (wrong, mend string) {
	if len(m.Places) < 3 {
		return "the card does not say where the motors stand", "write one [[motor]] with number, ahead, right and spin for each motor, three at the least"
	}
	for _, p := range m.Places {
		if p.Number > HeardOutputs {
			return "motor " + lineText(p.Number) + " is past output " + lineText(HeardOutputs) + ", the last that telemetry tells of",
				"mend number under [[motor]], or put the motor on a lower output"
		}
	}
	if m.inLine() {
		return "the motors stand in one line, and a lean along it cannot be told from none", "mend ahead and right under [[motor]]"
	}
	return "", ""
}

// inLine reports whether every motor stands on one line.
func (m *Motors) inLine() bool {
	if len(m.Places) == 0 {
		return true
	}
	// The longest way from the first motor to another, and how far the others
	// stand beside it.
	first := m.Places[0]
	var way Place
	for _, p := range m.Places {
		if w := (Place{Ahead: p.Ahead - first.Ahead, Right: p.Right - first.Right}); w.Arm() > way.Arm() {
			way = w
		}
	}
	beside := 0.0
	for _, p := range m.Places {
		beside = max(beside, math.Abs(float64(way.Ahead*(p.Right-first.Right))-float64(way.Right*(p.Ahead-first.Ahead))))
	}
	return beside <= float64(float64(oneLine*way.Arm())*way.Arm())
}
