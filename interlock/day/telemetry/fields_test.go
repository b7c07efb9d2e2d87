package telemetry

import (
	"math"
	"slices"
	"testing"

	"github.com/bluenviron/gomavlib/v3/pkg/dialects/common"
	"github.com/bluenviron/gomavlib/v3/pkg/dialects/minimal"
	"github.com/bluenviron/gomavlib/v3/pkg/message"

	"downhaul/interlock"
	"downhaul/interlock/day/telemetry/names"
	"downhaul/rules"
)

func mustFields(t testing.TB, c FieldsConfig) *Fields {
	t.Helper()
	x, err := NewFields(c)
	if err != nil {
		t.Fatal(err)
	}
	return x
}

// samples are what a frame feeds.
func samples(x *Fields, f *Frame) (out []interlock.Sample) {
	for _, in := range x.Append(nil, f.look()) {
		out = append(out, in.Sample)
	}
	return out
}

func isGood(ch rules.ChannelID, v float64) interlock.Sample {
	return interlock.Sample{Channel: ch, Quality: rules.Good, Value: v}
}

func isMissing(ch rules.ChannelID, why rules.Cause) interlock.Sample {
	return interlock.Sample{Channel: ch, Quality: rules.Missing, Cause: why}
}

func isDoubtful(ch rules.ChannelID, v float64, why rules.Cause) interlock.Sample {
	return interlock.Sample{Channel: ch, Quality: rules.Doubtful, Cause: why, Value: v}
}

// cells is BATTERY_STATUS.voltages with the rest unused.
func cells(mv ...uint16) (v [10]uint16) {
	for i := range v {
		v[i] = cellUnused
	}
	copy(v[:], mv)
	return v
}

var nan32 = float32(math.NaN())

