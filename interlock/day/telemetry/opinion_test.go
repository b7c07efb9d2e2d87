package telemetry

import (
	"fmt"
	"math"
	"slices"
	"testing"

	"github.com/bluenviron/gomavlib/v3/pkg/dialects/common"
	"github.com/bluenviron/gomavlib/v3/pkg/message"
	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"downhaul/interlock"
	"downhaul/interlock/day/telemetry/names"
	"downhaul/rules"
)

// The second opinion: what the table makes of a frame, written out by hand for
// the message as the library decodes it.

// expected collects samples by channel.
type expected map[rules.ChannelID]interlock.Sample

func (e expected) missing(ch rules.ChannelID, why rules.Cause) {
	e[ch] = interlock.Sample{Channel: ch, Cause: why}
}

// value is a Good sample unless the channel cannot have the value. Bounds that
// are angles are met by the nearest 32-bit number as well.
func (e expected) value(ch rules.ChannelID, v float64) {
	row := ch.Channel()
	if row.Kind == rules.Angle && float32(v) == float32(row.High) && v > row.High {
		v = row.High
	}
	if row.Kind == rules.Angle && float32(v) == float32(row.Low) && v < row.Low {
		v = row.Low
	}
	switch {
	case v != v || v-v != 0:
		e.missing(ch, rules.NotANumber)
	case v < row.Low || v > row.High:
		e.missing(ch, rules.Implausible)
	default:
		e[ch] = interlock.Sample{Channel: ch, Quality: rules.Good, Value: v + 0}
	}
}

// unless is value, but missing with cause Sentinel if unknown.
func (e expected) unless(unknown bool, ch rules.ChannelID, v float64) {
	if unknown {
		e.missing(ch, rules.Sentinel)
		return
	}
	e.value(ch, v)
}

func (e expected) doubt(ch rules.ChannelID, why rules.Cause) {
	if s := e[ch]; s.Quality == rules.Good {
		s.Quality, s.Cause = rules.Doubtful, why
		e[ch] = s
	}
}

func (e expected) current(ch rules.ChannelID, raw int16) {
	v := float64(raw) / 100
	e.unless(raw == -1, ch, v)
	if raw < -1 && v < ch.Channel().Low {
		e.missing(ch, rules.OutOfRange)
	}
	if raw < -1 || raw == 32767 {
		e.doubt(ch, rules.OutOfRange)
	}
}

func (e expected) battery(m *common.MessageBatteryStatus, v2 bool, declared int) {
	if m.Id > 3 {
		return
	}
	at := rules.ChannelID(m.Id) * (rules.Pack2Voltage - rules.Pack1Voltage)
	if m.Id > 0 {
		declared = 0
	}
	e.current(rules.Pack1Current+at, m.CurrentBattery)
	e.unless(m.CurrentConsumed == -1, rules.Pack1Charge+at, float64(m.CurrentConsumed)*18/5)
	e.unless(m.BatteryRemaining == -1, rules.Pack1Left+at, float64(m.BatteryRemaining)/100)
	e.unless(m.Temperature == 32767, rules.Pack1Temperature+at, float64(m.Temperature)/100)

	if m.Id == 0 && m.BatteryFunction > common.MAV_BATTERY_FUNCTION_PROPULSION { // it drives no motor
		for ch := rules.Pack1Voltage; ch < rules.Pack1Voltage+rules.PerPack; ch++ {
			e.missing(ch, rules.Disagreement)
		}
		return
	}
	all := append([]uint16(nil), m.Voltages[:]...)
	for _, v := range m.VoltagesExt {
		if v == 0 || !v2 {
			v = 65535
		}
		all = append(all, v)
	}
	var filled []uint16
	gap := false
	for i, v := range all {
		if v != 65535 {
			gap = gap || len(filled) != i
			filled = append(filled, v)
		}
	}
	sum := 0.0
	for _, v := range filled {
		sum += float64(v)
	}
	volts, lowest, spread := rules.Pack1Voltage+at, rules.Pack1LowestCell+at, rules.Pack1CellSpread+at
	switch {
	case len(filled) == 0:
		for _, ch := range []rules.ChannelID{volts, lowest, spread} {
			e.missing(ch, rules.Sentinel)
		}
	case slices.Max(filled) > 4500, len(filled) == 1 && !gap && declared != 1:
		e.value(volts, sum/1000)
		e.missing(lowest, rules.WholePack)
		e.missing(spread, rules.WholePack)
	case gap, declared > 0 && declared != len(filled):
		for _, ch := range []rules.ChannelID{volts, lowest, spread} {
			e.missing(ch, rules.Disagreement)
		}
	default:
		e.value(volts, sum/1000)
		e.value(lowest, float64(slices.Min(filled))/1000)
		if e[lowest].Quality == rules.Missing {
			e.missing(spread, rules.Implausible)
		} else {
			e.value(spread, float64(slices.Max(filled)-slices.Min(filled))/1000)
		}
	}
}

