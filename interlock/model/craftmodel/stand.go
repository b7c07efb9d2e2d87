package craftmodel

import "math"

// A thrust stand: one motor bolted to a lever (Config.Lever), so that nothing moves and
// the load cell reads the thrust. What the crew and bad luck do there:
const (
	// flutterLoss is the share of its thrust that a propeller loses once it flutters,
	// reached at flutterFull times the speed at which it begins; flutterShake is how far
	// the thrust shakes then, flutterHz how often (a sight that the load cell can just
	// see; order of size, no source).
	flutterLoss, flutterFull, flutterShake, flutterHz = 0.15, 1.05, 0.12, 23.0
	// giveWay is how far the voltage of a supply falls at twice its limit, as a share.
	giveWay = 0.5
)

// stand is what happens on a thrust stand.
type stand struct {
	output  float64 // share of full output that the crew sets
	hung    float64 // kg, where the motor pulls
	flutter float64 // 1/s, from which the propeller flutters; 0: never
}

// reads is what the load cell of a stand reads, N, without its noise.
func (c *Craft) reads() float64 {
	thrust := c.rotors[0].thrust
	if over := c.rotors[0].n - c.stand.flutter; c.stand.flutter > 0 && over > 0 {
		much := math.Min(1, over/(c.stand.flutter*(flutterFull-1)))
		thrust *= 1 - much*(flutterLoss-flutterShake*math.Sin(2*math.Pi*flutterHz*c.now.Seconds()))
	}
	return (thrust + c.stand.hung*Gravity) / c.cfg.Lever
}

// weak is the pack's voltage at that power where a supply with a current limit gives way:
// beyond the limit it falls as if behind a resistance of its own.
func weak(source, resistance, power, limit float64) float64 {
	v := loaded(source, resistance, power)
	if limit <= 0 || power <= v*limit {
		return v
	}
	own := giveWay * source / limit
	return loaded(source+own*limit, resistance+own, power)
}