// One line per trap: the sentinels of common.xml ("Battery voltage, UINT16_MAX:
// not sent" and so on), the signs, and the units.
func TestTraps(t *testing.T) {
	hb := &minimal.MessageHeartbeat{BaseMode: 0x51, SystemStatus: 4}
	armed := &minimal.MessageHeartbeat{BaseMode: 0xD1, SystemStatus: 4}
	inf := float32(math.Inf(1))
	for _, c := range []struct {
		name string
		m    message.Message
		want []interlock.Sample // among those of the frame
	}{
		{"disarmed", hb, []interlock.Sample{isGood(rules.CraftArmed, 0), isGood(rules.CraftStatus, 4)}},
		{"armed", armed, []interlock.Sample{isGood(rules.CraftArmed, 1)}},
		{"supply unknown", &common.MessageSysStatus{VoltageBattery: 65535, CurrentBattery: -1, BatteryRemaining: -1},
			[]interlock.Sample{isMissing(rules.SupplyCurrent, rules.Sentinel), isMissing(rules.SupplyLeft, rules.Sentinel), isMissing(rules.SupplyVoltage, rules.Sentinel)}},
		{"supply", &common.MessageSysStatus{VoltageBattery: 22155, CurrentBattery: 1234, BatteryRemaining: 77},
			[]interlock.Sample{isGood(rules.SupplyCurrent, 12.34), isGood(rules.SupplyLeft, 0.77), isGood(rules.SupplyVoltage, 22.155)}},
		{"monitor not fitted, 0 V", &common.MessageSysStatus{VoltageBattery: 0}, []interlock.Sample{isMissing(rules.SupplyVoltage, rules.Implausible)}},
		{"monitor not fitted, 0.24 V", &common.MessageSysStatus{VoltageBattery: 240}, []interlock.Sample{isMissing(rules.SupplyVoltage, rules.Implausible)}},
		{"monitor not fitted, 0.5 V", &common.MessageSysStatus{VoltageBattery: 500}, []interlock.Sample{isMissing(rules.SupplyVoltage, rules.Implausible)}},
		{"current at the end of the field", &common.MessageSysStatus{CurrentBattery: 32767}, []interlock.Sample{isDoubtful(rules.SupplyCurrent, 327.67, rules.OutOfRange)}},
		{"current rolled over", &common.MessageSysStatus{CurrentBattery: -25536}, []interlock.Sample{isMissing(rules.SupplyCurrent, rules.OutOfRange)}},
		{"current negative", &common.MessageSysStatus{CurrentBattery: -200}, []interlock.Sample{isDoubtful(rules.SupplyCurrent, -2, rules.OutOfRange)}},

		{"battery unknown", &common.MessageBatteryStatus{Voltages: cells(), CurrentBattery: -1, CurrentConsumed: -1, BatteryRemaining: -1, Temperature: 32767},
			[]interlock.Sample{isMissing(rules.Pack1Current, rules.Sentinel), isMissing(rules.Pack1Charge, rules.Sentinel), isMissing(rules.Pack1Left, rules.Sentinel),
				isMissing(rules.Pack1Temperature, rules.Sentinel), isMissing(rules.Pack1Voltage, rules.Sentinel), isMissing(rules.Pack1LowestCell, rules.Sentinel), isMissing(rules.Pack1CellSpread, rules.Sentinel)}},
		{"cells", &common.MessageBatteryStatus{Voltages: cells(3700, 3450, 3650), CurrentConsumed: 1000, Temperature: 2512},
			[]interlock.Sample{isGood(rules.Pack1Charge, 3600), isGood(rules.Pack1Temperature, 25.12), isGood(rules.Pack1Voltage, 10.8), isGood(rules.Pack1LowestCell, 3.45), isGood(rules.Pack1CellSpread, 0.25)}},
		{"whole pack in cell 0", &common.MessageBatteryStatus{Voltages: cells(22200)},
			[]interlock.Sample{isGood(rules.Pack1Voltage, 22.2), isMissing(rules.Pack1LowestCell, rules.WholePack), isMissing(rules.Pack1CellSpread, rules.WholePack)}},
		{"one cell, low", &common.MessageBatteryStatus{Voltages: cells(4100)},
			[]interlock.Sample{isGood(rules.Pack1Voltage, 4.1), isMissing(rules.Pack1LowestCell, rules.WholePack)}},
		{"carry", &common.MessageBatteryStatus{Voltages: cells(65534, 34466)},
			[]interlock.Sample{isGood(rules.Pack1Voltage, 100), isMissing(rules.Pack1LowestCell, rules.WholePack)}},
		{"14 cells", &common.MessageBatteryStatus{Voltages: [10]uint16{3700, 3700, 3700, 3700, 3700, 3700, 3700, 3700, 3700, 3700}, VoltagesExt: [4]uint16{3700, 3700, 3700, 3600}},
			[]interlock.Sample{isGood(rules.Pack1Voltage, 51.7), isGood(rules.Pack1LowestCell, 3.6)}},
		{"a cell left out", &common.MessageBatteryStatus{Voltages: cells(3700, cellUnused, 3700)},
			[]interlock.Sample{isMissing(rules.Pack1Voltage, rules.Disagreement), isMissing(rules.Pack1LowestCell, rules.Disagreement)}},
		{"second battery", &common.MessageBatteryStatus{Id: 1, Voltages: cells(3700, 3600)},
			[]interlock.Sample{isGood(rules.Pack2Voltage, 7.3), isGood(rules.Pack2LowestCell, 3.6)}},

		{"global position", &common.MessageGlobalPositionInt{TimeBootMs: 1500, RelativeAlt: 7250, Vz: 150},
			[]interlock.Sample{isGood(rules.CraftBootClock, 1.5), isGood(rules.ClimbGlobal, -1.5), isGood(rules.HeightGlobal, 7.25)}},
		{"local position", &common.MessageLocalPositionNed{X: 1, Y: 2, Z: -7.25, Vz: -0.5},
			[]interlock.Sample{isGood(rules.ClimbLocal, 0.5), isGood(rules.HeightLocal, 7.25), isGood(rules.North, 1), isGood(rules.East, 2)}},
		{"local position, not a number", &common.MessageLocalPositionNed{X: inf, Z: nan32},
			[]interlock.Sample{isMissing(rules.HeightLocal, rules.NotANumber), isMissing(rules.North, rules.NotANumber)}},
		{"clearance unknown", &common.MessageAltitude{BottomClearance: -1, AltitudeRelative: -1},
			[]interlock.Sample{isMissing(rules.HeightClearance, rules.Sentinel), isGood(rules.HeightAltitude, -1)}},
		{"head-up data", &common.MessageVfrHud{Climb: 1.5, Alt: 312, Throttle: 62},
			[]interlock.Sample{isGood(rules.ClimbHUD, 1.5), isGood(rules.AltitudeSea, 312), isGood(rules.Throttle, 0.62)}},
		{"throttle past its range", &common.MessageVfrHud{Throttle: 101}, []interlock.Sample{isMissing(rules.Throttle, rules.Implausible)}},

		{"range", &common.MessageDistanceSensor{Orientation: 25, MinDistance: 20, MaxDistance: 700, CurrentDistance: 250}, []interlock.Sample{isGood(rules.HeightRange, 2.5)}},
		{"range invalid", &common.MessageDistanceSensor{Orientation: 25, MaxDistance: 700, CurrentDistance: 250, SignalQuality: 1}, []interlock.Sample{isMissing(rules.HeightRange, rules.Sentinel)}},
		{"range too near", &common.MessageDistanceSensor{Orientation: 25, MinDistance: 20, MaxDistance: 700, CurrentDistance: 19}, []interlock.Sample{isMissing(rules.HeightRange, rules.OutOfRange)}},
		{"range too far", &common.MessageDistanceSensor{Orientation: 25, MaxDistance: 700, CurrentDistance: 701}, []interlock.Sample{isMissing(rules.HeightRange, rules.OutOfRange)}},
		{"range at its end", &common.MessageDistanceSensor{Orientation: 25, MaxDistance: 700, CurrentDistance: 700}, []interlock.Sample{isDoubtful(rules.HeightRange, 7, rules.Saturated)}},

		{"landed undefined", &common.MessageExtendedSysState{LandedState: 0}, []interlock.Sample{isMissing(rules.CraftLanded, rules.Sentinel)}},
		{"landed", &common.MessageExtendedSysState{LandedState: 1}, []interlock.Sample{isGood(rules.CraftLanded, 1)}},
		{"in the air", &common.MessageExtendedSysState{LandedState: 2}, []interlock.Sample{isGood(rules.CraftLanded, 0)}},
		{"taking off", &common.MessageExtendedSysState{LandedState: 3}, []interlock.Sample{isGood(rules.CraftLanded, 0)}},
		{"landing", &common.MessageExtendedSysState{LandedState: 4}, []interlock.Sample{isGood(rules.CraftLanded, 0)}},
		{"attitude", &common.MessageAttitude{Roll: float32(math.Pi), Pitch: -float32(math.Pi / 2), Yawspeed: nan32},
			[]interlock.Sample{isGood(rules.Roll, math.Pi), isGood(rules.Pitch, -math.Pi/2), isMissing(rules.YawRate, rules.NotANumber)}},

		{"outputs", &common.MessageServoOutputRaw{Servo1Raw: 1500, Servo16Raw: 2000},
			[]interlock.Sample{isGood(rules.Motor1Output, 0.5), isMissing(rules.Motor1Output+1, rules.Sentinel), isGood(rules.Motor16Output, 1)}},
		{"outputs of port 1", &common.MessageServoOutputRaw{Port: 1, Servo1Raw: 1250}, []interlock.Sample{isGood(rules.Motor1Output+8, 0.25)}},
		{"rotors", &common.MessageEscStatus{Index: 4, Rpm: [4]int32{-6000, 3000, 0, 0}, Voltage: [4]float32{22, 21.5, 0, 0}, Current: [4]float32{10, 20, 0, 0}},
			[]interlock.Sample{isGood(rules.Motor1Speed+4, -100), isGood(rules.Motor1Speed+5, 50), isGood(rules.ESCCurrent, 30), isGood(rules.ESCVoltage, 21.5)}},
		{"controller voltage not a number", &common.MessageEscStatus{Voltage: [4]float32{22, nan32, 21, 0}}, []interlock.Sample{isMissing(rules.ESCVoltage, rules.NotANumber)}},
		{"controllers", &common.MessageEscInfo{Count: 2, Temperature: [4]int16{4500, 32767, 9900, 0}, FailureFlags: [4]common.ESC_FAILURE_FLAGS{1, 4, 64, 64}},
			[]interlock.Sample{isGood(rules.ESCTemperature, 45), isGood(rules.ESCFailures, 5)}},
		{"winch", &common.MessageWinchStatus{Tension: 100, LineLength: 8.5, Speed: nan32, Status: 1},
			[]interlock.Sample{isGood(rules.WinchLine, 8.5), isMissing(rules.WinchSpeed, rules.NotANumber), isGood(rules.WinchTension, 980.665)}}, // 1 kgf = 9.80665 N exactly
		{"winch not healthy", &common.MessageWinchStatus{Tension: 100, Status: 6}, []interlock.Sample{isDoubtful(rules.WinchTension, 980.665, rules.SensorFailed)}},
		{"wind", &common.MessageWindCov{WindX: 3, WindY: -4, WindZ: 9}, []interlock.Sample{isGood(rules.CraftWind, 5)}},
		{"wind unknown", &common.MessageWindCov{WindX: nan32, WindY: -4}, []interlock.Sample{isMissing(rules.CraftWind, rules.NotANumber)}},
		{"vibration", &common.MessageVibration{VibrationX: 3, VibrationY: 12, VibrationZ: 4, Clipping_0: 1, Clipping_1: 10, Clipping_2: 4294967295},
			[]interlock.Sample{isGood(rules.Vibration, 12), isGood(rules.Clipping, 4294967306)}},
		{"radio", &common.MessageRadioStatus{Rssi: 255, Remrssi: 180, Rxerrors: 7},
			[]interlock.Sample{isMissing(rules.RadioRSSI, rules.Sentinel), isGood(rules.RadioRemoteRSSI, 180), isGood(rules.RadioErrors, 7)}},
		{"clock unset", &common.MessageSystemTime{TimeBootMs: 4294967295}, []interlock.Sample{isGood(rules.CraftBootClock, 4294967.295), isMissing(rules.CraftUTC, rules.Sentinel)}},
		{"clock", &common.MessageSystemTime{TimeUnixUsec: 1700000000250000}, []interlock.Sample{isGood(rules.CraftUTC, 1700000000.25)}},
		{"home", &common.MessageHomePosition{Latitude: 450000000, Longitude: -900000000, Altitude: 312500},
			[]interlock.Sample{isGood(rules.HomeLatitude, 450000000*degE7), isGood(rules.HomeLongitude, -900000000*degE7), isGood(rules.HomeAltitude, 312.5)}},
		{"estimator", &common.MessageEstimatorStatus{Flags: 831}, []interlock.Sample{isGood(rules.EstimatorFlags, 831)}},
		{"text", &common.MessageStatustext{Severity: 2, Text: "motor 3"}, []interlock.Sample{isGood(rules.CraftSeverity, 2)}},
	} {
		got := samples(mustFields(t, FieldsConfig{}), bareFrame(t, c.m, 2))
		for _, want := range c.want {
			i := slices.IndexFunc(got, func(s interlock.Sample) bool { return s.Channel == want.Channel })
			switch {
			case i < 0:
				t.Errorf("%s: no sample of %v", c.name, want.Channel)
			case want.Channel.Channel().Kind == rules.Angle && math.Abs(got[i].Value-want.Value) < 1e-15 && got[i].Quality == rules.Good:
			case got[i] != want:
				t.Errorf("%s: %v: %+v, want %+v", c.name, want.Channel, got[i], want)
			}
		}
	}
}