func (e expected) outputs(m *common.MessageServoOutputRaw, v2 bool) {
	raw := []uint16{m.Servo1Raw, m.Servo2Raw, m.Servo3Raw, m.Servo4Raw, m.Servo5Raw, m.Servo6Raw, m.Servo7Raw, m.Servo8Raw,
		m.Servo9Raw, m.Servo10Raw, m.Servo11Raw, m.Servo12Raw, m.Servo13Raw, m.Servo14Raw, m.Servo15Raw, m.Servo16Raw}
	for i, w := range raw {
		ch := rules.Motor1Output + rules.ChannelID(i)
		v := (float64(w) - 1000) / 1000
		if i == 2 { // motor 3 of the test's pad
			v = (float64(w) - 1900) / (1100 - 1900)
		}
		switch {
		case m.Port == 0 && i < 8:
			e.unless(w == 0, ch, v)
		case m.Port == 0 && v2 && w != 0:
			e.value(ch, v)
		case m.Port == 1 && i < 8:
			e.unless(w == 0, ch+8, (float64(w)-1000)/1000)
		}
	}
}

func (e expected) controllers(m *common.MessageEscStatus) {
	if m.Index > 12 || m.Index%4 != 0 {
		return
	}
	least, sum := math.Inf(1), 0.0
	for k := range 4 {
		e.value(rules.Motor1Speed+rules.ChannelID(m.Index)+rules.ChannelID(k), float64(m.Rpm[k])/60)
		sum += float64(m.Current[k])
		if v := float64(m.Voltage[k]); v != 0 {
			least = math.Min(least, v)
		}
	}
	e.unless(m.Voltage == [4]float32{}, rules.ESCVoltage, least)
	e.value(rules.ESCCurrent, sum)
}

func (e expected) controllerInfo(m *common.MessageEscInfo) {
	if m.Index > 12 || m.Index%4 != 0 {
		return
	}
	hot, flags, fitted, known := -1e9, uint16(0), false, false
	for k := range 4 {
		if int(m.Index)+k >= int(m.Count) {
			break
		}
		fitted = true
		flags |= uint16(m.FailureFlags[k])
		if m.Temperature[k] != 32767 {
			known, hot = true, math.Max(hot, float64(m.Temperature[k])/100)
		}
	}
	e.unless(!known, rules.ESCTemperature, hot)
	e.unless(!fitted, rules.ESCFailures, float64(flags))
}

