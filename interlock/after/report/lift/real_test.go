package lift_test

import (
	"errors"
	"io"
	"math"
	"strings"
	"testing"

	"github.com/bluenviron/gomavlib/v3/pkg/dialects/common"

	"downhaul/interlock/after/report/lift"
	"downhaul/interlock/records/recording"
	"downhaul/rules/architecture"
)

// The recording of a real small quadrotor (its origin and licence stand beside
// it). Its resistance from current steps over 1 A is noted there: 0.039 Ω. It
// flies a mission in the wind and tells a climb of 1 to 3 m/s for minutes at the
// same height: no hover of it may count, and the reason must say so.
func TestRealFlight(t *testing.T) {
	rec, err := recording.Open(architecture.Data(t, "telemetry/quad-crash-then-mission.pcap")[0])
	if err != nil {
		t.Fatal(err)
	}
	defer rec.Close()
	r := lift.Run{Name: "real", Mass: 1, Outputs: make([]lift.Series, 4)}
	for {
		c, err := rec.Next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		fr := decode(t, c.Bytes)
		if fr == nil || fr.GetSystemID() != 1 {
			continue
		}
		now := c.At.Seconds()
		switch m := fr.GetMessage().(type) {
		case *common.MessageSysStatus:
			put(&r.Voltage, now, float64(m.VoltageBattery)/1000)
			put(&r.Current, now, float64(m.CurrentBattery)/100)
		case *common.MessageHeartbeat:
			put(&r.Armed, now, flag(m.BaseMode&common.MAV_MODE_FLAG_SAFETY_ARMED != 0))
		case *common.MessageServoOutputRaw:
			for i, us := range []uint16{m.Servo1Raw, m.Servo2Raw, m.Servo3Raw, m.Servo4Raw} {
				put(&r.Outputs[i], now, (float64(us)-1000)/1000)
			}
		case *common.MessageGlobalPositionInt:
			put(&r.Height, now, float64(m.RelativeAlt)/1000)
			put(&r.Climb, now, -float64(m.Vz)/100)
		}
	}
	ohms, steps := lift.StepOhms(r)
	if steps < 100 || math.Abs(ohms-0.039) > 0.0015 {
		t.Errorf("resistance %.4f ohm of %d steps, and 0.039 is noted beside the recording", ohms, steps)
	}
	f := lift.Ask([]lift.Run{r}, lift.Question{Craft: lift.Craft{Motors: 4, Width: 0.6}, Next: []lift.Step{{Mass: 1.1}}})
	if len(f.Points) > 0 || f.Verdict != lift.NotYet || !strings.Contains(strings.Join(f.Unused, ";"), "climbing or sinking, as the craft tells it") {
		t.Errorf("%s, %d points, left out: %q", f.Verdict, len(f.Points), f.Unused)
	}
	// By its height alone some of it may pass; one flight at one load is no
	// forecast still.
	r.Climb = lift.Series{}
	f = lift.Ask([]lift.Run{r}, lift.Question{Craft: lift.Craft{Motors: 4, Width: 0.6}, Next: []lift.Step{{Mass: 1.1}}})
	if f.Verdict != lift.NotYet || f.Next[0].Numbers {
		t.Errorf("without its climb: %s: %s", f.Verdict, f.Next[0].Reason)
	}
}
