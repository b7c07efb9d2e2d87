package telemetry

import (
	"testing"

	"github.com/bluenviron/gomavlib/v3/pkg/dialects/common"

	"downhaul/rules"
)

// The numbers are those of the library's message.
func TestWhereBatteryStatusTellsItsNumber(t *testing.T) {
	l, err := layoutOf(batteryStatus)
	if err != nil {
		t.Fatal(err)
	}
	if at, ok := l.find("id"); !ok || at.offset != batteryAt || l.id != idBatteryStatus {
		t.Errorf("id of BATTERY_STATUS (%d) at %d, taken to be at %d of %d", l.id, at.offset, batteryAt, idBatteryStatus)
	}
}

// Battery 0 is taken for the pack that drives the motors, by which limits and "power not
// removed" go. One that the craft says is for its avionics or its payload is not that, however
// well it is charged (MAVLink common.xml, MAV_BATTERY_FUNCTION). The library encodes.
//
//fault:row the craft says that battery 0 feeds avionics or payload, not its motors | the pack's channels are missing: no start, and power off where a rule rests on them
func TestABatteryThatDrivesNoMotorIsNotThePack(t *testing.T) {
	x := mustFields(t, FieldsConfig{})
	for function := range common.MAV_BATTERY_FUNCTION_PAYLOAD + 2 {
		for id := range uint8(2) {
			m := &common.MessageBatteryStatus{Id: id, BatteryFunction: function, Voltages: cells(4100, 4100, 4100), CurrentBattery: 200, CurrentConsumed: 10, BatteryRemaining: 90, Temperature: 2500}
			got := samples(x, bareFrame(t, m, 2))
			if len(got) != int(rules.PerPack) {
				t.Fatalf("function %d: %v", function, got)
			}
			for _, s := range got {
				if missing := s.Quality == rules.Missing && s.Cause == rules.Disagreement; missing != (id == 0 && function > common.MAV_BATTERY_FUNCTION_PROPULSION) {
					t.Errorf("battery %d, function %d: %v", id, function, s)
				}
			}
		}
	}
}

// The charge drawn is told in mAh (MAVLink common.xml, BATTERY_STATUS.current_consumed,
// −1 where it is not known): 1 Ah is 3600 A·s. The library encodes.
func TestChargeDrawn(t *testing.T) {
	for _, c := range []struct {
		id     uint8
		mAh    int32
		charge float64
		known  bool
	}{{0, 1000, 3600, true}, {3, 25, 90, true}, {1, 0, 0, true}, {2, -1, 0, false}} {
		for _, version := range []uint8{1, 2} {
			battery, charge, ok := ChargeDrawn(bareFrame(t, &common.MessageBatteryStatus{Id: c.id, CurrentConsumed: c.mAh}, version))
			if battery != int(c.id) || ok != c.known || ok && charge != c.charge {
				t.Errorf("%+v, version %d: %v A·s of battery %d, known %v", c, version, charge, battery, ok)
			}
		}
	}
	if _, _, ok := ChargeDrawn(bareFrame(t, &common.MessageSysStatus{}, 2)); ok {
		t.Error("SYS_STATUS tells of a charge drawn")
	}
	for f, want := range map[*Frame]bool{
		bareFrame(t, &common.MessageSysStatus{}, 2): true, bareFrame(t, &common.MessageBatteryStatus{}, 2): true, bareFrame(t, &common.MessageHeartbeat{}, 2): false,
	} {
		if TellsCurrent(f) != want {
			t.Errorf("message %d tells a current: %v", f.ID, !want)
		}
	}
}
