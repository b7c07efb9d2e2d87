package hw_test

import (
	"context"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"sync/atomic"
	"time"

	"golang.org/x/sys/unix"

	"downhaul/hw"
	"downhaul/interlock"
	"downhaul/interlock/day/guard"
	"downhaul/interlock/day/watchdog"
	"downhaul/interlock/pad"
	"downhaul/interlock/records/triplog"
	"downhaul/rules"
)

// closed are the levels of a pad at rest, in the order of the request below: both contacts
// of the emergency stop and the gate are closed, buttons open, and so is the contactor.
const closed = 0b0000111

// board is the one for real pins, on pipes.
func (r *latencyRoom) board(now func() time.Duration) (hw.Board, error) {
	fd, err := r.events("guard", unix.O_NONBLOCK)
	if err != nil {
		return nil, err
	}
	var cups [2]int
	if err := unix.Pipe2(cups[:], unix.O_NONBLOCK|unix.O_CLOEXEC); err != nil {
		return nil, err
	}
	pin := func(n int) hw.Pin { return hw.Pin{Chip: "gpiochip0", Line: n} }
	const buzzer, anemometer, first = 3, 30, 10
	cfg := hw.GPIOConfig{Relay: pin(1), Heartbeat: pin(2), Buzzer: pin(buzzer), Lamp: pin(4), Now: now,
		Anemometer: hw.GPIOInput{Name: "anemometer", Pin: pin(anemometer)},
		LoadCell:   hw.LoadCellConfig{Fitted: true, Raw: filepath.Join(r.dir, "raw"), Rate: 80}}
	if err := os.WriteFile(cfg.LoadCell.Raw, []byte("84000\n"), 0o600); err != nil {
		return nil, err
	}
	for l := range interlock.LineCount {
		in := hw.GPIOInput{Name: l.String(), Every: l == interlock.EStopA || l == interlock.EStopB}
		if l != interlock.Hold {
			in.Pin = pin(first + int(l))
		}
		cfg.Inputs = append(cfg.Inputs, in)
	}
	return hw.OpenOn(cfg, func(lines []uint32, output bool) hw.OwnLine {
		switch {
		case output && lines[0] == buzzer:
			return hw.OwnLine{FD: cups[1], Wrote: func(high bool) {
				if high && r.mode != "stop" {
					r.stamp()
				}
			}}
		case output:
			return hw.OwnLine{FD: cups[1]}
		case lines[0] == anemometer:
			return hw.OwnLine{FD: cups[0], High: func() uint64 { return 1 }}
		}
		return hw.OwnLine{FD: fd, High: func() uint64 { return uint64(atomic.LoadInt64(&r.head[headLevels])) }}
	})
}

// hungDisk does not answer once it hangs.
type hungDisk struct {
	triplog.Disk
	hung *atomic.Bool
}

type hungFile struct {
	triplog.File
	hung *atomic.Bool
}

func (d hungDisk) Create(name string) (triplog.File, error) {
	f, err := d.Disk.Create(name)
	return hungFile{f, d.hung}, err
}

func (f hungFile) wait() {
	if f.hung.Load() {
		select {}
	}
}

func (f hungFile) Write(b []byte) (int, error) { f.wait(); return f.File.Write(b) }
func (f hungFile) Sync() error                 { f.wait(); return f.File.Sync() }

const padText = `version = 1
duty = "watch"
log_folder = %[1]q
socket = "%[1]s/guard.sock"
[craft]
system = 1
component = 1
motors = 4
[reach]
how = "wired pair"
[stop]
measured = "2.4 s"
method = "made up"
date = "2031-05-03"
by = "test"
[[link]]
kind = "udp"
address = %[2]q
from = "127.0.0.2:%[3]d"
[board]
kind = "virtual"
socket = "%[1]s/board.sock"
stale_after = "900 ms"
[watchdog]
longest_gap = "900 ms"
[commission]
required = false
[absent]
hold = "nobody needs to hold anything at a table"
[wind]
slope = "0.62 m"
offset = "0.27 m/s"
pulses_per_turn = 2
[load_cell]
zero = 84000
newtons_per_count = 0.0025
rate = "80 Hz"
`

const envelopeText = `version = 1
title = "latency"
[[rule]]
name = "roll"
watch = "craft.roll"
above = "20 deg"
stale_after = "10 s"
stop = "immediate"
`

// guardPart is a whole guard as the daemon runs it.
func guardPart(room *latencyRoom, part string) error {
	free, err := net.ListenPacket("udp4", "127.0.0.1:0")
	if err != nil {
		return err
	}
	at := free.LocalAddr().(*net.UDPAddr).AddrPort()
	free.Close()
	room.head[headLevels] = closed
	var hung atomic.Bool
	opts := guard.Options{Software: "test", Room: 1 << 20,
		Virtual: func(_ *pad.Pad, now func() time.Duration) (hw.Board, error) { return room.board(now) },
		Disk:    func(d triplog.Disk) triplog.Disk { return hungDisk{d, &hung} },
		Watch: func(_ *rules.Envelope, e interlock.Effect) {
			if e.Kind == interlock.TripEffect && room.mode == "stop" {
				room.stamp()
			}
		}}
	runtime.GOMAXPROCS(max(4, runtime.NumCPU()+2)) // as the daemon does
	debug.SetMemoryLimit(256 << 20)
	if room.mode == "idle" || room.mode == "busy" {
		if err := watchdog.LockMemory(); err != nil {
			fmt.Fprintln(os.Stderr, err)
		}
		opts.Thread = func() {
			if err := watchdog.RealTime(); err != nil {
				fmt.Fprintln(os.Stderr, err)
			}
		}
	}
	g, err := guard.Open(guard.Files{Pad: guard.File{Name: "pad.toml", Text: fmt.Appendf(nil, padText, room.dir, at, room.head[headCraft])},
		Envelope: guard.File{Name: "envelope.toml", Text: []byte(envelopeText)}}, opts)
	if err != nil {
		return err
	}
	hung.Store(room.mode == "disk")
	time.AfterFunc(time.Second, func() { room.ready(part, int(at.Port())) })
	return g.Run(context.Background())
}