// opinion is every sample that the frame should give.
func opinion(msg message.Message, v2 bool) expected {
	e := expected{}
	switch m := msg.(type) {
	case *common.MessageHeartbeat:
		e.value(rules.CraftArmed, float64(m.BaseMode>>7&1))
		e.value(rules.CraftStatus, float64(m.SystemStatus))
		e.value(rules.CraftMode, float64(m.CustomMode))
	case *common.MessageSysStatus:
		e.unless(m.VoltageBattery == 65535, rules.SupplyVoltage, float64(m.VoltageBattery)/1000)
		e.current(rules.SupplyCurrent, m.CurrentBattery)
		e.unless(m.BatteryRemaining == -1, rules.SupplyLeft, float64(m.BatteryRemaining)/100)
	case *common.MessageSystemTime:
		e.value(rules.CraftBootClock, float64(m.TimeBootMs)/1000)
		e.unless(m.TimeUnixUsec == 0, rules.CraftUTC, float64(m.TimeUnixUsec)/1e6)
	case *common.MessageAttitude:
		e.value(rules.CraftBootClock, float64(m.TimeBootMs)/1000)
		e.value(rules.Roll, float64(m.Roll))
		e.value(rules.Pitch, float64(m.Pitch))
		e.value(rules.Yaw, float64(m.Yaw))
		e.value(rules.RollRate, float64(m.Rollspeed))
		e.value(rules.PitchRate, float64(m.Pitchspeed))
		e.value(rules.YawRate, float64(m.Yawspeed))
	case *common.MessageLocalPositionNed:
		e.value(rules.CraftBootClock, float64(m.TimeBootMs)/1000)
		e.value(rules.North, float64(m.X))
		e.value(rules.East, float64(m.Y))
		e.value(rules.HeightLocal, 0-float64(m.Z))
		e.value(rules.ClimbLocal, 0-float64(m.Vz))
	case *common.MessageGlobalPositionInt:
		e.value(rules.CraftBootClock, float64(m.TimeBootMs)/1000)
		e.value(rules.HeightGlobal, float64(m.RelativeAlt)/1000)
		e.value(rules.ClimbGlobal, 0-float64(m.Vz)/100)
	case *common.MessageServoOutputRaw:
		e.outputs(m, v2)
	case *common.MessageVfrHud:
		e.value(rules.AltitudeSea, float64(m.Alt))
		e.value(rules.ClimbHUD, float64(m.Climb))
		e.value(rules.Throttle, float64(m.Throttle)/100)
	case *common.MessageRadioStatus:
		e.unless(m.Rssi == 255, rules.RadioRSSI, float64(m.Rssi))
		e.unless(m.Remrssi == 255, rules.RadioRemoteRSSI, float64(m.Remrssi))
		e.value(rules.RadioErrors, float64(m.Rxerrors))
	case *common.MessageDistanceSensor:
		e.value(rules.CraftBootClock, float64(m.TimeBootMs)/1000)
		if m.Orientation != common.MAV_SENSOR_ROTATION_PITCH_270 {
			break
		}
		e.unless(v2 && m.SignalQuality == 1, rules.HeightRange, float64(m.CurrentDistance)/100)
		if e[rules.HeightRange].Cause == rules.Sentinel {
			break
		}
		if m.CurrentDistance < m.MinDistance || m.CurrentDistance > m.MaxDistance {
			e.missing(rules.HeightRange, rules.OutOfRange)
		} else if m.CurrentDistance == m.MaxDistance {
			e.doubt(rules.HeightRange, rules.Saturated)
		}
	case *common.MessageAltitude:
		e.value(rules.HeightAltitude, float64(m.AltitudeRelative))
		e.unless(m.BottomClearance < 0, rules.HeightClearance, float64(m.BottomClearance))
	case *common.MessageBatteryStatus:
		e.battery(m, v2, 6)
	case *common.MessageEstimatorStatus:
		e.value(rules.EstimatorFlags, float64(m.Flags))
	case *common.MessageWindCov:
		e.value(rules.CraftWind, math.Sqrt(float64(m.WindX)*float64(m.WindX)+float64(m.WindY)*float64(m.WindY)))
	case *common.MessageVibration:
		e.value(rules.Vibration, math.Max(float64(m.VibrationX), math.Max(float64(m.VibrationY), float64(m.VibrationZ))))
		e.value(rules.Clipping, float64(m.Clipping_0)+float64(m.Clipping_1)+float64(m.Clipping_2))
	case *common.MessageHomePosition:
		e.value(rules.HomeLatitude, float64(m.Latitude)*(math.Pi/180/1e7))
		e.value(rules.HomeLongitude, float64(m.Longitude)*(math.Pi/180/1e7))
		e.value(rules.HomeAltitude, float64(m.Altitude)/1000)
	case *common.MessageExtendedSysState:
		on := float64(0)
		if m.LandedState == common.MAV_LANDED_STATE_ON_GROUND {
			on = 1
		}
		e.unless(m.LandedState == common.MAV_LANDED_STATE_UNDEFINED, rules.CraftLanded, on)
		if m.LandedState > common.MAV_LANDED_STATE_LANDING {
			e.missing(rules.CraftLanded, rules.Implausible)
		}
	case *common.MessageNamedValueFloat:
		e.value(rules.CraftBootClock, float64(m.TimeBootMs)/1000)
		switch m.Name {
		case "rope":
			e.value(rules.Told1, float64(m.Value)*2+1)
		case "tenletters":
			e.value(rules.Tension, float64(m.Value)*-9.80665)
		}
	case *common.MessageStatustext:
		e.value(rules.CraftSeverity, float64(m.Severity))
	case *common.MessageEscInfo:
		e.controllerInfo(m)
	case *common.MessageEscStatus:
		e.controllers(m)
	case *common.MessageWinchStatus:
		e.value(rules.WinchLine, float64(m.LineLength))
		e.value(rules.WinchSpeed, float64(m.Speed))
		e.value(rules.WinchTension, float64(m.Tension)*980665/100000)
		if m.Status&common.MAV_WINCH_STATUS_HEALTHY == 0 {
			for _, ch := range []rules.ChannelID{rules.WinchLine, rules.WinchSpeed, rules.WinchTension} {
				e.doubt(ch, rules.SensorFailed)
			}
		}
	default:
		panic(fmt.Sprintf("no opinion on %T", msg))
	}
	return e
}