func TestWhatFeedsNothing(t *testing.T) {
	x := mustFields(t, FieldsConfig{})
	for name, f := range map[string]*Frame{
		"sensor that looks ahead":  bareFrame(t, &common.MessageDistanceSensor{MaxDistance: 700, CurrentDistance: 5}, 2),
		"fifth battery":            bareFrame(t, &common.MessageBatteryStatus{Id: 4, Voltages: cells(3700)}, 2),
		"third port":               bareFrame(t, &common.MessageServoOutputRaw{Port: 2, Servo1Raw: 1500}, 2),
		"seventeenth controller":   bareFrame(t, &common.MessageEscStatus{Index: 16, Rpm: [4]int32{1}}, 2),
		"controllers not by four":  bareFrame(t, &common.MessageEscStatus{Index: 1, Rpm: [4]int32{1}}, 2),
		"facts of a seventeenth":   bareFrame(t, &common.MessageEscInfo{Index: 16, Count: 20, FailureFlags: [4]common.ESC_FAILURE_FLAGS{1}, Temperature: [4]int16{2500}}, 2),
		"facts not by four":        bareFrame(t, &common.MessageEscInfo{Index: 1, Count: 4, FailureFlags: [4]common.ESC_FAILURE_FLAGS{1}, Temperature: [4]int16{2500}}, 2),
		"name nobody asked for":    bareFrame(t, &common.MessageNamedValueFloat{Name: "x", Value: 1}, 2),
		"message that feeds none":  bareFrame(t, &common.MessageParamValue{ParamId: "x", ParamValue: 1}, 2),
		"id that nobody has heard": {ID: 1 << 23, Version: 2, Payload: make([]byte, 50)},
	} {
		for _, s := range samples(x, f) {
			if s.Channel != rules.CraftBootClock {
				t.Errorf("%s: %v", name, s)
			}
		}
	}
}

