package craftmodel

import (
	"fmt"
	"math"
	"math/rand/v2"
	"time"
)

const never = time.Duration(math.MaxInt64)

// Craft is one simulated craft on its pad. It is not safe for use by several
// goroutines.
type Craft struct {
	cfg    Config
	now    time.Duration
	rest   time.Duration // asked for by Step but shorter than a tick
	next   int           // next of cfg.Events
	body   body
	rotors []rotor
	pack   pack
	wind   wind
	tether tether
	stand  stand
	pilot  autopilot

	powered bool          // contactor closed
	cutAt   time.Duration // when it opens

	bootedAt time.Duration // may be negative: it ran before time zero
	hello    time.Duration // silent until then after a restart

	silentUntil time.Duration
	lag         time.Duration
	drop        float64
	heightDrift float64
	heightOff   float64
	placeDrift  float64
	placeOff    float64
	homeUp      float64
	unsure      bool
	frozen      *[3]float64 // roll, pitch, yaw that are told for good
	hands       *hands
	cupsStuck   bool
	cellStuck   bool
	cellOff     float64 // N
	outputMost  float64 // share of full output
	// heightTurned reports whether the height told has the wrong sign.
	heightTurned bool
	clipping     uint32

	sensors *rand.Rand // the pad's own sensors
	air     *rand.Rand // the craft's own sensors and its link
	cell    float64    // N, last conversion of the load cell
	loads   []Load
	pulses  []time.Duration
	phase   float64 // of the anemometer, in pulses
	link    link
	seq     byte
	out     []Datagram
}

// Load is one reading of the load cell at the anchor.
type Load struct {
	At     time.Duration
	Newton float64
}

// Our own sensors' rates and the most that is kept when nobody reads.
const (
	loadPeriod = 12500 * time.Microsecond // 80 conversions a second
	keepMost   = 1 << 14
)

// New makes a craft standing disarmed over its anchor at time zero. It refuses
// a Config that makes no sense and names every fault of it.
func New(cfg Config) (*Craft, error) {
	if err := cfg.check(); err != nil {
		return nil, err
	}
	cfg.Events = append([]Event(nil), cfg.Events...)
	cfg.settle()
	stream := func(n uint64) *rand.Rand { return rand.New(rand.NewPCG(cfg.Seed, n)) }
	c := &Craft{
		cfg: cfg, body: newBody(&cfg), pack: newPack(&cfg, stream(1)), wind: newWind(&cfg, stream(2)),
		powered: !cfg.Unpowered, cutAt: never, outputMost: 1, bootedAt: -cfg.Uptime,
		sensors: stream(3), air: stream(4),
	}
	c.rotors = make([]rotor, cfg.Motors)
	for i := range c.rotors {
		c.rotors[i] = rotor{arm: armOf(&cfg, i), health: 1}
		if cfg.Motors%2 == 0 {
			c.rotors[i].spin = float64(1 - 2*(i%2))
		} // of an odd number a rudder or a servo takes the moment that is left, at every output
	}
	c.tether = tether{parted: cfg.TetherLength == 0, length: cfg.TetherLength, damping: cfg.TetherDamping}
	if cfg.TetherLength > 0 {
		c.tether.stiffness = cfg.TetherModulus / cfg.TetherLength
	}
	if err := c.link.open(&c.cfg); err != nil {
		return nil, fmt.Errorf("craft model: %w", err)
	}
	return c, nil
}

// Now is the model's clock.
func (c *Craft) Now() time.Duration { return c.now }

// Step moves the craft on by dt.
func (c *Craft) Step(dt time.Duration) { c.Advance(c.now + c.rest + dt) }

// Advance moves the craft on to a time of the model's clock. The model moves
// in whole milliseconds; what is left over is carried on. Going back does
// nothing.
func (c *Craft) Advance(to time.Duration) {
	for c.now+tickTime <= to {
		c.tick()
	}
	c.rest = max(to-c.now, 0)
}

// SetPower closes or opens the contactor now. Autopilot, telemetry and pack monitor stay
// powered.
func (c *Craft) SetPower(on bool) {
	if on {
		c.powered, c.cutAt = true, never
	} else if c.powered {
		c.cutAt = c.now
	}
}

