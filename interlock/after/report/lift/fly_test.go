package lift_test

import (
	"bufio"
	"bytes"
	"fmt"
	"math"
	"sync"
	"testing"
	"time"

	"github.com/bluenviron/gomavlib/v3/pkg/dialect"
	"github.com/bluenviron/gomavlib/v3/pkg/dialects/common"
	"github.com/bluenviron/gomavlib/v3/pkg/frame"

	"downhaul/interlock/after/report/lift"
	"downhaul/interlock/model/craftmodel"
	"downhaul/rules/card"
)

var dialectRW = sync.OnceValue(func() *dialect.ReadWriter {
	all := &dialect.ReadWriter{Dialect: common.Dialect}
	if err := all.Initialize(); err != nil {
		panic(err)
	}
	return all
})

// decode is the one frame of a datagram, nil where it is none.
func decode(t testing.TB, datagram []byte) frame.Frame {
	t.Helper()
	rd := &frame.Reader{BufByteReader: bufio.NewReader(bytes.NewReader(datagram)), DialectRW: dialectRW()}
	if err := rd.Initialize(); err != nil {
		t.Fatal(err)
	}
	fr, err := rd.Read()
	if err != nil {
		return nil
	}
	return fr
}

func put(s *lift.Series, at, v float64) { s.T, s.V = append(s.T, at), append(s.V, v) }

func flag(on bool) float64 {
	if on {
		return 1
	}
	return 0
}

// eight is the simulated craft of these tests: two packs of half the charge, so
// that no current passes what a battery message can hold.
func eight(seed uint64, ballast float64) craftmodel.Config {
	c := craftmodel.EightTwo()
	c.Seed, c.Ballast = seed, ballast
	c.Packs, c.Capacity, c.CellResistance, c.SlowResistance = 2, 22, 0.0022, 0.0009
	c.Wind = 2
	return c
}

func craftOf(c craftmodel.Config) lift.Craft {
	return lift.Craft{
		Motors: c.Motors, Width: 2*c.ArmReach + c.Diameter, RotorHeight: c.LegHeight, Cells: c.Cells, Packs: c.Packs,
	}
}

// hoverPlan hovers for a while at 4 m, and with pull then pulls at the tether
// with all it has.
func hoverPlan(pull bool) []craftmodel.Event {
	s := func(v float64) time.Duration { return time.Duration(v * float64(time.Second)) }
	plan := []craftmodel.Event{
		{At: s(2), Act: craftmodel.Arm}, {At: s(4), Act: craftmodel.ClimbTo, Value: 4},
		{At: s(12), Act: craftmodel.Hold}, {At: s(42), Act: craftmodel.LandNow},
	}
	if pull {
		plan[3] = craftmodel.Event{At: s(42), Act: craftmodel.ClimbTo, Value: 40}
		plan = append(plan, craftmodel.Event{At: s(60), Act: craftmodel.LandNow})
	}
	return plan
}

// fly flies the plan and makes a run of what the craft told over its link and
// the load cell measured; nothing of it is the model's own knowledge.
func fly(t testing.TB, cfg craftmodel.Config, lasts float64) (lift.Run, *craftmodel.Craft) {
	t.Helper()
	c, err := craftmodel.New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	r := lift.Run{
		Name: fmt.Sprintf("flight with %g kg", cfg.Ballast), Mass: cfg.Mass + cfg.Ballast,
		Air:     card.Air{Celsius: cfg.Celsius, Elevation: cfg.Elevation, Told: true},
		Outputs: make([]lift.Series, cfg.Motors), Speeds: make([]lift.Series, cfg.Motors),
	}
	var frames []craftmodel.Datagram
	var loads []craftmodel.Load
	amps := make([]float64, cfg.Packs)
	for at := 50 * time.Millisecond; at.Seconds() <= lasts; at += 50 * time.Millisecond {
		c.Advance(at)
		frames = c.Frames(frames[:0])
		for _, d := range frames {
			fr := decode(t, d.Bytes)
			if fr == nil {
				t.Fatal("the model sent what cannot be read")
			}
			now := d.At.Seconds()
			switch m := fr.GetMessage().(type) {
			case *common.MessageHeartbeat:
				put(&r.Armed, now, flag(m.BaseMode&common.MAV_MODE_FLAG_SAFETY_ARMED != 0))
			case *common.MessageExtendedSysState:
				put(&r.Landed, now, flag(m.LandedState == common.MAV_LANDED_STATE_ON_GROUND))
			case *common.MessageAttitude:
				put(&r.Tilt, now, math.Acos(math.Cos(float64(m.Roll))*math.Cos(float64(m.Pitch))))
			case *common.MessageLocalPositionNed:
				put(&r.Height, now, -float64(m.Z))
				put(&r.Climb, now, -float64(m.Vz))
				put(&r.Slant, now, math.Sqrt(float64(m.X*m.X+m.Y*m.Y+m.Z*m.Z)))
			case *common.MessageServoOutputRaw:
				for i, us := range []uint16{m.Servo1Raw, m.Servo2Raw, m.Servo3Raw, m.Servo4Raw, m.Servo5Raw, m.Servo6Raw, m.Servo7Raw, m.Servo8Raw} {
					if i < cfg.Motors {
						put(&r.Outputs[i], now, (float64(us)-1000)/1000)
					}
				}
			case *common.MessageEscStatus:
				for i, rpm := range m.Rpm {
					if k := int(m.Index) + i; k < cfg.Motors {
						put(&r.Speeds[k], now, float64(rpm)/60)
					}
				}
			case *common.MessageBatteryStatus:
				amps[m.Id] = float64(m.CurrentBattery) / 100
				if int(m.Id) == cfg.Packs-1 {
					var volts, all float64
					for i := range cfg.Cells {
						if i < 10 {
							volts += float64(m.Voltages[i]) / 1000
						} else {
							volts += float64(m.VoltagesExt[i-10]) / 1000
						}
					}
					for _, a := range amps {
						all += a
					}
					put(&r.Voltage, now, volts)
					put(&r.Current, now, all)
				}
			}
		}
		loads = c.Loads(loads[:0])
		for _, l := range loads {
			put(&r.Tension, l.At.Seconds(), l.Newton)
		}
	}
	return r, c
}