// Version 1 has no extension fields: they give nothing, and not 0.
func TestVersion1HasNoExtensions(t *testing.T) {
	x := mustFields(t, FieldsConfig{})
	for _, s := range samples(x, bareFrame(t, &common.MessageServoOutputRaw{Servo1Raw: 1500, Servo9Raw: 1500}, 1)) {
		if s.Channel >= rules.Motor1Output+8 && s.Channel <= rules.Motor16Output {
			t.Errorf("output 9 or more from version 1: %v", s)
		}
	}
	twelve := &common.MessageBatteryStatus{Voltages: [10]uint16{3700, 3700, 3700, 3700, 3700, 3700, 3700, 3700, 3700, 3700}, VoltagesExt: [4]uint16{3700, 3100}}
	y := mustFields(t, FieldsConfig{Cells: 12})
	if got := samples(y, bareFrame(t, twelve, 2)); !slices.Contains(got, isGood(rules.Pack1LowestCell, 3.1)) {
		t.Errorf("twelve cells in version 2: %v", got)
	}
	// Ten of twelve cells are no lowest cell of the twelve.
	if got := samples(y, bareFrame(t, twelve, 1)); !slices.Contains(got, isMissing(rules.Pack1LowestCell, rules.Disagreement)) {
		t.Errorf("twelve cells in version 1: %v", got)
	}
}

