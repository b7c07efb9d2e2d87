package prove

import (
	"bytes"
	"fmt"
	"math"
	"time"

	"github.com/bluenviron/gomavlib/v3/pkg/dialect"
	"github.com/bluenviron/gomavlib/v3/pkg/dialects/common"
	"github.com/bluenviron/gomavlib/v3/pkg/frame"
	"github.com/bluenviron/gomavlib/v3/pkg/message"

	"downhaul/rules"
)

// encoder turns messages into bytes with the library's own tables.
type encoder struct {
	table  *dialect.ReadWriter
	buf    bytes.Buffer
	writer *frame.Writer
}

func newEncoder() (*encoder, error) {
	e := &encoder{table: &dialect.ReadWriter{Dialect: common.Dialect}}
	if err := e.table.Initialize(); err != nil {
		return nil, fmt.Errorf("prove: the MAVLink definitions: %w", err)
	}
	e.writer = &frame.Writer{ByteWriter: &e.buf}
	if err := e.writer.Initialize(); err != nil {
		return nil, fmt.Errorf("prove: %w", err)
	}
	return e, nil
}

// frame is one frame on the wire; the bytes are valid until the next call.
func (e *encoder) frame(m message.Message, system, component, seq uint8) []byte {
	table := e.table.GetMessage(m.GetID())
	f := &frame.V2Frame{SequenceNumber: seq, SystemID: system, ComponentID: component, Message: table.Write(m, true)}
	f.Checksum = f.GenerateChecksum(table.CRCExtra())
	e.buf.Reset()
	if err := e.writer.Write(f); err != nil {
		panic("prove: " + err.Error()) // memory: only a payload that is too long fails, and none is
	}
	return e.buf.Bytes()
}

// Whole numbers of fields, held inside the field. An unknown value becomes the
// number that the standard gives it, where it has one.
func i16(x float64, unknown int16) int16 {
	if math.IsNaN(x) {
		return unknown
	}
	return int16(math.Max(-32768, math.Min(32767, math.Round(x))))
}

func u16(x float64, unknown uint16) uint16 {
	if math.IsNaN(x) {
		return unknown
	}
	return uint16(math.Max(0, math.Min(65535, math.Round(x))))
}

func i32(x float64) int32 {
	if math.IsNaN(x) {
		return -1
	}
	return int32(math.Max(-1<<31, math.Min(1<<31-1, math.Round(x))))
}

func u32(x float64) uint32 {
	if math.IsNaN(x) {
		return 0
	}
	return uint32(math.Max(0, math.Min(math.MaxUint32, math.Round(x))))
}

func u8(x float64, unknown uint8) uint8 {
	if math.IsNaN(x) {
		return unknown
	}
	return uint8(math.Max(0, math.Min(255, math.Round(x))))
}

// source is one thing that tells of the scene again and again: a message of
// the craft, the pins, the anemometer, the load cell.
type source struct {
	kind   sourceKind
	make   func(r *rig, s *scene) message.Message
	feeds  []rules.ChannelID
	period time.Duration
	// boot reports whether the message carries the craft's boot clock.
	boot bool
}

type sourceKind uint8

const (
	craftFrame sourceKind = iota
	pinLevels
	windPulses
	cellCounts
)

func span(from, to rules.ChannelID) []rules.ChannelID {
	var out []rules.ChannelID
	for id := from; id <= to; id++ {
		out = append(out, id)
	}
	return out
}

