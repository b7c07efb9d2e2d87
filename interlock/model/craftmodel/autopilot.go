package craftmodel

import (
	"math"
	"time"
)

// Mode is what the autopilot is doing.
type Mode uint8

// The modes.
const (
	Disarmed Mode = iota
	Idle          // armed, rotors idling on the ground
	Climb         // on the way to the target
	Hover         // holding the target
	Land
)

var modeName = [...]string{"disarmed", "armed", "climb", "hover", "land"}

// String is the mode in plain words.
func (m Mode) String() string {
	if int(m) < len(modeName) {
		return modeName[m]
	}
	return "unknown mode"
}

// Numbers of ours: an autopilot that is dull on purpose. The rate loop is as
// fast as the default motor lag lets it be, and its integral carries one dead
// motor of eight; each outer loop is slower than the one inside.
const (
	idleOutput    = 0.10
	rateGain      = 8.0 // 1/s, roll and pitch
	rateGainYaw   = 2.0
	rateIntegral  = 24.0 // 1/s², carries a motor that gives too little
	angleGain     = 2.5  // 1/s
	angleGainYaw  = 0.8
	placeGain     = 0.5 // 1/s
	speedGain     = 1.2 // 1/s
	speedIntegral = 0.25
	heightGain    = 1.0 // 1/s
	climbGain     = 3.0 // 1/s
	climbIntegral = 2.0
	ClimbRate     = 0.8 // m/s, the most that a climb asks for
	sinkRate      = 0.5
	mostTilt      = 20 * math.Pi / 180
	pilotPeriod   = 4 * time.Millisecond
)

// autopilot is a cascade of proportional and integral loops: place to speed to
// tilt, height to climb to thrust, attitude to rate to moment.
type autopilot struct {
	mode      Mode
	target    float64 // m
	setpoint  float64 // m, moves towards the target
	spool     float64 // 0 to 1, how far the thrust is wound up
	lift      float64 // m/s², integral of the climb loop
	lean      [2]float64
	quiet     time.Duration // how long it has stood still in Land
	runaway   float64       // share of full thrust it goes to, 0 none
	tumble    bool
	want      quat
	thrust    float64 // N asked for
	moment    vec
	trim      vec           // rad/s², integral of the rate loop
	noPower   time.Duration // how long armed on the ground without motor power
	overTilt  time.Duration
	landedFor time.Duration
}

// estimate is what the autopilot believes: truth plus what faults put on it.
type estimate struct {
	height, climb float64
	north, east   float64
	vel           vec
}

// nominalVolts is what the autopilot takes the pack to give; the climb loop's
// integral makes up for the difference.
func (c *Config) nominalVolts() float64 { return 3.7 * float64(c.Cells) }

func (c *Config) thrustAt(output, volts float64) float64 {
	return Thrust(c.ThrustCoefficient, c.rho, c.SpeedPerVolt*output*volts, c.Diameter)
}

// fly is one turn of the autopilot: it leaves what it asks for in thrust and
// moment. down reports whether the feet are on the ground.
func (a *autopilot) fly(c *Config, b *body, e estimate, down bool, dt float64) {
	if a.mode == Disarmed || a.mode == Idle {
		a.thrust, a.moment, a.spool, a.lift, a.lean = 0, vec{}, 0, 0, [2]float64{}
		a.trim = vec{}
		a.setpoint = e.height
		return
	}
	a.fixSetpoint(e, down, dt)
	climb := clamp(heightGain*(a.setpoint-e.height), -sinkRate-0.3, ClimbRate+0.3)
	if a.mode == Climb && !down {
		climb = clamp(climb, -sinkRate, ClimbRate)
	}
	miss := climb - e.climb
	if a.spool >= 1 {
		a.lift = clamp(a.lift+climbIntegral*miss*dt, -0.9*Gravity, 1.5*Gravity)
	}
	up := Gravity + climbGain*miss + a.lift

	var ax, ay float64
	if !down && a.spool >= 1 {
		ax = a.sideways(0, -e.north, e.vel.x, dt)
		ay = a.sideways(1, -e.east, e.vel.y, dt)
		most := Gravity * math.Tan(mostTilt)
		if h := math.Hypot(ax, ay); h > most {
			ax, ay = ax*most/h, ay*most/h
		}
	}
	sy, cy := math.Sincos(b.yawHome)
	fx, fy := ax*cy+ay*sy, ay*cy-ax*sy
	pitch := -math.Atan2(fx, Gravity)
	roll := math.Atan2(fy, math.Hypot(Gravity, fx))
	a.want = fromAngles(roll, pitch, b.yawHome)

	a.thrust = c.Mass * math.Max(up, 0.2*Gravity) / math.Max(math.Cos(b.att.tilt()), 0.5) * a.spool
	if a.runaway > 0 {
		a.thrust = a.runaway * float64(c.Motors) * c.thrustAt(1, c.nominalVolts())
	}
	a.steer(c, b, down, dt)
}

