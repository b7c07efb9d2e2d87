package intake

import (
	"testing"
	"time"

	"github.com/bluenviron/gomavlib/v3/pkg/dialects/common"
	"pgregory.net/rapid"

	"downhaul/interlock"
	"downhaul/interlock/day/telemetry"
	"downhaul/rules"
)

// battery is BATTERY_STATUS as a sender fills it that knows the true current:
// MAVLink common.xml, current_battery in cA, 16 bits, rolls over; the charge
// drawn in mAh, 32 bits. A charge of −1 is not known.
func battery(id uint8, amps, charge float64) *common.MessageBatteryStatus {
	m := &common.MessageBatteryStatus{Id: id, CurrentBattery: int16(int32(amps * 100)), CurrentConsumed: int32(charge / 3.6), Temperature: 32767}
	for i := range m.Voltages {
		m.Voltages[i] = 65535
	}
	m.Voltages[0], m.Voltages[1] = 4000, 4000
	if charge < 0 {
		m.CurrentConsumed = -1
	}
	return m
}

// draw feeds a pack's current once a second, with the charge that it draws or
// without, and returns the worst and the last quality of pack.current.
type draw struct {
	w       *walker
	craft   sender
	charge  float64
	counted bool
}

func (d *draw) take(id uint8, amps ...float64) (worst, last rules.Quality) {
	worst = rules.Good
	d.craft.system, d.craft.component = 1, 1
	for _, a := range amps {
		charge := -1.0
		if d.counted {
			d.charge += a
			charge = d.charge
		}
		s, ok := value(d.w.at(time.Second, d.craft.frame(battery(id, a, charge))), rules.Pack1Current+rules.ChannelID(id)*(rules.Pack2Current-rules.Pack1Current))
		if !ok {
			d.w.t.Fatal("no current")
		}
		if s.Quality != rules.Good && s.Cause != rules.OutOfRange {
			d.w.t.Fatalf("at %v A: %v", a, s.Cause)
		}
		worst, last = min(worst, s.Quality), s.Quality
	}
	return worst, last
}

func level(amps float64, n int) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = amps
	}
	return out
}

func TestACurrentThatRolledOverIsNoGoodOne(t *testing.T) {
	drawing := func(counted bool) *draw { return &draw{w: walk(t, 4), counted: counted} }
	for _, c := range []struct {
		what    string
		counted bool
		amps    []float64
		good    bool
	}{
		{"a turn of the field in steps", false, []float64{100, 250, 320, 400, 500, 600, 700}, false},
		{"a turn between two samples, near the end before", false, []float64{100, 310, 700}, false},
		{"at the end of the field, then lower", false, []float64{100, 327.67, 300}, false},
		{"a turn between two samples, from far below, the charge counted", true, append(level(100, 8), level(700, 12)...), false},
		{"down by a turn, and the charge agrees", true, append([]float64{100, 400, 500, 310}, level(120, 12)...), true},
		{"down by a turn, at rest", false, append([]float64{100, 400, 310}, level(0.4, 14)...), true},
		{"down by a turn, at rest for too short", false, append([]float64{100, 400, 310}, level(0.4, 6)...), false},
		{"down by a turn, too uneven for a rest", false, append([]float64{100, 400, 310}, 4, 9, 4, 9, 4, 9, 4, 9, 4, 9, 4, 9, 4, 9), false},
		{"near the end, and back as it went", false, []float64{100, 250, 310, 320, 290, 200, 100, 10}, true},
		{"near the end, and power off", false, []float64{100, 250, 310, 320, 0.4}, true},
		{"an offset of the sensor at rest", false, []float64{0.1, -0.2, 0.1, 5, 60}, true},
	} {
		if _, last := drawing(c.counted).take(0, c.amps...); (last == rules.Good) != c.good {
			t.Errorf("%s: the last one is of quality %d", c.what, last)
		}
	}
	// Each sender of a current has its own end.
	d := drawing(false)
	d.take(1, 100, 320, 400)
	if _, last := d.take(1, 700); last == rules.Good {
		t.Error("pack 2 rolled over, and is good")
	}
	if worst, _ := d.take(0, 100, 120); worst != rules.Good {
		t.Error("pack 2 rolled over, and pack 1 is in doubt")
	}
	craft := sender{system: 1, component: 1}
	supply := func(f *walker, amps float64, id rules.ChannelID) rules.Quality {
		s, _ := value(f.at(time.Second, craft.frame(&common.MessageSysStatus{VoltageBattery: 44000, CurrentBattery: int16(int32(amps * 100))})), id)
		return s.Quality
	}
	f := &walker{feeder: feed(t, Config{Fields: telemetry.FieldsConfig{SupplyIsPack: true}})}
	for _, id := range []rules.ChannelID{rules.SupplyCurrent, rules.Pack1Current} {
		supply(f, 200, id)
		supply(f, 310, id)
		if q := supply(f, 690, id); q != rules.Doubtful {
			t.Errorf("%v a turn on is of quality %d", id, q)
		}
	}
	// A restarted craft begins anew.
	d = drawing(true)
	d.take(0, append(level(100, 4), 400, 700)...)
	d.w.datagram(d.w.now, addrA, d.craft.frame(&common.MessageSystemTime{TimeBootMs: 60000}))
	d.w.datagram(d.w.now+time.Second, addrA, d.craft.frame(&common.MessageSystemTime{TimeBootMs: 1000}))
	if worst, _ := d.take(0, 30); worst != rules.Good {
		t.Error("a restarted craft's first current is in doubt")
	}
}

// Where no current comes near the end of its field, all are as good as they
// were, however they jump.
func TestCurrentsWithinTheirFieldAreGood(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		d := &draw{w: walk(t, 4), counted: rapid.Bool().Draw(rt, "counted")}
		if worst, _ := d.take(0, rapid.SliceOfN(rapid.Float64Range(0, 299), 1, 60).Draw(rt, "amps")...); worst != rules.Good {
			rt.Fatal("in doubt")
		}
	})
}

// What was past its field is believed again when charge and current agree, to less
// than 100 A either way, over a time in which some charge was drawn at all.
func TestChargeThatAgreesAtItsBorders(t *testing.T) {
	for _, c := range []struct {
		amps, charge float64 // over 5 s, from nothing
		past         bool
	}{
		{200, 1000, false}, {200, 1000 + 5*99.9, false}, {200, 1000 + 5*100, true}, {200, 1000 - 5*99.9, false}, {200, 1000 - 5*100, true}, {0, 0, true}, {0, 1, false},
	} {
		w := wrapping{past: true}
		s := interlock.Sample{Channel: rules.SupplyCurrent, Quality: rules.Good, Value: c.amps}
		w.count(0, &s, 0)
		if w.count(chargeFor, &s, c.charge); w.past != c.past {
			t.Errorf("%+v: past its field %v", c, w.past)
		}
	}
}
