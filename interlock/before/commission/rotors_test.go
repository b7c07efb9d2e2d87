package commission

import (
	"context"
	"net"
	"testing"
	"testing/synctest"
	"time"

	"downhaul/hw/virtual"
	"downhaul/interlock"
	"downhaul/interlock/day/telemetry/link"
	"downhaul/interlock/model/benchboard"
	"downhaul/interlock/model/craftmodel"
	"downhaul/rules"
)

// The craft's own word on its rotors: they stand when every fitted one is told
// to, and a rotor that is not told is not known to stand.
func TestRotorsByTelemetry(t *testing.T) {
	p := testPad(t, t.TempDir())
	for _, c := range []struct {
		name string
		// hz is the speed of motor i at a time since the power went.
		hz       func(i int, off time.Duration) (float64, bool)
		measured bool
		least    float64
		stays    bool
	}{
		{"run down", func(i int, off time.Duration) (float64, bool) {
			if off > time.Duration(1000+100*i)*time.Millisecond {
				return 0, true
			}
			return -30, true
		}, true, 1.3, false},
		{"one falls silent", func(i int, off time.Duration) (float64, bool) { return 30, i != 3 || off == 0 }, false, 0, false},
		{"one goes on", func(i int, off time.Duration) (float64, bool) {
			if i == 2 || off == 0 {
				return 30, true
			}
			return 0, true
		}, false, 0, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				began := time.Now()
				now := func() time.Duration { return time.Since(began) }
				board, err := virtual.Open(benchboard.Config(p, now))
				if err != nil {
					t.Fatal(err)
				}
				defer board.Close()
				ctx, stop := context.WithCancel(t.Context())
				defer func() { stop(); time.Sleep(time.Second) }()
				rotors := &tach{count: p.Craft.Motors}
				go func() {
					var off time.Duration
					for ctx.Err() == nil {
						switch on := board.PowerOn(); {
						case on:
							off = 0
						case off == 0 && now() > time.Second:
							off = now()
						}
						since := time.Duration(0)
						if off > 0 {
							since = now() - off
						}
						for i := range rotors.count {
							if v, told := c.hz(i, since); told {
								rotors.take(now(), interlock.Sample{Channel: rules.Motor1Speed + rules.ChannelID(i), Quality: rules.Good, Value: v})
							}
						}
						time.Sleep(100 * time.Millisecond)
					}
				}()
				h := &hands{t: t, board: board, met: map[string]bool{}, script: goodCrew()}
				b := &bench{ctx: ctx, cfg: Config{Pad: p, Board: board, Crew: h, Now: now}, crew: h, within: true, patience: 10 * time.Second,
					rig: &rig{pad: p, board: board, lines: p.Intake().Lines, now: now, sleep: time.Sleep}}
				var got trial
				measured, err := b.byTelemetry(&got, rotors)
				if err != nil || measured != c.measured || b.stays != c.stays {
					t.Fatalf("measured %v, stays %v, found %q: %v", measured, b.stays, got.Found, err)
				}
				if measured {
					// Told ten times a second, and the contactor takes 20 ms.
					between(t, &got.Result, stopTimeFigure, c.least, c.least+0.25)
					between(t, &got.Result, "rotor speed told every", 0.099, 0.101)
				}
				if board.PowerOn() {
					t.Error("the contactor is closed after the measuring")
				}
			})
		})
	}
}

// The craft is heard over a real link by the guard's own reading of it, and
// the links are let go afterwards.
func TestRotorsAreHeardOverTheLink(t *testing.T) {
	c, err := net.ListenUDP("udp4", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1)})
	if err != nil {
		t.Fatal(err)
	}
	port := c.LocalAddr().String()
	c.Close()
	p := testPad(t, t.TempDir(), "127.0.0.1:40123", port)
	began := time.Now()
	b := &bench{cfg: Config{Pad: p, Now: func() time.Duration { return time.Since(began) }, Hear: link.Open}}
	ctx, stop := context.WithCancel(context.Background())
	rotors, wait, err := b.listen(ctx)
	if err != nil {
		t.Fatal(err)
	}
	defer wait()
	defer stop()
	cfg := craftmodel.EightTwo()
	cfg.Motors = p.Craft.Motors
	craft, err := craftmodel.New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	conn, err := net.Dial("udp4", port)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	fly := func(what string, ok func(hz float64, known bool) bool) {
		t.Helper()
		for until := time.Now().Add(time.Minute); ; time.Sleep(10 * time.Millisecond) {
			craft.Advance(time.Since(began))
			for _, f := range craft.Frames(nil) {
				_, _ = conn.Write(f.Bytes)
			}
			if ok(rotors.speed(b.cfg.Now())) {
				return
			}
			if time.Now().After(until) {
				t.Fatalf("never %s", what)
			}
		}
	}
	fly("heard to stand", func(hz float64, known bool) bool { return known && hz <= stillRotor })
	if err := craft.Do(craftmodel.Event{Act: craftmodel.Arm}); err != nil {
		t.Fatal(err)
	}
	fly("heard to turn", func(hz float64, known bool) bool { return known && hz > 5 })
	stop()
	wait()
	again, err := net.ListenPacket("udp4", port)
	if err != nil {
		t.Fatalf("the link is still held: %v", err)
	}
	again.Close()
}
