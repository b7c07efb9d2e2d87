package craftmodel

import (
	"bufio"
	"bytes"
	"math"
	"testing"
	"time"

	"github.com/bluenviron/gomavlib/v3/pkg/dialects/common"
	"github.com/bluenviron/gomavlib/v3/pkg/frame"
	"github.com/bluenviron/gomavlib/v3/pkg/message"
)

// Each message comes at its own rate, and no instant carries a burst.
func TestRates(t *testing.T) {
	f := fly(t, "quiet-hover.txt", nil)
	count := map[uint32]int{}
	instant := map[time.Duration]int{}
	f.said(t, func(at time.Duration, m message.Message) {
		count[m.GetID()]++
		instant[at]++
	})
	const length = 48
	for _, row := range []struct {
		id     uint32
		perSec float64
	}{
		{0, 1}, {1, 2}, {2, 1}, {30, 20}, {32, 10}, {33, 10}, {36, 10}, {74, 4}, {147, 2}, {230, 1},
		{241, 2}, {242, 0.2}, {245, 2}, {290, 2}, {291, 20},
	} {
		near(t, "messages of id "+itoa(row.id), float64(count[row.id]), row.perSec*length, 1.01)
	}
	for at, n := range instant {
		if n > 3 {
			t.Errorf("%d frames at %v", n, at)
		}
	}
}

func itoa(n uint32) string {
	var b []byte
	for ; n > 0 || len(b) == 0; n /= 10 {
		b = append([]byte{byte('0' + n%10)}, b...)
	}
	return string(b)
}

// The boot clock is the model's, offset by how long the craft had been
// running; the wall clock runs beside it.
func TestClocks(t *testing.T) {
	f := fly(t, "quiet-hover.txt", nil)
	up := f.craft.cfg.Uptime
	f.said(t, func(at time.Duration, m message.Message) {
		switch m := m.(type) {
		case *common.MessageAttitude:
			if got := time.Duration(m.TimeBootMs) * time.Millisecond; got != at+up {
				t.Fatalf("time_boot_ms at %v: got %v, want %v", at, got, at+up)
			}
		case *common.MessageSystemTime:
			if got, want := int64(m.TimeUnixUsec), f.craft.cfg.Start.Add(at).UnixMicro(); got != want {
				t.Fatalf("time_unix_usec at %v: got %d, want %d", at, got, want)
			}
		}
	})
}

// Cells sum to the pack voltage of the same moment (SYS_STATUS agrees too),
// 14 cells fill ten and four places, and the charge counts what was drawn.
func TestBattery(t *testing.T) {
	f := fly(t, "pack-floor.txt", nil)
	var drawn, lastAt float64
	var lowest = math.Inf(1)
	var lowestCell int
	f.said(t, func(at time.Duration, m message.Message) {
		b, ok := m.(*common.MessageBatteryStatus)
		if !ok {
			return
		}
		truth := f.states[min(int((at+5*ms)/(10*ms)), len(f.states)-1)]
		var sum float64
		for i := range 14 {
			v := 0.0
			if i < 10 {
				v = float64(b.Voltages[i])
			} else {
				v = float64(b.VoltagesExt[i-10])
			}
			if v < 2500 || v > 4250 {
				t.Fatalf("cell %d at %v: %v mV", i+1, at, v)
			}
			if v < lowest {
				lowest, lowestCell = v, i+1
			}
			sum += v / 1000
		}
		near(t, "cells against pack at "+at.String(), sum, truth.Voltage, 0.1)
		near(t, "current", float64(b.CurrentBattery)/100, truth.Current, 6)
		drawn += truth.Current * (at.Seconds() - lastAt)
		lastAt = at.Seconds()
		near(t, "mAh drawn", float64(b.CurrentConsumed), drawn/3.6, 25)
	})
	if lowestCell != 5 {
		t.Errorf("lowest cell: got %d, want the faulty fifth", lowestCell)
	}
	// Energy is counted as well: charge times voltage (100 J steps).
	near(t, "charge left", f.at(56).Charge, 0.7-drawn/3600/44, 0.002)
}

// The resistance is the slope of voltage against current at a sudden step
// (IEC 61960, direct-current method): cells × resistance, without the slow part.
func TestPackResistance(t *testing.T) {
	cfg := EightTwo()
	p := newPack(&cfg, still(t, cfg).air)
	p.step(&cfg, 1000, 0.001)
	u1, i1 := p.voltage, p.current
	p.step(&cfg, 8000, 0.001)
	near(t, "resistance", (u1-p.voltage)/(p.current-i1), 14*0.0013, 1e-5)
	near(t, "power", p.voltage*p.current, 8000, 1e-6)
	// More than the pack can give: half the source voltage and no more.
	p.step(&cfg, 1e6, 0.001)
	near(t, "at its most", p.voltage, p.source()/2, 0.01)
}

func TestRestingCurve(t *testing.T) {
	if RestingCell(1) != 4.2 || RestingCell(0) != 3.0 || RestingCell(2) != 4.2 || RestingCell(-1) != 3.0 {
		t.Errorf("ends: got %v %v", RestingCell(1), RestingCell(0))
	}
	for c := 0.01; c <= 1; c += 0.01 {
		if RestingCell(c) <= RestingCell(c-0.01) {
			t.Fatalf("not rising at %.2f", c)
		}
	}
}

