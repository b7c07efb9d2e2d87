package derived

import (
	"bufio"
	"bytes"
	"errors"
	"io"
	"math"
	"os"
	"testing"
	"time"

	"downhaul/rules"
	"downhaul/rules/architecture"

	"github.com/bluenviron/gomavlib/v3/pkg/dialect"
	"github.com/bluenviron/gomavlib/v3/pkg/dialects/common"
	"github.com/bluenviron/gomavlib/v3/pkg/frame"
	"github.com/bluenviron/gomavlib/v3/pkg/message"
	"github.com/gopacket/gopacket"
	"github.com/gopacket/gopacket/layers"
	"github.com/gopacket/gopacket/pcapgo"
)

// telemetry calls each message of system 1 in the recording of a real small
// quadrotor (its origin and licence stand beside it); the test is skipped where
// the recording is not.
func telemetry(t *testing.T, each func(at time.Duration, m message.Message)) {
	t.Helper()
	raw, err := os.ReadFile(architecture.Data(t, "telemetry/quad-crash-then-mission.pcap")[0])
	if err != nil {
		t.Fatal(err)
	}
	p, err := pcapgo.NewReader(bytes.NewReader(raw))
	if err != nil {
		t.Fatal(err)
	}
	known := &dialect.ReadWriter{Dialect: common.Dialect}
	if err := known.Initialize(); err != nil {
		t.Fatal(err)
	}
	var start time.Time
	for n := 0; ; n++ {
		data, info, err := p.ReadPacketData()
		if errors.Is(err, io.EOF) {
			if n < 10000 {
				t.Fatalf("expected 11,701 packets, got %d", n)
			}
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		if n == 0 {
			start = info.Timestamp
		}
		udp, ok := gopacket.NewPacket(data, p.LinkType(), gopacket.Default).Layer(layers.LayerTypeUDP).(*layers.UDP)
		if !ok {
			t.Fatalf("packet %d is no datagram", n)
		}
		in := &frame.Reader{BufByteReader: bufio.NewReader(bytes.NewReader(udp.Payload)), DialectRW: known}
		if err := in.Initialize(); err != nil {
			t.Fatal(err)
		}
		fr, err := in.Read()
		if err != nil || fr.GetSystemID() != 1 {
			continue
		}
		each(info.Timestamp.Sub(start), fr.GetMessage())
	}
}

// The resistance noted beside the recording, from current steps over 1 A: 0.039
// Ω; voltage 10.04 to 11.36 V, current 0.12 to 24.51 A.
func TestPackResistanceOfARealFlight(t *testing.T) {
	r := newRig(t, whole(), rules.PackResistance, rules.PackResting)
	least, most := math.Inf(1), 0.0
	telemetry(t, func(at time.Duration, m message.Message) {
		s, ok := m.(*common.MessageSysStatus)
		if !ok {
			return
		}
		load(r, at, float64(s.VoltageBattery)/1000, float64(s.CurrentBattery)/100)
		least = math.Min(least, float64(s.VoltageBattery)/1000)
		most = math.Max(most, float64(s.CurrentBattery)/100)
		if v := r.last[rules.PackResting]; v.Quality == rules.Good && (v.Value < 10.04 || v.Value > 11.36+0.039*24.51) {
			t.Fatalf("at %v the pack would rest at %v V", at, v.Value)
		}
	})
	if math.Abs(least-10.04) > 0.005 || most != 24.51 {
		t.Fatalf("expected 10.04 V and 24.51 A, got %v and %v: another recording?", least, most)
	}
	r.wantGood(t, rules.PackResistance, 0.039, 0.0005)
}

// The same craft tells two climbs in flight (74 to 181 s): the one beside its
// height in GLOBAL_POSITION_INT is off by metres a second, the one in VFR_HUD
// fits. The step check must find the first out and have nothing against the
// second, over the whole flight to 14.64 m and back.
func TestPromise14_ClimbOfARealCraft(t *testing.T) {
	fly := func(climb rules.ChannelID) (good, disagreed int, highest float64) {
		cfg := whole()
		cfg.ClimbSource = climb
		r := newRig(t, cfg, rules.Height)
		telemetry(t, func(at time.Duration, m message.Message) {
			if at < 74*time.Second || at > 181*time.Second {
				return
			}
			switch m := m.(type) {
			case *common.MessageVfrHud:
				r.put(at, rules.ClimbHUD, float64(m.Climb))
			case *common.MessageGlobalPositionInt:
				r.put(at, rules.ClimbGlobal, -float64(m.Vz)/100)
				r.put(at, rules.HeightGlobal, float64(m.RelativeAlt)/1000)
				if h := r.last[rules.Height]; h.Quality == rules.Good {
					good++
					highest = math.Max(highest, h.Value)
				} else if h.Cause == rules.Disagreement {
					disagreed++
				}
			}
		})
		return good, disagreed, highest
	}
	good, disagreed, _ := fly(rules.ClimbGlobal)
	if disagreed < 100 || disagreed < good {
		t.Errorf("a climb that does not fit: %d heights believed, %d not", good, disagreed)
	}
	good, disagreed, highest := fly(rules.ClimbHUD)
	if good < 290 || disagreed > 0 || math.Abs(highest-14.64) > 0.005 {
		t.Errorf("a climb that fits: %d heights believed up to %v m, %d not", good, highest, disagreed)
	}
}

// A real flight of 109 s, whose loaded pack never met 9.8 V: from the second minute on
// there is always a value, and never one below 60 s while 120 s and more were left.
func TestPackToFloorOfARealFlight(t *testing.T) {
	cfg := whole()
	cfg.PackFloor = 9.8
	r := newRig(t, cfg, rules.PackToFloor)
	values, missing, short, begun := 0, 0, 0, time.Duration(-1)
	telemetry(t, func(at time.Duration, m message.Message) {
		s, ok := m.(*common.MessageSysStatus)
		if !ok {
			return
		}
		load(r, at, float64(s.VoltageBattery)/1000, float64(s.CurrentBattery)/100)
		if begun < 0 {
			begun = at
		}
		got := r.last[rules.PackToFloor]
		switch {
		case at-begun < time.Minute:
			return
		case got.Quality != rules.Good:
			missing++
		case got.Value < 60:
			short++
		}
		values++
	})
	if values < 200 || missing > 0 || short > 0 {
		t.Errorf("of %d values %d were missing and %d below 60 s", values, missing, short)
	}
}
