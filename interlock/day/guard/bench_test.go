package guard

import (
	"bytes"
	"context"
	"net"
	"os/exec"
	"runtime"
	"slices"
	"sync/atomic"
	"testing"
	"time"

	"github.com/bluenviron/gomavlib/v3/pkg/dialects/common"

	"downhaul/hw"
	"downhaul/interlock"
	"downhaul/interlock/day/intake"
	"downhaul/interlock/day/telemetry/link"
	"downhaul/interlock/model/craftmodel"
	"downhaul/interlock/records/triplog"
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
//
// Both are measured with nothing else to do; with another sender's 20,000
// frames a second on the same socket; with a disk that does not answer
// (there is no floor: the bare reader writes nothing); and with two busy
// processes for every processor.
func BenchmarkDatagramToRelay(b *testing.B) {
	for _, under := range []stress{{name: "idle"}, {name: "flood", flood: true}, {name: "stalled-disk", disk: true}, {name: "busy-processors", hogs: true}} {
		b.Run(under.name, func(b *testing.B) {
			if under.hogs {
				defer hog(b)()
			}
			b.Run("guard", func(b *testing.B) { measure(b, under.guardTrip) })
			if !under.disk {
				b.Run("floor", func(b *testing.B) { measure(b, under.bareTrip) })
			}
		})
	}
}

// stress is what goes on beside the measurement.
type stress struct {
	name              string
	flood, disk, hogs bool
}

// hog keeps every processor busy twice over.
func hog(b *testing.B) (stop func()) {
	var all []*exec.Cmd
	for range 2 * runtime.NumCPU() {
		c := exec.Command("sh", "-c", "while :; do :; done")
		must(b, c.Start())
		all = append(all, c)
	}
	return func() {
		for _, c := range all {
			_ = c.Process.Kill()
			_ = c.Wait()
		}
	}
}

// others sends 20,000 frames a second of another sender until stop, where the
// stress asks for it.
func (s stress) others(b *testing.B, to string) (stop func()) {
	if !s.flood {
		return func() {}
	}
	conn := dialed(b, to)
	frames := bytes.Repeat(encodeAs(b, 42, 1, 9, &common.MessageAttitude{TimeBootMs: 77}), 20)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() {
		defer close(done)
		for tick := time.NewTicker(time.Millisecond); ctx.Err() == nil; <-tick.C {
			_, _ = conn.Write(frames)
		}
	}()
	return func() { cancel(); <-done; conn.Close() }
}

// hungDisk does not answer until it is closed; a nil one answers at once.
type hungDisk chan struct{}

func (d hungDisk) wait() error {
	if d != nil {
		<-d
	}
	return nil
}

func (d hungDisk) Append(triplog.Line, bool) error   { return d.wait() }
func (d hungDisk) Put(intake.Chunk, ...string) error { return d.wait() }
func (d hungDisk) Flush() error                      { return d.wait() }
func (d hungDisk) Sync() error                       { return d.wait() }

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

func (s stress) bareTrip(b *testing.B) (took time.Duration, ok bool) {
	in, err := net.ListenUDP("udp4", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1)})
	must(b, err)
	defer in.Close()
	pin := &stampOutput{from: time.Now(), told: make(chan struct{}, 1)}
	ready := make(chan struct{})
	go func() {
		buf := make([]byte, 64<<10)
		close(ready)
		for {
			n, _, err := in.ReadFromUDPAddrPort(buf)
			if err != nil {
				return
			}
			if n == 1 {
				_ = pin.Set(false)
				return
			}
		}
	}()
	<-ready
	conn := dialed(b, in.LocalAddr().String())
	defer conn.Close()
	defer s.others(b, in.LocalAddr().String())()
	time.Sleep(time.Millisecond) // the reader waits in the kernel
	sent := time.Since(pin.from)
	_, err = conn.Write([]byte("x"))
	must(b, err)
	<-pin.told
	return time.Duration(pin.off.Load()) - sent, true
}

func (s stress) guardTrip(b *testing.B) (took time.Duration, ok bool) {
	r := newRig(b)
	r.live()
	pin := &stampOutput{told: make(chan struct{}, 1)}
	levels, err := r.board.Board.Levels()
	must(b, err)
	board := &stampBoard{relay: pin, levels: levels}
	// From here on the rig's loop runs in real time on a board that stamps.
	l := r.loop
	l.cfg.Board = board
	l.relay.Output, l.heartbeat.Output = board.Relay(), board.Heartbeat()
	l.buzzer, l.lamp = board.Buzzer(), board.Lamp()
	var disk hungDisk
	if s.disk {
		disk = make(hungDisk)
	}
	k := keeperOf(b, r.env, disk, disk, func(uint32) {})
	l.cfg.Keep = k.put
	udp, err := link.Open(link.Config{Kind: link.UDP, Address: "127.0.0.1:0"})
	must(b, err)
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan struct{}, 2)
	l.Reads([]*link.Link{udp})
	l.cfg.Whose = func(c *intake.Chunk) Whose {
		if len(c.Bytes) <= 500 { // not the other sender's: the rig's craft came from an address of its own; so does this
			c.From = craftFrom
		}
		return Craft
	}
	must(b, udp.Start(func(link.Event) {}, l.waiter.Wake))
	go func() { k.run(ctx); done <- struct{}{} }()
	began, from := time.Now(), r.now
	pin.from = began
	now := func() time.Duration { return from + time.Since(began) }
	l.cfg.Clock = now
	g := &Guard{loop: l, now: now}
	go func() { g.turnUntil(ctx); done <- struct{}{} }()
	conn := dialed(b, udp.LocalAddr().String())
	defer conn.Close()
	quiet := s.others(b, udp.LocalAddr().String())
	time.Sleep(2 * time.Millisecond) // the loop waits as it does between frames
	boot := uint32((craftmodel.EightTwo().Uptime+from)/ms) + 50
	frame := encode(b, 0, &common.MessageAttitude{TimeBootMs: boot, Roll: 1})
	sent := time.Since(began)
	_, err = conn.Write(frame)
	must(b, err)
	<-pin.told
	took = time.Duration(pin.off.Load()) - sent
	quiet()
	stop()
	if disk != nil {
		close(disk)
	}
	for range 2 {
		<-done
	}
	must(b, udp.Close())
	var v interlock.View
	r.eng.View(&v)
	return took, v.First.Reason == interlock.ReasonRule
}