// A monitor without cell taps puts the whole pack into cell 0, and what is
// past 65534 mV into the next (BATTERY_STATUS, common.xml).
func TestWholePackInCellZero(t *testing.T) {
	cfg := EightTwo()
	cfg.PackInCellZero = true
	c := still(t, cfg)
	m := &common.MessageBatteryStatus{}
	c.pack.voltage = 50.1
	c.fillCells(m, true)
	if m.Voltages[0] != 50100 || m.Voltages[1] != 0 || m.VoltagesExt != [4]uint16{} {
		t.Errorf("got %v %v", m.Voltages, m.VoltagesExt)
	}
	c.pack.voltage = 70
	c.fillCells(m, true)
	if m.Voltages[0] != 65534 || m.Voltages[1] != 4466 {
		t.Errorf("70 V: got %v", m.Voltages)
	}
}

// Above 327.67 A the field rolls over, as the standard warns; parallel packs
// share the current and each has a message of its own.
func TestCurrentRollsOver(t *testing.T) {
	if got := short(100 * 400); got != -25536 {
		t.Errorf("400 A: got %d", got)
	}
	f := fly(t, "quiet-hover.txt", func(c *Config) { c.Packs = 2 })
	seen := map[uint8]int{}
	f.said(t, func(at time.Duration, m message.Message) {
		if b, ok := m.(*common.MessageBatteryStatus); ok {
			seen[b.Id]++
			truth := f.states[min(int(at/(10*ms)), len(f.states)-1)]
			near(t, "half the current", float64(b.CurrentBattery)/100, truth.Current/2, 3)
		}
	})
	if seen[0] == 0 || seen[0] != seen[1] {
		t.Errorf("messages by pack: %v", seen)
	}
}

// Silence is silence, the frames lost leave a gap in the sequence, and a lag
// holds frames back without changing their boot clock.
func TestLinkFaults(t *testing.T) {
	f := fly(t, "link-lost.txt", nil)
	up := f.craft.cfg.Uptime
	var last, gap, lag time.Duration
	missing := f.said(t, func(at time.Duration, m message.Message) {
		if at < last {
			t.Fatalf("frames out of order: %v after %v", at, last)
		}
		gap = max(gap, at-last)
		last = at
		if a, ok := m.(*common.MessageAttitude); ok {
			lag = max(lag, at+up-time.Duration(a.TimeBootMs)*ms)
		}
	})
	// About 87 frames a second for 4 s were lost: the one-byte sequence shows
	// that modulo 256.
	if missing < 60 || missing > 130 {
		t.Errorf("sequence numbers left out: got %d, want about 350 less 256", missing)
	}
	if gap < 3990*ms || gap > 4100*ms {
		t.Errorf("longest silence: got %v, want 4 s", gap)
	}
	if lag != 800*ms {
		t.Errorf("largest lag: got %v, want 800ms", lag)
	}

	cfg := EightTwo()
	cfg.Events = []Event{{At: 0, Act: TelemetryDrop, Value: 0.25}}
	c := still(t, cfg)
	c.Advance(60 * time.Second)
	got := len(c.Frames(nil))
	whole := still(t, EightTwo())
	whole.Advance(60 * time.Second)
	all := len(whole.Frames(nil))
	near(t, "share that came through", float64(got)/float64(all), 0.75, 0.03)
}

// A restart in flight: silence, then a boot clock that starts at zero, a
// disarmed craft, and motors that got no command meanwhile.
func TestReboot(t *testing.T) {
	f := fly(t, "reboot.txt", nil)
	var before, after uint32
	var quiet time.Duration
	var last time.Duration
	f.said(t, func(at time.Duration, m message.Message) {
		quiet = max(quiet, at-last)
		last = at
		if a, ok := m.(*common.MessageAttitude); ok {
			if at < 18*time.Second {
				before = a.TimeBootMs
			} else if after == 0 {
				after = a.TimeBootMs
			}
		}
		if h, ok := m.(*common.MessageHeartbeat); ok && at > 19*time.Second && h.BaseMode&common.MAV_MODE_FLAG_SAFETY_ARMED != 0 {
			t.Fatalf("armed at %v after a restart", at)
		}
	})
	if before < 110000 || after > 4000 || after < 3000 {
		t.Errorf("boot clock: %d ms before, %d ms after", before, after)
	}
	if quiet < 2900*ms || quiet > 3200*ms {
		t.Errorf("silence: got %v, want 3 s", quiet)
	}
	if f.at(21).Height > 0.1 {
		t.Error("a craft without commands must fall")
	}
}