// told lists the messages of the open standard that this proof can send, with
// the channels that each tells.
func (p *plan) told() []source {
	list := []source{
		{feeds: []rules.ChannelID{rules.CraftArmed, rules.CraftStatus, rules.CraftMode}, make: func(_ *rig, s *scene) message.Message {
			m := &common.MessageHeartbeat{Autopilot: common.MAV_AUTOPILOT_GENERIC, SystemStatus: common.MAV_STATE(u8(s.v[rules.CraftStatus], 0)), MavlinkVersion: 3, CustomMode: u32(s.v[rules.CraftMode])}
			if s.v[rules.CraftArmed] != 0 {
				m.BaseMode = common.MAV_MODE_FLAG_SAFETY_ARMED
			}
			return m
		}},
		{feeds: []rules.ChannelID{rules.CraftLanded}, make: func(_ *rig, s *scene) message.Message {
			m := &common.MessageExtendedSysState{LandedState: common.MAV_LANDED_STATE_IN_AIR}
			switch v := s.v[rules.CraftLanded]; {
			case math.IsNaN(v):
				m.LandedState = common.MAV_LANDED_STATE_UNDEFINED
			case v != 0:
				m.LandedState = common.MAV_LANDED_STATE_ON_GROUND
			}
			return m
		}},
		{feeds: []rules.ChannelID{rules.CraftSeverity}, make: func(_ *rig, s *scene) message.Message {
			return &common.MessageStatustext{Severity: common.MAV_SEVERITY(u8(s.v[rules.CraftSeverity], 0)), Text: "proof test"}
		}},
		{boot: true, feeds: []rules.ChannelID{rules.CraftUTC, rules.CraftBootClock, rules.LinkLag, rules.LinkLoss}, make: func(r *rig, s *scene) message.Message {
			m := &common.MessageSystemTime{TimeBootMs: r.bootMillis(s)}
			if v := s.v[rules.CraftUTC]; v > 0 {
				m.TimeUnixUsec = uint64(v * 1e6)
			}
			return m
		}},
		{boot: true, feeds: span(rules.Roll, rules.YawRate), make: func(r *rig, s *scene) message.Message {
			return &common.MessageAttitude{TimeBootMs: r.bootMillis(s),
				Roll: r.f32(s, rules.Roll), Pitch: r.f32(s, rules.Pitch), Yaw: r.f32(s, rules.Yaw),
				Rollspeed: r.f32(s, rules.RollRate), Pitchspeed: r.f32(s, rules.PitchRate), Yawspeed: r.f32(s, rules.YawRate)}
		}},
		{boot: true, feeds: []rules.ChannelID{rules.HeightGlobal, rules.ClimbGlobal}, make: func(r *rig, s *scene) message.Message {
			return &common.MessageGlobalPositionInt{TimeBootMs: r.bootMillis(s), Lat: 450000000, Lon: 110000000,
				RelativeAlt: i32(1000 * r.at(s, rules.HeightGlobal)), Vz: i16(-100*r.at(s, rules.ClimbGlobal), 0), Hdg: 65535}
		}},
		{boot: true, feeds: []rules.ChannelID{rules.HeightLocal, rules.ClimbLocal, rules.North, rules.East}, make: func(r *rig, s *scene) message.Message {
			north := r.at(s, rules.North)
			if int(r.now/time.Second)%2 == 1 {
				north += s.sway
			}
			return &common.MessageLocalPositionNed{TimeBootMs: r.bootMillis(s), X: float32(north), Y: r.f32(s, rules.East),
				Z: -r.f32(s, rules.HeightLocal), Vz: -r.f32(s, rules.ClimbLocal)}
		}},
		{feeds: []rules.ChannelID{rules.HeightAltitude, rules.HeightClearance}, make: func(r *rig, s *scene) message.Message {
			return &common.MessageAltitude{TimeUsec: r.bootMicros(s), AltitudeRelative: r.f32(s, rules.HeightAltitude), BottomClearance: r.f32(s, rules.HeightClearance)}
		}},
		{feeds: []rules.ChannelID{rules.ClimbHUD, rules.AltitudeSea, rules.Throttle}, make: func(r *rig, s *scene) message.Message {
			return &common.MessageVfrHud{Climb: r.f32(s, rules.ClimbHUD), Alt: r.f32(s, rules.AltitudeSea), Throttle: u16(100*r.at(s, rules.Throttle), 65535)}
		}},
		{boot: true, feeds: []rules.ChannelID{rules.HeightRange}, make: func(r *rig, s *scene) message.Message {
			m := &common.MessageDistanceSensor{TimeBootMs: r.bootMillis(s), MinDistance: 0, MaxDistance: 60000, Orientation: common.MAV_SENSOR_ROTATION_PITCH_270,
				CurrentDistance: u16(100*r.at(s, rules.HeightRange), 0)}
			if math.IsNaN(s.v[rules.HeightRange]) {
				m.SignalQuality = 1
			}
			return m
		}},
		{feeds: []rules.ChannelID{rules.HomeLatitude, rules.HomeLongitude, rules.HomeAltitude}, make: func(_ *rig, s *scene) message.Message {
			const degE7 = math.Pi / 180 / 1e7
			return &common.MessageHomePosition{Latitude: i32(s.v[rules.HomeLatitude] / degE7), Longitude: i32(s.v[rules.HomeLongitude] / degE7),
				Altitude: i32(1000 * s.v[rules.HomeAltitude])}
		}},
		{feeds: []rules.ChannelID{rules.EstimatorFlags}, make: func(r *rig, s *scene) message.Message {
			return &common.MessageEstimatorStatus{TimeUsec: r.bootMicros(s), Flags: common.ESTIMATOR_STATUS_FLAGS(u16(s.v[rules.EstimatorFlags], 0))}
		}},
		{feeds: []rules.ChannelID{rules.Vibration, rules.Clipping}, make: func(r *rig, s *scene) message.Message {
			return &common.MessageVibration{TimeUsec: r.bootMicros(s), VibrationX: r.f32(s, rules.Vibration), Clipping_0: uint32(math.Max(0, math.Min(4e9, s.v[rules.Clipping])))}
		}},
		{feeds: []rules.ChannelID{rules.CraftWind}, make: func(r *rig, s *scene) message.Message {
			return &common.MessageWindCov{TimeUsec: r.bootMicros(s), WindX: r.f32(s, rules.CraftWind)}
		}},
		{feeds: []rules.ChannelID{rules.RadioRSSI, rules.RadioRemoteRSSI, rules.RadioErrors}, make: func(_ *rig, s *scene) message.Message {
			return &common.MessageRadioStatus{Rssi: u8(s.v[rules.RadioRSSI], 255), Remrssi: u8(s.v[rules.RadioRemoteRSSI], 255), Rxerrors: u16(s.v[rules.RadioErrors], 0)}
		}},
		{feeds: []rules.ChannelID{rules.WinchTension, rules.WinchLine, rules.WinchSpeed}, make: func(r *rig, s *scene) message.Message {
			tension := r.at(s, rules.WinchTension)
			if p.setup.Intake.Fields.TensionFromWinch {
				tension = r.at(s, rules.Tension)
			}
			return &common.MessageWinchStatus{TimeUsec: r.bootMicros(s), Status: common.MAV_WINCH_STATUS_HEALTHY,
				Tension: float32(tension / kilogramForce), LineLength: r.f32(s, rules.WinchLine), Speed: r.f32(s, rules.WinchSpeed)}
		}},
	}
	if p.setup.Intake.Fields.TensionFromWinch {
		w := &list[len(list)-1]
		w.feeds = append(w.feeds, rules.Tension)
	}
	list = append(list, p.power()...)
	return append(list, p.rotors()...)
}

// kilogramForce is the weight of one kilogram, N (exact).
const kilogramForce = 9.80665