// opinionPad is the configuration that opinion knows.
func opinionPad() FieldsConfig {
	c := FieldsConfig{Cells: 6, Named: []Named{
		{Name: "rope", Channel: rules.Told1, Scale: 2, Offset: 1},
		{Name: "tenletters", Channel: rules.Tension, Scale: -9.80665},
	}}
	c.OutputIdle[2], c.OutputFull[2] = 1900, 1100
	return c
}

func TestFieldsAgreeWithLibrary(t *testing.T) {
	x, err := NewFields(opinionPad())
	if err != nil {
		t.Fatal(err)
	}
	for _, kind := range fedMessages() {
		t.Run(names.Of(kind.GetID()), func(t *testing.T) {
			rapid.Check(t, func(rt *rapid.T) {
				version := rapid.Uint8Range(1, 2).Draw(rt, "version")
				if kind.GetID() > 255 {
					version = 2
				}
				rw := codec(t, kind)
				raw := rw.Write(drawMessage(rt, kind), version == 2)
				if version == 2 && rapid.Bool().Draw(rt, "untrimmed") {
					full := make([]byte, knownOf(kind.GetID()).full)
					copy(full, raw.Payload)
					raw.Payload = full
				}
				f := Frame{System: 1, Component: 1, ID: kind.GetID(), Version: version, Payload: slices.Clone(raw.Payload)}
				m, err := rw.Read(raw, version == 2)
				if err != nil {
					rt.Fatal(err)
				}
				got := expected{}
				for i, s := range samples(x, &f) {
					if _, twice := got[s.Channel]; twice {
						rt.Errorf("%v came twice", s.Channel)
					}
					if (s.Channel == rules.CraftBootClock) != (i == 0 && knownOf(f.ID).boot != 0) {
						rt.Errorf("sample %d is %v; the boot clock comes first", i, s.Channel)
					}
					got[s.Channel] = s
				}
				if diff := cmp.Diff(opinion(m, version == 2), got); diff != "" {
					rt.Errorf("%+v:\n%s", m, diff)
				}
			})
		})
	}
}
