package prove

import (
	"math"
	"time"

	"downhaul/rules"
)

// scene is what the modelled craft and pad are like at an instant: one value
// for every measured channel, SI. A NaN is "unknown": not a number in a field
// that can hold that, else the field's own word for it.
type scene struct {
	v [rules.ChannelCount]float64
	// to is where the slow channels are on their way to.
	to [rules.ChannelCount]float64
	// sway is how far the craft swings north, each second the other way.
	sway float64
	// loss is the share of frames that is lost on the way.
	loss float64
	// wholePack puts the whole pack's voltage into the first cell.
	wholePack bool
	// byVoltage takes a pack's cells from its voltage, not its voltage from the
	// lowest cell and the spread: whichever was set last.
	byVoltage [4]bool
	// ohms is the resistance of the pack that is modelled under load; with a
	// new kick it has so many hard steps of its load tell it.
	ohms  float64
	kick  uint32
	kicks int
	// climbs has the height of a message follow the climb of the same message: a climb
	// that the height does not follow is missing.
	climbs bool
	// failed own sensors cannot be read.
	failed bool

	// pace is how fast a height moves by itself, m/s.
	pace float64
	// ramp, when it runs, moves a drive at a steady rate.
	ramp     *drive
	rampFrom float64
	rampRate float64
	rampAt   time.Duration
}

// Slow channels may not jump: a height that steps by a metre is no height, and
// a delay that jumps is a frame that was overtaken.
const (
	heightJump = 0.9  // m
	heightPace = 0.45 // m/s; the climb told is none, and over 5 s it is held against the height
	lagJump    = 0.05
	lagPace    = 0.5 // s/s
)

func isHeight(id rules.ChannelID) bool {
	switch id {
	case rules.HeightGlobal, rules.HeightLocal, rules.HeightAltitude, rules.HeightClearance, rules.HeightRange:
		return true
	}
	return false
}

// put sets a measured channel; a slow one sets out for the value.
func (s *scene) put(id rules.ChannelID, x float64) {
	if id >= rules.Pack1Voltage && id <= rules.Pack4CellSpread {
		pack, what := (id-rules.Pack1Voltage)/eachPack, rules.Pack1Voltage+(id-rules.Pack1Voltage)%eachPack
		switch what {
		case rules.Pack1Voltage:
			s.byVoltage[pack] = true
		case rules.Pack1LowestCell, rules.Pack1CellSpread:
			s.byVoltage[pack] = false
		}
	}
	s.to[id] = x
	jump := math.Inf(1)
	switch {
	case isHeight(id):
		jump = heightJump
	case id == rules.LinkLag:
		jump = lagJump
	}
	if math.IsNaN(x) || math.IsNaN(s.v[id]) || math.Abs(x-s.v[id]) <= jump {
		s.v[id] = x
	}
}

// force sets a measured channel at once.
func (s *scene) force(id rules.ChannelID, x float64) { s.v[id], s.to[id] = x, x }

var slow = [...]rules.ChannelID{rules.HeightGlobal, rules.HeightLocal, rules.HeightAltitude, rules.HeightClearance, rules.HeightRange, rules.LinkLag}

// pass lets time pass for what moves by itself.
func (s *scene) pass(now, d time.Duration) {
	if s.climbs {
		s.force(rules.HeightGlobal, s.v[rules.HeightGlobal]+s.v[rules.ClimbGlobal]*d.Seconds())
		s.force(rules.HeightLocal, s.v[rules.HeightLocal]+s.v[rules.ClimbLocal]*d.Seconds())
	}
	if s.ramp != nil {
		x := s.rampFrom + s.rampRate*(now-s.rampAt).Seconds()
		s.ramp.set(s, x)
		for _, id := range slow {
			s.v[id] = s.to[id]
		}
		return
	}
	for _, id := range slow {
		pace := s.pace
		if id == rules.LinkLag {
			pace = lagPace
		}
		switch most, gap := pace*d.Seconds(), s.to[id]-s.v[id]; {
		case gap == 0 || math.IsNaN(gap):
		case math.Abs(gap) <= most:
			s.v[id] = s.to[id]
		default:
			s.v[id] += math.Copysign(most, gap)
		}
	}
}

// moving reports whether a slow channel is still on its way.
func (s *scene) moving() bool {
	for _, id := range slow {
		if s.v[id] != s.to[id] && !math.IsNaN(s.to[id]) {
			return true
		}
	}
	return false
}

// usual is a value of a measured channel on a calm day in the air. Order of
// size only: what the envelope asks for goes before it.
func usual(id rules.ChannelID) float64 {
	const each = rules.Pack2Voltage - rules.Pack1Voltage
	switch {
	case id >= rules.Motor1Output && id <= rules.Motor16Output:
		return 0.5
	case id >= rules.Motor1Speed && id <= rules.Motor16Speed:
		return 40
	case id >= rules.Pack1Voltage && id <= rules.Pack4CellSpread:
		return [...]float64{49, 20, 3600, 0.8, 25, 4.05, 0.01}[(id-rules.Pack1Voltage)%each]
	case isHeight(id):
		return 2
	}
	switch id {
	case rules.CraftArmed:
		return 1
	case rules.CraftStatus, rules.CraftMode:
		return 4
	case rules.CraftSeverity:
		return 6
	case rules.CraftUTC:
		return 1.9e9
	case rules.AltitudeSea, rules.HomeAltitude:
		return 100
	case rules.Throttle:
		return 0.5
	case rules.SupplyVoltage, rules.ESCVoltage:
		return 49
	case rules.SupplyCurrent, rules.ESCCurrent:
		return 20
	case rules.SupplyLeft:
		return 0.8
	case rules.ESCTemperature:
		return 35
	case rules.Vibration:
		return 5
	case rules.CraftWind:
		return 2
	case rules.RadioRSSI, rules.RadioRemoteRSSI:
		return 180
	case rules.HomeLatitude:
		return 0.8
	case rules.HomeLongitude:
		return 0.2
	case rules.EstimatorFlags:
		return 0x1ff // all of the first nine bits: everything is well
	case rules.Tension:
		return 50
	case rules.WindSpeed:
		return 2
	}
	return 0
}
