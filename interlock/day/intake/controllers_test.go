package intake

import (
	"math"
	"testing"
	"time"

	"github.com/bluenviron/gomavlib/v3/pkg/dialects/common"
	"pgregory.net/rapid"

	"downhaul/interlock"
	"downhaul/interlock/day/telemetry"
	"downhaul/rules"
)

// MAVLink common.xml: ESC_STATUS and ESC_INFO carry up to four controllers, the
// first of them is index; ESC_INFO.count is the total of controllers.
func status(index uint8, volts, amps float32) *common.MessageEscStatus {
	m := &common.MessageEscStatus{Index: index}
	for i := range m.Voltage {
		m.Voltage[i], m.Current[i], m.Rpm[i] = volts, amps, 3000
	}
	return m
}

func info(index, count uint8, celsius int16, flags uint16) *common.MessageEscInfo {
	m := &common.MessageEscInfo{Index: index, Count: count}
	for i := range m.Temperature {
		m.Temperature[i] = 100 * celsius
	}
	m.FailureFlags[1] = common.ESC_FAILURE_FLAGS(flags)
	return m
}

// walker feeds a craft's frames in steps of time.
type walker struct {
	*feeder
	now time.Duration
}

func walk(t testing.TB, motors int) *walker {
	return &walker{feeder: feed(t, Config{Fields: telemetry.FieldsConfig{Motors: motors}})}
}

// at feeds a frame d later than the last.
func (w *walker) at(d time.Duration, b []byte) []interlock.Input {
	w.now += d
	return w.datagram(w.now, addrA, b)
}

func TestTheWorstOfAllControllersCounts(t *testing.T) {
	f := walk(t, 8)
	craft := sender{system: 1, component: 1}
	want := func(what string, b []byte, id rules.ChannelID, v float64, q rules.Quality, why rules.Cause) {
		t.Helper()
		s, ok := value(f.at(100*ms, b), id)
		if !ok || s.Value != v || s.Quality != q || s.Cause != why {
			t.Errorf("%s: %v is %+v (%v), want %v, %v, %v", what, id, s, ok, v, q, why)
		}
	}
	want("four of eight heard", craft.frame(info(0, 8, 90, 4)), rules.ESCTemperature, 0, rules.Missing, rules.NeverHeard)
	want("all heard", craft.frame(info(4, 8, 40, 0)), rules.ESCTemperature, 90, rules.Good, rules.NoCause)
	want("the hot four again", craft.frame(info(0, 8, 91, 4)), rules.ESCTemperature, 91, rules.Good, rules.NoCause)
	want("the failing four stays", craft.frame(info(4, 8, 40, 2)), rules.ESCFailures, 6, rules.Good, rules.NoCause)
	want("four of eight heard", craft.frame(status(4, 21, 10)), rules.ESCVoltage, 0, rules.Missing, rules.NeverHeard)
	want("all heard", craft.frame(status(0, 22, 12)), rules.ESCVoltage, 21, rules.Good, rules.NoCause)
	want("both fours draw", craft.frame(status(4, 21, 10)), rules.ESCCurrent, 88, rules.Good, rules.NoCause)
	// The hot four goes silent: 2.5 s later the other one no longer answers.
	for range 20 {
		f.at(100*ms, craft.frame(info(4, 8, 40, 0)))
	}
	want("2.5 s old", craft.frame(info(4, 8, 40, 0)), rules.ESCTemperature, 91, rules.Good, rules.NoCause)
	want("older", craft.frame(info(4, 8, 40, 0)), rules.ESCTemperature, 0, rules.Missing, rules.Stale)
	want("heard again", craft.frame(info(0, 8, 50, 0)), rules.ESCTemperature, 50, rules.Good, rules.NoCause)
	// A controller that says nothing of itself: 0 V, no temperature, not counted.
	m := status(0, 22, 12)
	m.Voltage[2] = 0
	want("one tells no voltage", craft.frame(m), rules.ESCVoltage, 0, rules.Missing, rules.Sentinel)
	want("the other four is in order", craft.frame(status(4, 21, 10)), rules.ESCVoltage, 0, rules.Missing, rules.Sentinel)
	n := info(4, 8, 40, 0)
	n.Temperature[3] = math.MaxInt16
	want("one tells no temperature", craft.frame(n), rules.ESCTemperature, 0, rules.Missing, rules.Sentinel)
	want("seven of eight counted", craft.frame(info(4, 7, 40, 0)), rules.ESCFailures, 0, rules.Missing, rules.Sentinel)
}

