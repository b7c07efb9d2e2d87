package craftmodel

import (
	"fmt"
	"math"
	"time"
)

// Act is one thing that a crew, the weather or bad luck does to the craft.
type Act uint8

// The acts, with what Event's fields mean to each.
const (
	Arm           Act = iota + 1
	Disarm            // motors off at once
	ClimbTo           // Value: height in m
	Hold              // hover at the present height
	LandNow           //
	Gust              // Value: m/s added at the anemometer at the top, For: whole length
	MeanWind          // Value: m/s at the anemometer
	PowerOff          // the contactor opens
	PowerOn           // the contactor closes
	Say               // Text goes out as STATUSTEXT, Number is its severity
	Runaway           // Value: share of full thrust the autopilot goes to
	MotorLoss         // Number: motor from 1, Value: share of its thrust lost
	Tumble            // the roll loop drives the wrong way
	TelemetryOff      // For: how long; 0 for good
	TelemetryLag      // Value: s
	TelemetryDrop     // Value: share of the frames lost
	Reboot            // the autopilot restarts; For: how long it is silent
	CellSag           // Number: cell from 1, Value: V lost
	HeightDrift       // Value: m/s that the autopilot's height runs away
	HeightStep        // Value: m that the autopilot's height jumps
	PlaceDrift        // Value: m/s that the autopilot's place runs north
	HomeMove          // Value: m that home jumps up
	Estimator         // the estimator says that it is unhealthy
	Freeze            // the attitude told stays the same, bit for bit
	CupsStick         // the anemometer stands still and gives no pulse
	CellSticks        // the load cell's converter repeats its last reading
	CellOff           // Value: N that the load cell reads too much
	TetherParts
	TetherIs    // Value: m of tether that are left to run out, as by a snag or a slipped hitch
	PackSag     // Value: V that every cell loses
	OutputLimit // Value: share of full output that the controllers give at most
	HeightTurns // the height and climb that are told have the wrong sign
	OutputTo    // on a thrust stand; Value: share of full output
	Hang        // on a thrust stand; Value: kg where the motor pulls, 0 takes it off
	Flutters    // on a thrust stand; Value: rotor speed in 1/s from which the propeller flutters
	GivesWay    // Value: A from which the supply gives way
	PadAct      // Text: what happens at the pad, for who plays it; nothing to the craft
	ClearFaults // all from Runaway on end; a home that moved and what befell the tether stay
	End         // nothing happens; a scenario is over
	actCount
)

var actName = [actCount]string{
	"", "arm", "disarm", "climb", "hold", "land", "gust", "wind", "power off", "power on", "say",
	"runaway", "motor loss", "tumble", "telemetry off", "telemetry lag", "telemetry drop", "reboot",
	"cell sag", "height drift", "height step", "place drift", "home move", "estimator", "attitude freeze",
	"anemometer stop", "load cell stick", "load cell off", "tether parts", "tether length", "pack sag", "output limit",
	"height turn", "output", "hang a mass", "propeller flutter", "supply gives way", "at the pad", "clear faults", "end",
}

// String is the act in plain words.
func (a Act) String() string {
	if a > 0 && a < actCount {
		return actName[a]
	}
	return "unknown act"
}

// Event is an act at a time of the model's clock.
type Event struct {
	At     time.Duration
	Act    Act
	Value  float64
	Number int
	For    time.Duration
	Text   string
}

// check returns what is wrong with an event for this craft.
func (e Event) check(c *Config) error {
	bad := func(want string, got any) error {
		return fmt.Errorf("craft model: %s at %v: %s (got %v)", e.Act, e.At, want, got)
	}
	if e.Act == 0 || e.Act >= actCount {
		return bad("no such act", uint8(e.Act))
	}
	if e.At < 0 || e.For < 0 {
		return bad("times must be zero or more", e.For)
	}
	if math.IsNaN(e.Value) || math.IsInf(e.Value, 0) {
		return bad("value must be a number", e.Value)
	}
	switch e.Act {
	case ClimbTo:
		if e.Value <= 0 {
			return bad("height must be above zero", e.Value)
		}
	case Gust:
		if e.For <= 0 || e.Value < 0 {
			return bad("needs a speed of zero or more and a length", e.For)
		}
	case MeanWind, TelemetryLag, CellSag, PackSag:
		if e.Value < 0 {
			return bad("must be zero or more", e.Value)
		}
	case TetherIs:
		if e.Value <= 0 {
			return bad("length must be above zero", e.Value)
		}
	case OutputTo:
		if e.Value < 0 || e.Value > 1 {
			return bad("share must be from 0 to 1", e.Value)
		}
	case Hang:
		if e.Value < 0 {
			return bad("mass must be zero or more", e.Value)
		}
	case Flutters, GivesWay:
		if e.Value <= 0 {
			return bad("must be above zero", e.Value)
		}
	case Runaway, MotorLoss, TelemetryDrop, OutputLimit:
		if e.Value <= 0 || e.Value > 1 {
			return bad("share must be above 0 and at most 1", e.Value)
		}
	case Say:
		if len(e.Text) == 0 || len(e.Text) > 50 {
			return bad("text must have 1 to 50 bytes", len(e.Text))
		}
		if e.Number < 0 || e.Number > 7 {
			return bad("severity must be 0 to 7", e.Number)
		}
	}
	if e.Act == MotorLoss && (e.Number < 1 || e.Number > c.Motors) {
		return bad(fmt.Sprintf("motor must be 1 to %d", c.Motors), e.Number)
	}
	if (e.Act == OutputTo || e.Act == Hang || e.Act == Flutters) && c.Lever == 0 {
		return bad("only a motor on a thrust stand has it", e.Act)
	}
	if e.Act == CellSag && (e.Number < 1 || e.Number > c.Cells) {
		return bad(fmt.Sprintf("cell must be 1 to %d", c.Cells), e.Number)
	}
	return nil
}

