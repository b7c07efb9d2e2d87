package craftmodel

import (
	"math"

	"github.com/bluenviron/gomavlib/v3/pkg/dialects/common"
)

// Noise of the craft's own sensors, one standard deviation (order of size of
// good hobby parts, no source).
const (
	noiseAngle  = 0.0008 // rad
	noiseRate   = 0.002  // rad/s
	noiseHeight = 0.015  // m
	noiseBaro   = 0.25   // m, VFR_HUD.alt
	noiseClimb  = 0.02   // m/s
	noisePlace  = 0.02   // m
)

func (c *Craft) bootMillis() uint32 { return uint32(c.sinceBoot().Milliseconds()) }
func (c *Craft) bootMicros() uint64 { return uint64(c.sinceBoot().Microseconds()) }

func (c *Craft) sendHeartbeat() {
	m := &common.MessageHeartbeat{
		Type: c.airframe(), Autopilot: common.MAV_AUTOPILOT_GENERIC,
		BaseMode:       common.MAV_MODE_FLAG_CUSTOM_MODE_ENABLED | common.MAV_MODE_FLAG_STABILIZE_ENABLED,
		CustomMode:     uint32(c.pilot.mode),
		SystemStatus:   common.MAV_STATE_STANDBY,
		MavlinkVersion: 3,
	}
	switch p := &c.pilot; {
	case p.mode == Disarmed:
	default:
		m.BaseMode |= common.MAV_MODE_FLAG_SAFETY_ARMED
		if p.mode != Idle {
			m.BaseMode |= common.MAV_MODE_FLAG_GUIDED_ENABLED
			m.SystemStatus = common.MAV_STATE_ACTIVE
		}
		if c.body.att.tilt() > math.Pi/3 {
			m.SystemStatus = common.MAV_STATE_CRITICAL
		}
	}
	c.emit(m)
}

func (c *Craft) airframe() common.MAV_TYPE {
	switch c.cfg.Motors {
	case 3:
		return common.MAV_TYPE_TRICOPTER
	case 4:
		return common.MAV_TYPE_QUADROTOR
	case 6:
		return common.MAV_TYPE_HEXAROTOR
	case 8:
		return common.MAV_TYPE_OCTOROTOR
	case 10:
		return common.MAV_TYPE_DECAROTOR
	case 12:
		return common.MAV_TYPE_DODECAROTOR
	}
	return common.MAV_TYPE_GENERIC_MULTIROTOR
}

func (c *Craft) remaining() int8 { return int8(math.Round(100 * c.pack.charge)) }

func (c *Craft) sendSysStatus() {
	const fitted = common.MAV_SYS_STATUS_SENSOR_3D_GYRO | common.MAV_SYS_STATUS_SENSOR_3D_ACCEL |
		common.MAV_SYS_STATUS_SENSOR_3D_MAG | common.MAV_SYS_STATUS_SENSOR_ABSOLUTE_PRESSURE |
		common.MAV_SYS_STATUS_SENSOR_GPS | common.MAV_SYS_STATUS_SENSOR_MOTOR_OUTPUTS |
		common.MAV_SYS_STATUS_SENSOR_BATTERY
	c.emit(&common.MessageSysStatus{
		OnboardControlSensorsPresent: fitted, OnboardControlSensorsEnabled: fitted,
		OnboardControlSensorsHealth: fitted,
		Load:                        uint16(c.near(310, 6)),
		VoltageBattery:              uint16(math.Min(math.Round(1000*c.pack.voltage), 65534)),
		CurrentBattery:              short(100 * c.near(c.pack.current, 0.05)),
		BatteryRemaining:            c.remaining(),
	})
}

func (c *Craft) sendSystemTime() {
	c.emit(&common.MessageSystemTime{TimeUnixUsec: uint64(c.unixMicros()), TimeBootMs: c.bootMillis()})
}

func (c *Craft) sendAttitude() {
	roll, pitch, yaw := c.body.att.angles()
	r := c.body.rate
	if f := c.frozen; f != nil {
		c.emit(&common.MessageAttitude{
			TimeBootMs: c.bootMillis(), Roll: float32(f[0]), Pitch: float32(f[1]), Yaw: float32(f[2]),
		})
		return
	}
	c.emit(&common.MessageAttitude{
		TimeBootMs: c.bootMillis(),
		Roll:       float32(clamp(c.near(roll, noiseAngle), -math.Pi, math.Pi)),
		Pitch:      float32(clamp(c.near(pitch, noiseAngle), -math.Pi/2, math.Pi/2)),
		Yaw:        float32(clamp(c.near(yaw, noiseAngle), -math.Pi, math.Pi)),
		Rollspeed:  float32(c.near(r.x, noiseRate)), Pitchspeed: float32(c.near(r.y, noiseRate)),
		Yawspeed: float32(c.near(r.z, noiseRate)),
	})
}

func (c *Craft) sendLocalPosition() {
	e := c.told()
	c.emit(&common.MessageLocalPositionNed{
		TimeBootMs: c.bootMillis(),
		X:          float32(c.near(e.north, noisePlace)), Y: float32(c.near(e.east, noisePlace)),
		Z:  float32(-c.near(e.height, noiseHeight)),
		Vx: float32(c.near(e.vel.x, noiseClimb)), Vy: float32(c.near(e.vel.y, noiseClimb)),
		Vz: float32(c.near(-e.climb, noiseClimb)),
	})
}

// degreeLength is the length of one degree of latitude in metres on a sphere
// of the standard atmosphere's radius; a pad is small enough for it.
const degreeLength = earthRadius * math.Pi / 180