// fixSetpoint moves the setpoint towards the target, no further from the craft
// than a metre, so that a craft held down does not wind it away.
func (a *autopilot) fixSetpoint(e estimate, down bool, dt float64) {
	switch a.mode {
	case Climb, Hover:
		a.spool = math.Min(a.spool+0.6*dt, 1)
		if a.spool >= 1 {
			step := clamp(a.target-a.setpoint, -sinkRate*dt, ClimbRate*dt)
			a.setpoint = clamp(a.setpoint+step, e.height-1, e.height+1)
		}
		if a.mode == Climb && math.Abs(a.target-e.height) < 0.15 && math.Abs(a.setpoint-a.target) < 0.05 {
			a.mode = Hover
		}
	case Land:
		if down {
			a.spool = math.Max(a.spool-1.2*dt, 0)
		}
		a.setpoint = math.Max(a.setpoint-sinkRate*dt, e.height-1)
	}
}

// sideways is the place loop of one axis: acceleration asked for.
func (a *autopilot) sideways(axis int, off, vel, dt float64) float64 {
	miss := clamp(placeGain*off, -1.5, 1.5) - vel
	a.lean[axis] = clamp(a.lean[axis]+speedIntegral*miss*dt, -2.5, 2.5)
	return speedGain*miss + a.lean[axis]
}

// steer turns the attitude error into moments.
func (a *autopilot) steer(c *Config, b *body, down bool, dt float64) {
	err := b.att.inverse().times(a.want)
	if err.w < 0 {
		err = quat{-err.w, -err.x, -err.y, -err.z}
	}
	rate := vec{2 * angleGain * err.x, 2 * angleGain * err.y, 2 * angleGainYaw * err.z}
	if a.tumble {
		// The sign of the roll loop is wrong: what should correct drives on.
		rate.x = -rate.x + 0.4
	}
	if down {
		rate = vec{}
	}
	miss := rate.sub(b.rate)
	if down || a.spool < 1 {
		a.trim = vec{}
	} else {
		grow := miss.scale(rateIntegral * dt)
		a.trim = vec{
			clamp(a.trim.x+grow.x, -15, 15),
			clamp(a.trim.y+grow.y, -15, 15),
			clamp(a.trim.z+grow.z/4, -1, 1),
		}
	}
	a.moment = vec{
		c.Inertia[0] * (rateGain*miss.x + a.trim.x),
		c.Inertia[1] * (rateGain*miss.y + a.trim.y),
		c.Inertia[2] * (rateGainYaw*miss.z + a.trim.z),
	}.scale(a.spool)
}

// mix shares thrust and moments over the rotors and sets their commands. Where
// a rotor would pass full output the common part gives way first: attitude is
// worth more than height.
func (a *autopilot) mix(c *Config, rotors []rotor) {
	if a.mode == Disarmed {
		for i := range rotors {
			rotors[i].output = 0
		}
		return
	}
	full := c.thrustAt(1, c.nominalVolts())
	n := float64(len(rotors))
	lever := n * c.ArmReach * c.ArmReach / 2 // Σ x² = Σ y² for an even ring
	k := c.yawArm
	yaw := clamp(a.moment.z/(n*k), -0.1*full, 0.1*full)
	var highest float64
	share := func(r *rotor) float64 {
		return (r.arm.x*a.moment.y-r.arm.y*a.moment.x)/lever + r.spin*yaw
	}
	for i := range rotors {
		highest = math.Max(highest, share(&rotors[i]))
	}
	common := clamp(a.thrust/n, 0, math.Max(full-highest, 0.3*full))
	for i := range rotors {
		t := clamp(common+share(&rotors[i]), 0, full)
		rotors[i].output = math.Max(math.Sqrt(t/full), idleOutput)
	}
}