// Do makes an event happen now, whatever its At says.
func (c *Craft) Do(e Event) error {
	if err := e.check(&c.cfg); err != nil {
		return err
	}
	switch e.Act {
	case Arm, Disarm, ClimbTo, Hold, LandNow:
		c.order(e)
	case Gust:
		c.wind.gusts = append(c.wind.gusts, gust{start: c.now, length: e.For, peak: e.Value})
	case MeanWind:
		c.wind.mean = e.Value
	case OutputTo:
		c.stand.output = e.Value
	case Hang:
		c.stand.hung = e.Value
	case PowerOff:
		c.cutAt = c.now
	case PowerOn:
		c.powered, c.cutAt = true, never
	case Say:
		c.say(uint8(e.Number), e.Text)
	case ClearFaults:
		c.clearFaults()
	case End, PadAct:
	default:
		c.fault(e)
	}
	return nil
}

// Severities of STATUSTEXT (RFC 5424).
const (
	sevCritical = 2
	sevWarning  = 4
	sevInfo     = 6
)

// order is what the crew asks of the autopilot; it may refuse, and says so.
func (c *Craft) order(e Event) {
	p := &c.pilot
	if c.booting() {
		return // nobody is at home to hear it
	}
	switch e.Act {
	case Arm:
		if p.mode != Disarmed {
			return
		}
		p.mode, p.tumble = Idle, false
		c.body.yawHome = c.yaw()
		c.say(sevInfo, "armed")
	case Disarm:
		c.disarm("disarmed")
	case ClimbTo:
		if p.mode == Disarmed {
			c.say(sevWarning, "climb refused: not armed")
			return
		}
		if !c.powered {
			c.say(sevWarning, "climb refused: no motor power")
			return
		}
		if p.mode == Idle {
			p.setpoint = c.believed().height
		}
		p.target, p.mode = e.Value, Climb
		c.say(sevInfo, fmt.Sprintf("climb to %.1f m", e.Value))
	case Hold:
		if p.mode == Climb || p.mode == Land {
			p.target, p.mode = c.believed().height, Hover
			p.setpoint = p.target
			c.say(sevInfo, "holding")
		}
	case LandNow:
		if p.mode == Climb || p.mode == Hover {
			p.mode = Land
			p.setpoint = c.believed().height
			c.say(sevInfo, "landing")
		}
	}
}

func (c *Craft) disarm(why string) {
	if c.pilot.mode == Disarmed {
		return
	}
	c.pilot = autopilot{runaway: c.pilot.runaway, tumble: c.pilot.tumble}
	c.say(sevInfo, why)
}

func (c *Craft) fault(e Event) {
	switch e.Act {
	case Runaway:
		c.pilot.runaway = e.Value
	case MotorLoss:
		r := &c.rotors[e.Number-1]
		r.health = 1 - e.Value
		r.dead = e.Value == 1
	case Tumble:
		c.pilot.tumble = true
	case TelemetryOff:
		c.silentUntil = never
		if e.For > 0 {
			c.silentUntil = c.now + e.For
		}
	case TelemetryLag:
		c.lag = time.Duration(e.Value * float64(time.Second))
	case TelemetryDrop:
		c.drop = e.Value
	case Reboot:
		c.reboot(e.For)
	case CellSag:
		c.pack.sagGoal[e.Number-1] = e.Value
	case HeightDrift:
		c.heightDrift = e.Value
	case HeightStep:
		c.heightOff += e.Value
	case PlaceDrift:
		c.placeDrift = e.Value
	case HomeMove:
		c.homeUp += e.Value
	case Estimator:
		c.unsure = true
	case Freeze:
		roll, pitch, yaw := c.body.att.angles()
		c.frozen = &[3]float64{roll, pitch, yaw}
	case CupsStick:
		c.cupsStuck = true
	case CellSticks:
		c.cellStuck = true
	case CellOff:
		c.cellOff = e.Value
	case TetherParts:
		c.tether.parted = true
	case TetherIs:
		c.tether.length, c.tether.stiffness = e.Value, c.cfg.TetherModulus/e.Value
	case PackSag:
		for i := range c.pack.sagGoal {
			c.pack.sagGoal[i] = e.Value
		}
	case OutputLimit:
		c.outputMost = e.Value
	case HeightTurns:
		c.heightTurned = true
	case Flutters:
		c.stand.flutter = e.Value
	case GivesWay:
		c.pack.limit = e.Value
	}
}

func (c *Craft) clearFaults() {
	c.pilot.runaway, c.pilot.tumble = 0, false
	for i := range c.rotors {
		c.rotors[i].health, c.rotors[i].dead = 1, false
	}
	c.silentUntil, c.lag, c.drop = 0, 0, 0
	for i := range c.pack.sagGoal {
		c.pack.sagGoal[i] = 0
	}
	c.heightDrift, c.heightOff, c.placeDrift, c.placeOff, c.unsure = 0, 0, 0, 0, false
	c.frozen, c.cupsStuck, c.cellStuck, c.cellOff = nil, false, false, 0
	c.outputMost, c.heightTurned = 1, false
	c.stand.flutter, c.pack.limit = 0, 0
}

// bootTime is how long a restart takes when the event names no time.
const bootTime = 4 * time.Second

func (c *Craft) reboot(silent time.Duration) {
	if silent == 0 {
		silent = bootTime
	}
	c.pilot = autopilot{}
	c.bootedAt = c.now
	c.hello = c.now + silent
	c.seq = 0
	c.heightOff, c.placeOff, c.homeUp = 0, 0, 0
}

func (c *Craft) booting() bool { return c.now < c.hello }
