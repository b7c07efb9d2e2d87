package guard

import (
	"context"
	"net"
	"slices"
	"sync/atomic"
	"testing"
	"time"

	"github.com/bluenviron/gomavlib/v3/pkg/dialects/common"

	"downhaul/hw"
	"downhaul/interlock"
	"downhaul/interlock/craftmodel"
	"downhaul/interlock/intake"
	"downhaul/interlock/telemetry/link"
)

// stampOutput notes when it was driven off.
type stampOutput struct {
	off  atomic.Int64 // ns since start
	from time.Time
	told chan struct{}
}

func (o *stampOutput) Set(on bool) error {
	if !on {
		o.off.Store(int64(time.Since(o.from)))
		select {
		case o.told <- struct{}{}:
		default:
		}
	}
	return nil
}

// stampBoard is a board whose relay is a stamp; nothing else costs anything.
type stampBoard struct {
	noBoard
	relay  *stampOutput
	levels uint32
}

func (b *stampBoard) Relay() hw.Output        { return b.relay }
func (b *stampBoard) Levels() (uint32, error) { return b.levels, nil }

// BenchmarkDatagramToRelay is the time from just before a datagram that
// violates a rule is sent over loopback to the relay's write, through the real
// link and the real loop on a locked thread; and beside it the floor: a bare
// reader of the same kind of socket that drives the same pin. Every trip is on
// a fresh engine that was brought to live on a clock of the test's own. A try
// in which this computer held the loop up for so long that the guard tripped by
// silence of its lines is counted as held_up and made again. p50, p99
// and p99.9 need -benchtime of some thousand iterations (-benchtime
// 2000x); the numbers are this computer's alone.
func BenchmarkDatagramToRelay(b *testing.B) {
	b.Run("guard", func(b *testing.B) { measure(b, guardTrip) })
	b.Run("floor", func(b *testing.B) { measure(b, bareTrip) })
}

func measure(b *testing.B, trip func(b *testing.B) (took time.Duration, ok bool)) {
	times := make([]time.Duration, 0, b.N)
	held := 0.0
	for len(times) < b.N {
		took, ok := trip(b)
		if !ok {
			held++
			continue
		}
		times = append(times, took)
	}
	slices.Sort(times)
	at := func(share float64) float64 {
		return float64(times[min(len(times)-1, int(share*float64(len(times))))]) / 1e3
	}
	b.ReportMetric(at(0.5), "p50_us")
	b.ReportMetric(at(0.99), "p99_us")
	b.ReportMetric(at(0.999), "p99.9_us")
	b.ReportMetric(float64(times[len(times)-1])/1e3, "worst_us")
	b.ReportMetric(held, "held_up")
}

func dialed(b *testing.B, to string) net.Conn {
	conn, err := net.Dial("udp", to)
	must(b, err)
	return conn
}

func bareTrip(b *testing.B) (took time.Duration, ok bool) {
	in, err := net.ListenUDP("udp4", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1)})
	must(b, err)
	defer in.Close()
	pin := &stampOutput{from: time.Now(), told: make(chan struct{}, 1)}
	ready := make(chan struct{})
	go func() {
		buf := make([]byte, 64<<10)
		close(ready)
		if _, _, err := in.ReadFromUDPAddrPort(buf); err == nil {
			_ = pin.Set(false)
		}
	}()
	<-ready
	conn := dialed(b, in.LocalAddr().String())
	defer conn.Close()
	time.Sleep(time.Millisecond) // the reader waits in the kernel
	sent := time.Since(pin.from)
	_, err = conn.Write([]byte("x"))
	must(b, err)
	<-pin.told
	return time.Duration(pin.off.Load()) - sent, true
}

func guardTrip(b *testing.B) (took time.Duration, ok bool) {
	r := newRig(b)
	r.live()
	pin := &stampOutput{told: make(chan struct{}, 1)}
	levels, err := r.board.Virtual.Levels()
	must(b, err)
	board := &stampBoard{relay: pin, levels: levels}
	// From here on the rig's loop runs in real time on a board that stamps.
	l := r.loop
	l.cfg.Board = board
	l.pin.relay, l.pin.heartbeat = board.Relay(), board.Heartbeat()
	l.pin.buzzer, l.pin.lamp = board.Buzzer(), board.Lamp()
	k := newKeeper(r.env, nullLog{}, nullRecorder{}, func(uint32) {})
	l.cfg.Keep = k.put
	udp, err := link.Open(link.Config{Kind: link.UDP, Address: "127.0.0.1:0"})
	must(b, err)
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan struct{}, 3)
	go func() {
		// The rig's craft came from an address of its own; so does this.
		_ = udp.Run(ctx, func(p link.Packet) {
			l.Telemetry(intake.Chunk{From: craftFrom, To: p.To, Bytes: p.Bytes})
		}, func(link.Event) {})
		done <- struct{}{}
	}()
	go func() { k.run(ctx); done <- struct{}{} }()
	began, from := time.Now(), r.now
	pin.from = began
	now := func() time.Duration { return from + time.Since(began) }
	l.cfg.Clock = now
	g := &Guard{loop: l, now: now}
	go func() { g.turnUntil(ctx); done <- struct{}{} }()
	conn := dialed(b, udp.LocalAddr().String())
	defer conn.Close()
	time.Sleep(2 * time.Millisecond) // the loop waits as it does between frames
	boot := uint32((craftmodel.HeronTwo().Uptime+from)/ms) + 50
	frame := encode(b, 0, &common.MessageAttitude{TimeBootMs: boot, Roll: 1})
	sent := time.Since(began)
	_, err = conn.Write(frame)
	must(b, err)
	<-pin.told
	took = time.Duration(pin.off.Load()) - sent
	stop()
	for range 3 {
		<-done
	}
	must(b, udp.Close())
	var v interlock.View
	r.eng.View(&v)
	return took, v.First.Reason == interlock.ReasonRule
}