func TestOneSourcePerChannel(t *testing.T) {
	battery := bareFrame(t, &common.MessageBatteryStatus{Voltages: cells(3700, 3700), CurrentBattery: 500, BatteryRemaining: 50, CurrentConsumed: 10}, 2)
	supply := bareFrame(t, &common.MessageSysStatus{VoltageBattery: 22000, CurrentBattery: 700, BatteryRemaining: 60}, 2)
	of := func(x *Fields, f *Frame) (chs []rules.ChannelID) {
		for _, s := range samples(x, f) {
			chs = append(chs, s.Channel)
		}
		return chs
	}
	plainPad, supplyPad := mustFields(t, FieldsConfig{}), mustFields(t, FieldsConfig{SupplyIsPack: true})
	for _, ch := range []rules.ChannelID{rules.Pack1Voltage, rules.Pack1Current, rules.Pack1Left} {
		if !slices.Contains(of(plainPad, battery), ch) || slices.Contains(of(plainPad, supply), ch) {
			t.Errorf("%v must come from BATTERY_STATUS alone", ch)
		}
		if slices.Contains(of(supplyPad, battery), ch) || !slices.Contains(of(supplyPad, supply), ch) {
			t.Errorf("%v must come from SYS_STATUS alone", ch)
		}
	}
	if !slices.Contains(of(supplyPad, battery), rules.Pack1LowestCell) {
		t.Error("cells always come from BATTERY_STATUS")
	}
	winch := bareFrame(t, &common.MessageWinchStatus{Tension: 10, Status: 1}, 2)
	if slices.Contains(of(plainPad, winch), rules.Tension) {
		t.Error("the winch fed the tether unasked")
	}
	w := mustFields(t, FieldsConfig{TensionFromWinch: true})
	if got := samples(w, winch); !slices.Contains(got, isGood(rules.Tension, 98.0665)) || !slices.Contains(got, isGood(rules.WinchTension, 98.0665)) {
		t.Errorf("winch: %v", got)
	}
	// A named value takes its channel from the table.
	n := mustFields(t, FieldsConfig{Named: []Named{{Name: "volts", Channel: rules.Pack1Voltage, Scale: 1}}})
	if slices.Contains(of(n, battery), rules.Pack1Voltage) {
		t.Error("pack voltage from two sources")
	}
	if got := samples(n, bareFrame(t, &common.MessageNamedValueFloat{TimeBootMs: 9000, Name: "volts", Value: 12.5}, 1)); !slices.Equal(got,
		[]interlock.Sample{isGood(rules.CraftBootClock, 9), isGood(rules.Pack1Voltage, 12.5)}) {
		t.Errorf("named value: %v", got)
	}
	if got := n.Sources[rules.Pack1Voltage]; !slices.Equal(got, []uint32{251}) {
		t.Errorf("sources: %v", got)
	}
}