func (c *Craft) degrees(north, east float64) (lat, lon int32) {
	la := c.cfg.Latitude + north/degreeLength
	lo := c.cfg.Longitude + east/(degreeLength*math.Cos(c.cfg.Latitude*math.Pi/180))
	return int32(math.Round(1e7 * la)), int32(math.Round(1e7 * lo))
}

func (c *Craft) heading() float64 {
	h := c.yaw() * 180 / math.Pi
	if h < 0 {
		h += 360
	}
	return h
}

func (c *Craft) sendGlobalPosition() {
	e := c.told()
	h := c.near(e.height, noiseHeight)
	lat, lon := c.degrees(c.near(e.north, noisePlace), c.near(e.east, noisePlace))
	c.emit(&common.MessageGlobalPositionInt{
		TimeBootMs: c.bootMillis(), Lat: lat, Lon: lon,
		Alt:         int32(math.Round(1000 * (c.cfg.Elevation + h))),
		RelativeAlt: int32(math.Round(1000 * (h - c.homeUp))),
		Vx:          short(100 * c.near(e.vel.x, noiseClimb)), Vy: short(100 * c.near(e.vel.y, noiseClimb)),
		Vz:  short(100 * c.near(-e.climb, noiseClimb)),
		Hdg: uint16(math.Mod(math.Round(100*c.heading()), 36000)),
	})
}

func (c *Craft) sendHUD() {
	e := c.told()
	var mean float64
	for i := range c.rotors {
		mean += c.rotors[i].output / float64(len(c.rotors))
	}
	ground := c.body.vel.horizontal()
	c.emit(&common.MessageVfrHud{
		Airspeed: 0, Groundspeed: float32(ground),
		Heading: int16(math.Mod(math.Round(c.heading()), 360)), Throttle: uint16(math.Round(100 * mean)),
		Alt:   float32(c.near(c.cfg.Elevation+e.height, noiseBaro)),
		Climb: float32(c.near(e.climb, noiseClimb)),
	})
}

// sendOutputs sends the motor commands as pulse lengths: 1000 µs is off, 2000
// full. Outputs that drive no motor stay 0, which means unused.
func (c *Craft) sendOutputs() {
	m := &common.MessageServoOutputRaw{TimeUsec: uint32(c.sinceBoot().Microseconds())}
	raw := [...]*uint16{
		&m.Servo1Raw, &m.Servo2Raw, &m.Servo3Raw, &m.Servo4Raw, &m.Servo5Raw, &m.Servo6Raw,
		&m.Servo7Raw, &m.Servo8Raw, &m.Servo9Raw, &m.Servo10Raw, &m.Servo11Raw, &m.Servo12Raw,
		&m.Servo13Raw, &m.Servo14Raw, &m.Servo15Raw, &m.Servo16Raw,
	}
	for i := range c.rotors {
		*raw[i] = uint16(1000 + math.Round(1000*c.rotors[i].output))
	}
	c.emit(m)
}

func (c *Craft) sendLanded() {
	m := &common.MessageExtendedSysState{LandedState: common.MAV_LANDED_STATE_IN_AIR}
	switch {
	case c.landed():
		m.LandedState = common.MAV_LANDED_STATE_ON_GROUND
	case c.pilot.mode == Climb && c.told().height < 0.5:
		m.LandedState = common.MAV_LANDED_STATE_TAKEOFF
	case c.pilot.mode == Land:
		m.LandedState = common.MAV_LANDED_STATE_LANDING
	}
	c.emit(m)
}

func (c *Craft) sendEstimator() {
	m := &common.MessageEstimatorStatus{
		TimeUsec: c.bootMicros(),
		Flags: common.ESTIMATOR_ATTITUDE | common.ESTIMATOR_VELOCITY_HORIZ | common.ESTIMATOR_VELOCITY_VERT |
			common.ESTIMATOR_POS_HORIZ_REL | common.ESTIMATOR_POS_HORIZ_ABS | common.ESTIMATOR_POS_VERT_ABS |
			common.ESTIMATOR_POS_VERT_AGL | common.ESTIMATOR_PRED_POS_HORIZ_REL | common.ESTIMATOR_PRED_POS_HORIZ_ABS,
		VelRatio:         float32(math.Abs(c.near(0.08, 0.02))),
		PosHorizRatio:    float32(math.Abs(c.near(0.06, 0.02))),
		PosVertRatio:     float32(math.Abs(c.near(0.05, 0.02))),
		MagRatio:         float32(math.Abs(c.near(0.1, 0.02))),
		HaglRatio:        float32(math.NaN()),
		TasRatio:         float32(math.NaN()),
		PosHorizAccuracy: 0.3, PosVertAccuracy: 0.4,
	}
	if c.unsure {
		m.Flags &^= common.ESTIMATOR_POS_VERT_ABS | common.ESTIMATOR_POS_VERT_AGL | common.ESTIMATOR_VELOCITY_VERT
		m.Flags |= common.ESTIMATOR_ACCEL_ERROR
		m.PosVertRatio, m.VelRatio = 1.8, 1.4
	}
	c.emit(m)
}

func (c *Craft) sendHome() {
	lat, lon := c.degrees(0, 0)
	nan := float32(math.NaN())
	c.emit(&common.MessageHomePosition{
		Latitude: lat, Longitude: lon, Altitude: int32(math.Round(1000 * (c.cfg.Elevation + c.homeUp))),
		Z: float32(-c.homeUp), Q: [4]float32{nan, nan, nan, nan},
		ApproachX: nan, ApproachY: nan, ApproachZ: nan,
		TimeUsec: c.bootMicros(),
	})
}