// Signed frames pass the library's own check with the right key only, and
// their times rise; version 1 frames decode as such.
func TestSignedAndVersion1(t *testing.T) {
	all := wholeDialect()
	key := [32]byte{1, 2, 3}
	cfg := EightTwo()
	cfg.Key = &key
	c := still(t, cfg)
	c.Advance(5 * time.Second)
	var stamp uint64
	frames := c.Frames(nil)
	if len(frames) < 300 {
		t.Fatalf("got %d frames in 5 s", len(frames))
	}
	for _, d := range frames {
		for _, k := range []struct {
			key frame.V2Key
			ok  bool
		}{{frame.V2Key(key), true}, {frame.V2Key{9}, false}} {
			r := &frame.Reader{BufByteReader: bufio.NewReader(bytes.NewReader(d.Bytes)), DialectRW: all, InKey: &k.key}
			if err := r.Initialize(); err != nil {
				t.Fatal(err)
			}
			fr, err := r.Read()
			if (err == nil) != k.ok {
				t.Fatalf("key %v: %v", k.key[:3], err)
			}
			if k.ok {
				if s := fr.(*frame.V2Frame).SignatureTimestamp; s <= stamp {
					t.Fatalf("signature time %d after %d", s, stamp)
				} else {
					stamp = s
				}
			}
		}
	}
	cfg = EightTwo()
	cfg.Version1 = true
	c = still(t, cfg)
	c.Advance(2 * time.Second)
	for _, d := range c.Frames(nil) {
		r := &frame.Reader{BufByteReader: bufio.NewReader(bytes.NewReader(d.Bytes)), DialectRW: all}
		if err := r.Initialize(); err != nil {
			t.Fatal(err)
		}
		fr, err := r.Read()
		if err != nil {
			t.Fatal(err)
		}
		if _, ok := fr.(*frame.V1Frame); !ok {
			t.Fatalf("got %T, want a version 1 frame", fr)
		}
	}
}

// What is asked of Periods is done: another rate, and none.
func TestPeriods(t *testing.T) {
	f := fly(t, "quiet-hover.txt", func(c *Config) {
		c.Periods = map[uint32]time.Duration{30: 20 * ms, 74: 0}
	})
	count := map[uint32]int{}
	f.said(t, func(_ time.Duration, m message.Message) { count[m.GetID()]++ })
	if count[74] != 0 {
		t.Errorf("VFR_HUD was turned off and came %d times", count[74])
	}
	near(t, "ATTITUDE at 50 a second", float64(count[30]), 48*50, 2)
}

// Faults of the estimate show in the messages and not in the truth.
func TestToldHeights(t *testing.T) {
	f := fly(t, "quiet-hover.txt", func(c *Config) {
		c.Events = []Event{{At: 2 * time.Second, Act: HomeMove, Value: 2}, {At: 4 * time.Second, Act: Estimator}}
	})
	var home, unsure bool
	f.said(t, func(at time.Duration, m message.Message) {
		switch m := m.(type) {
		case *common.MessageGlobalPositionInt:
			if at > 2100*ms {
				near(t, "relative_alt after home moved", float64(m.RelativeAlt)/1000, -2, 0.1)
			}
		case *common.MessageHomePosition:
			if at > 2100*ms {
				home = true
				near(t, "home", float64(m.Altitude)/1000, 122, 0.01)
			}
		case *common.MessageEstimatorStatus:
			ok := m.Flags&common.ESTIMATOR_POS_VERT_ABS != 0
			if ok == (at > 4100*ms) {
				t.Errorf("estimator at %v says vertical position valid: %v", at, ok)
			}
			unsure = unsure || !ok
		}
	})
	if !home || !unsure {
		t.Errorf("home heard %v, estimator fault heard %v", home, unsure)
	}
}

// A frozen attitude repeats its bits while its clock runs on; before that no
// two readings in a row are alike, even on the ground. The pad's own sensors
// can stick as well.
func TestStuckSensors(t *testing.T) {
	f := fly(t, "quiet-hover.txt", func(c *Config) {
		c.Wind, c.Turbulence = 6, 0
		c.Events = []Event{
			{At: 10 * time.Second, Act: Freeze}, {At: 10 * time.Second, Act: CupsStick},
			{At: 10 * time.Second, Act: CellSticks}, {At: 20 * time.Second, Act: ClearFaults},
		}
	})
	var last common.MessageAttitude
	f.said(t, func(at time.Duration, m message.Message) {
		a, ok := m.(*common.MessageAttitude)
		if !ok {
			return
		}
		same := a.Roll == last.Roll && a.Pitch == last.Pitch
		if stuck := at > 10030*ms && at <= 20*time.Second; same != stuck {
			t.Fatalf("attitude at %v: same as before %v, want %v", at, same, stuck)
		}
		if a.TimeBootMs <= last.TimeBootMs {
			t.Fatalf("boot clock stands at %v", at)
		}
		last = *a
	})
	for i := 1; i < len(f.loads); i++ {
		at := f.loads[i].At
		stuck := at > 10*time.Second && at <= 20*time.Second
		if same := f.loads[i].Newton == f.loads[i-1].Newton; same != stuck {
			t.Fatalf("load at %v: same as before %v, want %v", at, same, stuck)
		}
	}
	for _, p := range f.craft.Pulses(nil) {
		if p > 10100*ms && p < 20*time.Second {
			t.Fatalf("a pulse at %v from an anemometer that stands still", p)
		}
	}
}