func TestOnlyWantedChannels(t *testing.T) {
	var want [rules.ChannelCount]bool
	want[rules.HeightGlobal], want[rules.Motor1Output+1] = true, true
	x := mustFields(t, FieldsConfig{Wanted: &want})
	for _, m := range fedMessages() {
		for _, s := range samples(x, bareFrame(t, m, 2)) {
			if !want[s.Channel] {
				t.Errorf("%v was not wanted", s.Channel)
			}
		}
	}
	if len(x.Sources[rules.Roll]) != 0 || !slices.Equal(x.Sources[rules.HeightGlobal], []uint32{33}) {
		t.Errorf("sources: %v, %v", x.Sources[rules.Roll], x.Sources[rules.HeightGlobal])
	}
}

// Every channel that the catalogue says comes from the craft has a source.
func TestEveryCraftChannelIsFed(t *testing.T) {
	x := mustFields(t, FieldsConfig{TensionFromWinch: true})
	for id := rules.CraftArmed; id <= rules.EstimatorFlags; id++ {
		if len(x.Sources[id]) == 0 {
			t.Errorf("nothing feeds %v", id)
		}
	}
}

func TestBootMillis(t *testing.T) {
	for _, v := range []uint32{0, 1, 0xFF, 0x100, 0xFFFFFFFF, 0x01000000} {
		for _, m := range []message.Message{
			&common.MessageAttitude{TimeBootMs: v}, &common.MessageSystemTime{TimeBootMs: v},
			&common.MessageNamedValueFloat{TimeBootMs: v}, &messageRelayStatus{TimeBootMs: v},
		} {
			f := Frame{ID: m.GetID(), Version: 2}
			if m.GetID() == 376 {
				f.Payload = []byte{byte(v), byte(v >> 8), byte(v >> 16), byte(v >> 24), 0, 0, 0, 0}
			} else {
				f.Payload = payloadOf(t, m, 2)
			}
			if got, ok := f.look().BootMillis(); !ok || got != v {
				t.Errorf("%s: %d, %v, want %d", names.Of(f.ID), got, ok, v)
			}
		}
	}
	f := bareFrame(t, &minimal.MessageHeartbeat{}, 2)
	if _, ok := f.BootMillis(); ok {
		t.Error("HEARTBEAT has no boot clock")
	}
}
