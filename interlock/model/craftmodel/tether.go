package craftmodel

import "math"

// tether is a rope from the anchor to the craft that can only pull: slack
// below its length, a spring and a damper beyond it, T = k s + c ṡ, never
// below zero. k = modulus / length (the linear rope of the standard equation
// for impact force). The rope has no weight.
type tether struct {
	anchor    vec
	length    float64 // m
	stiffness float64 // N/m
	damping   float64 // N s/m
	parted    bool
	tension   float64 // N
}

// pull is the force on the craft at pos moving with vel, and keeps the tension.
func (t *tether) pull(pos, vel vec) vec {
	t.tension = 0
	if t.parted {
		return vec{}
	}
	r := pos.sub(t.anchor)
	d := r.length()
	if d <= t.length || d == 0 {
		return vec{}
	}
	out := r.scale(1 / d)
	t.tension = math.Max(t.stiffness*(d-t.length)+t.damping*vel.dot(out), 0)
	return out.scale(-t.tension)
}