func (c *Craft) tick() {
	for c.next < len(c.cfg.Events) && c.cfg.Events[c.next].At <= c.now {
		// Do cannot fail: New has checked every event.
		_ = c.Do(c.cfg.Events[c.next])
		c.next++
	}
	if c.cutAt <= c.now {
		c.powered, c.cutAt = false, never
	}
	dt := tickTime.Seconds()
	c.inHands(dt)
	c.heightOff += c.heightDrift * dt
	c.placeOff += c.placeDrift * dt
	if !c.booting() && c.now%pilotPeriod == 0 {
		c.pilot.fly(&c.cfg, &c.body, c.believed(), c.body.touching, pilotPeriod.Seconds())
		c.pilot.mix(&c.cfg, c.rotors)
		c.watch(pilotPeriod)
	} else if c.booting() {
		c.pilot.mix(&c.cfg, c.rotors)
	}
	if c.cfg.Lever > 0 && c.pilot.mode != Disarmed {
		c.rotors[0].output = c.stand.output
	}
	power := c.cfg.Avionics
	for i := range c.rotors {
		r := &c.rotors[i]
		r.output = math.Min(r.output, c.outputMost)
		r.step(&c.cfg, c.pack.voltage, c.powered)
		if c.powered && r.output > 0 && !r.dead {
			power += r.power(&c.cfg)
		}
	}
	c.pack.step(&c.cfg, power, dt)
	c.now += tickTime
	c.wind.step(c.now, dt)
	if c.hands == nil && c.cfg.Lever == 0 {
		c.body.move(&c.cfg, dt, c.forces)
	}
	c.ownSensors(dt)
	c.report()
}

// forces is all that pulls at the craft in its present place.
func (c *Craft) forces(vel vec) (force, moment vec) {
	b := &c.body
	var lift float64
	for i := range c.rotors {
		r := &c.rotors[i]
		lift += r.thrust
		// A force (0, 0, −T) at (x, y, 0), and the rotor's own drag about the mast.
		moment = moment.add(vec{-r.arm.y * r.thrust, r.arm.x * r.thrust, r.spin * c.cfg.yawArm * r.thrust})
	}
	force = b.att.turn(vec{0, 0, -lift})
	force.z += b.mass * Gravity
	air := c.wind.at(-b.pos.z).sub(vel)
	if v := air.length(); v > 0 {
		force = force.add(air.scale(drag(c.cfg.rho, v, c.cfg.DragArea) / v))
	}
	force = force.add(c.tether.pull(b.pos, vel))
	f, m := b.ground(&c.cfg, vel)
	return force.add(f), moment.add(m)
}

// believed is where the autopilot takes itself to be. Its climb comes from the
// accelerometers and does not follow a drift of its height.
func (c *Craft) believed() estimate {
	b := &c.body
	return estimate{
		height: b.height(&c.cfg) + c.heightOff, climb: -b.vel.z,
		north: b.pos.x + c.placeOff, east: b.pos.y, vel: b.vel,
	}
}

// told is where the craft takes itself to be, as it tells.
func (c *Craft) told() estimate {
	e := c.believed()
	if c.heightTurned {
		e.height, e.climb = -e.height, -e.climb
	}
	return e
}

func (c *Craft) yaw() float64 {
	_, _, y := c.body.att.angles()
	return y
}

// watch is the part of the autopilot that notices being down, out of power or
// on its side.
func (c *Craft) watch(dt time.Duration) {
	p := &c.pilot
	count := func(d *time.Duration, on bool) time.Duration {
		if !on {
			*d = 0
		} else {
			*d += dt
		}
		return *d
	}
	down := c.body.touching
	// Landed: feet down and no more thrust than a fifth of the weight.
	count(&p.landedFor, down && p.thrust < 0.2*c.cfg.Mass*Gravity)
	if p.mode == Land && count(&p.quiet, down && p.spool == 0) >= time.Second {
		c.disarm("landed, disarmed")
		return
	}
	flying := p.mode == Climb || p.mode == Hover || p.mode == Land
	if count(&p.noPower, flying && down && !c.powered) >= 2*time.Second {
		c.disarm("no motor power, disarmed")
		return
	}
	if count(&p.overTilt, p.mode != Disarmed && down && c.body.att.tilt() > math.Pi/3) >= time.Second {
		c.say(sevCritical, "lying on its side")
		c.disarm("disarmed")
	}
}

// landed returns what EXTENDED_SYS_STATE will: on the ground, and meaning to stay.
func (c *Craft) landed() bool {
	p := &c.pilot
	return c.body.touching && (p.mode == Disarmed || p.mode == Idle || p.landedFor >= 500*time.Millisecond)
}

// ownSensors steps what the pad itself measures.
func (c *Craft) ownSensors(dt float64) {
	if c.now%loadPeriod < tickTime {
		if !c.cellStuck {
			pull := c.tether.tension
			if c.cfg.Lever > 0 {
				pull = c.reads()
			}
			c.cell = pull + c.cellOff + c.cfg.LoadCellNoise*c.sensors.NormFloat64()
		}
		if len(c.loads) >= keepMost {
			c.loads = append(c.loads[:0], c.loads[keepMost/2:]...)
		}
		c.loads = append(c.loads, Load{At: c.now, Newton: c.cell})
	}
	c.phase += c.PulseHz() * dt
	if c.phase >= 1 {
		c.phase -= math.Floor(c.phase)
		if len(c.pulses) >= keepMost {
			c.pulses = append(c.pulses[:0], c.pulses[keepMost/2:]...)
		}
		// The pulse fell inside this tick; how far back follows from the phase.
		back := time.Duration(c.phase / c.PulseHz() * float64(time.Second))
		c.pulses = append(c.pulses, c.now-min(back, tickTime))
	}
}