func TestControllersPastTheMotorsSayNothing(t *testing.T) {
	f := walk(t, 6)
	craft := sender{system: 1, component: 1}
	f.at(100*ms, craft.frame(status(0, 22, 10)))
	two := status(4, 21, 10)
	two.Voltage[2], two.Voltage[3], two.Current[2], two.Current[3] = 0, 0, 0, 0
	if s, ok := value(f.at(100*ms, craft.frame(two)), rules.ESCVoltage); !ok || s.Value != 21 || s.Quality != rules.Good {
		t.Errorf("two of the second four: %+v", s)
	}
	got := f.at(100*ms, craft.frame(status(8, 0, 0)))
	if _, ok := value(got, rules.ESCVoltage); ok {
		t.Error("a four without any motor gave a voltage")
	}
	if _, ok := value(got, rules.Motor1Speed+8); !ok {
		t.Error("the speeds of that four are gone too")
	}
}

func TestACraftThatRestartsTellsOfItsControllersAnew(t *testing.T) {
	f := walk(t, 0)
	craft := sender{system: 1, component: 1}
	f.at(100*ms, craft.frame(attitude(60000, 0)))
	f.at(100*ms, craft.frame(status(0, 22, 10)))
	f.at(100*ms, craft.frame(status(4, 21, 10)))
	f.at(100*ms, craft.frame(attitude(1000, 0)))
	if s, ok := value(f.at(100*ms, craft.frame(status(0, 22, 10))), rules.ESCVoltage); !ok || s.Value != 22 || s.Quality != rules.Good {
		t.Errorf("%+v, want 22 V: what the second four said was before the restart", s)
	}
}

// Held against an oracle that keeps everything it was told.
func TestControllersAgainstEverythingTold(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		motors := rapid.IntRange(0, 16).Draw(rt, "motors")
		f := walk(t, motors)
		craft := sender{system: 1, component: 1}
		type told struct {
			at          time.Duration
			volts, amps float64
		}
		last := map[int]told{}
		good := map[int]bool{}
		for g := range (motors + 3) / 4 {
			good[g] = true
		}
		for range rapid.IntRange(1, 30).Draw(rt, "frames") {
			g := rapid.IntRange(0, 3).Draw(rt, "four")
			volts := float64(rapid.IntRange(0, 25).Draw(rt, "volts"))
			amps := float64(rapid.IntRange(0, 50).Draw(rt, "amps"))
			got := f.at(time.Duration(rapid.IntRange(1, 400).Draw(rt, "ms"))*ms, craft.frame(status(uint8(4*g), float32(volts), float32(amps))))
			now := f.now
			s, ok := value(got, rules.ESCVoltage)
			sum, _ := value(got, rules.ESCCurrent)
			if motors > 0 && 4*g >= motors {
				if ok {
					rt.Fatalf("four %d of %d motors gave %+v", g, motors, s)
				}
				continue
			}
			last[g] = told{now, volts, amps}
			good[g] = good[g] || volts >= 1
			least, total, missing := math.Inf(1), 0.0, len(good) == 0
			for k := range good {
				if !good[k] {
					continue
				}
				x, heard := last[k]
				missing = missing || !heard || now-x.at > 500*ms || x.volts < 1
				least = math.Min(least, x.volts)
			}
			// Current has no word for unknown: every four that was heard counts.
			stale := false
			for k := range 4 {
				x, heard := last[k]
				if heard || 4*k < motors {
					stale = stale || !heard || now-x.at > 500*ms
					total += 4 * x.amps
				}
			}
			if !ok || (s.Quality == rules.Missing) != (missing || math.IsInf(least, 1)) || s.Quality == rules.Good && s.Value != least {
				rt.Fatalf("voltage %+v (%v); the oracle says missing %v, %v", s, ok, missing, least)
			}
			if (sum.Quality == rules.Missing) != stale || sum.Quality == rules.Good && sum.Value != total {
				rt.Fatalf("current %+v; the oracle says missing %v, %v", sum, stale, total)
			}
		}
	})
}
