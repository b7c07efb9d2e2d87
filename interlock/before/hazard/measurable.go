package hazard

import (
	"fmt"
	"math"

	"downhaul/rules/card"
)

// oneLine is how near a motor stands to a line, as a share of its length; ours.
const oneLine = 0.02

// measurable refuses a tilt response that could not be measured with the motors' places.
func (l *looker) measurable() {
	for i := 0; l.Card != nil && i < len(l.Card.Steps); i++ {
		if wrong, mend := unmeasurable(&l.Card.Motors); l.Card.Steps[i].Measured && wrong != "" {
			l.card(l.Card.Steps[i].Line, "nothing can be measured: "+wrong, mend+", or take it out and tell the result by hand", "step[].measured_by")
		}
	}
}

// unmeasurable returns why no tilt response could be measured with these places, and the
// mend; empty when one can.
func unmeasurable(m *card.Motors) (wrong, mend string) {
	if len(m.Places) < 3 {
		return "the card does not say where the motors stand", "write one [[motor]] with number, ahead, right and spin for each motor, three at the least"
	}
	for _, p := range m.Places {
		if p.Number > card.HeardOutputs {
			return fmt.Sprintf("motor %d is past output %d, the last that telemetry tells of", p.Number, card.HeardOutputs),
				"mend number under [[motor]], or put the motor on a lower output"
		}
	}
	if inLine(m) {
		return "the motors stand in one line, and a lean along it cannot be told from none", "mend ahead and right under [[motor]]"
	}
	return "", ""
}

// inLine reports whether every motor stands on one line.
func inLine(m *card.Motors) bool {
	if len(m.Places) == 0 {
		return true
	}
	// The longest way from the first motor to another, and how far the others
	// stand beside it.
	first := m.Places[0]
	var way card.Place
	for _, p := range m.Places {
		if w := (card.Place{Ahead: p.Ahead - first.Ahead, Right: p.Right - first.Right}); w.Arm() > way.Arm() {
			way = w
		}
	}
	beside := 0.0
	for _, p := range m.Places {
		beside = max(beside, math.Abs(float64(way.Ahead*(p.Right-first.Right))-float64(way.Right*(p.Ahead-first.Ahead))))
	}
	return beside <= float64(float64(oneLine*way.Arm())*way.Arm())
}
