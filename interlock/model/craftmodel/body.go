package craftmodel

import "math"

// body is the craft as one rigid body: the centre of mass moves by Newton, the
// attitude turns by Euler's equations with a diagonal inertia.
type body struct {
	pos, vel vec // world
	att      quat
	rate     vec // body, rad/s
	acc      vec // world, of the last step
	feet     []vec
	stiff    float64 // N/m for each foot
	damp     float64 // N s/m for each foot
	mass     float64
	touching bool
	hardest  float64 // m/s, fastest touch-down since it was last asked for
	yawHome  float64
}

// slide is the friction coefficient of the feet on grass (order of size, no
// source).
const slide = 0.6

func newBody(c *Config) body {
	b := body{mass: c.Mass + c.Ballast, att: quat{w: 1}, touching: true}
	l := c.LegReach
	for _, p := range [...]vec{{l, l, c.LegHeight}, {l, -l, c.LegHeight}, {-l, l, c.LegHeight}, {-l, -l, c.LegHeight}} {
		b.feet = append(b.feet, p)
	}
	// Rotor axes and the top of the hub touch too, once the craft is on its
	// side or back.
	for i := range c.Motors {
		b.feet = append(b.feet, armOf(c, i))
	}
	b.feet = append(b.feet, vec{0, 0, -0.2})
	// Four feet give way 5 mm under the weight, with half of critical damping.
	b.stiff = b.mass * Gravity / (4 * 0.005)
	b.damp = math.Sqrt(b.stiff * b.mass / 4)
	b.pos = vec{0, 0, -c.LegHeight + 0.005}
	return b
}

// ground is the force and moment of the ground at depth 0 on whatever touches.
func (b *body) ground(c *Config, vel vec) (force, moment vec) {
	wasTouching := b.touching
	b.touching = false
	if -b.pos.z > c.ArmReach+c.LegHeight+0.2 {
		return vec{}, vec{}
	}
	back := b.att.inverse()
	down := back.turn(vec{0, 0, 1})
	for _, p := range b.feet {
		depth := b.pos.z + down.dot(p)
		if depth <= 0 {
			continue
		}
		v := vel.add(b.att.turn(b.rate.cross(p)))
		b.touching = true
		if !wasTouching && v.z > b.hardest {
			b.hardest = v.z
		}
		normal := math.Max(b.stiff*depth+b.damp*v.z, 0)
		f := vec{0, 0, -normal}
		// Coulomb friction, smoothed below 0.05 m/s so that rest is rest.
		if h := v.horizontal(); h > 0 {
			k := slide * normal / math.Max(h, 0.05)
			f.x, f.y = -k*v.x, -k*v.y
		}
		force = force.add(f)
		moment = moment.add(p.cross(back.turn(f)))
	}
	return force, moment
}

// move is one step of velocity Verlet (the force is asked for at the new
// place with the velocity foreseen there), which keeps free fall exact and a
// spring's energy bounded. forces gives force in the world and moment in the
// body for the present pos, and the velocity handed over.
func (b *body) move(c *Config, dt float64, forces func(vel vec) (force, moment vec)) {
	b.pos = b.pos.add(b.vel.scale(dt)).add(b.acc.scale(dt * dt / 2))
	f, m := forces(b.vel.add(b.acc.scale(dt)))
	acc := f.scale(1 / b.mass)
	b.vel = b.vel.add(b.acc.add(acc).scale(dt / 2))
	b.acc = acc

	i := vec{c.Inertia[0], c.Inertia[1], c.Inertia[2]}
	spin := b.rate.cross(vec{i.x * b.rate.x, i.y * b.rate.y, i.z * b.rate.z})
	m = m.sub(spin)
	b.rate = b.rate.add(vec{m.x / i.x, m.y / i.y, m.z / i.z}.scale(dt))
	half := b.rate.scale(dt / 2)
	b.att = b.att.times(quat{1, half.x, half.y, half.z}).normal()
}

// height of the feet above ground when the craft stands level.
func (b *body) height(c *Config) float64 { return -b.pos.z - c.LegHeight }

// armOf is where motor i sits: evenly around the mast, the first one half a
// step to the right of the nose, clockwise as seen from above.
func armOf(c *Config, i int) vec {
	a := 2 * math.Pi * (float64(i) + 0.5) / float64(c.Motors)
	s, co := math.Sincos(a)
	return vec{c.ArmReach * co, c.ArmReach * s, 0}
}
