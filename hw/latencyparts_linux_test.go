package hw_test

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math/rand/v2"
	"net"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"sync/atomic"
	"testing"
	"time"
	"unsafe"

	"github.com/bluenviron/gomavlib/v3/pkg/dialects/common"
	"github.com/bluenviron/gomavlib/v3/pkg/frame"
	"github.com/bluenviron/gomavlib/v3/pkg/message"
	"golang.org/x/sys/unix"

	"downhaul/hw"
)

// The columns of the memory that the processes share: a head, then for each sample
// when it was sent to guard and floor, when each wrote, and how late the canary was.
const (
	sentGuard = iota
	wroteGuard
	canaryGuard
	sentFloor
	wroteFloor
	canaryFloor
	columns
)

const (
	headSample = iota // the one the guard is measured by now
	headCraft         // the craft's port
	headLevels        // of the input lines
	headReady         // and one more for each part: its port, or 1, once it is ready
	headSize   = 16
)

var parts = map[string]func(*latencyRoom, string) error{"guard": guardPart, "floor": readPart, "canary": readPart, "strangers": strangersPart, "bare": barePart, "craft": craftPart, "sender": sendPart}

func ready(part string) int {
	return headReady + slices.Index([]string{"guard", "floor", "canary", "strangers", "bare", "craft", "sender"}, part)
}

// TestMain runs this program as a part of a benchmark where it was started as one.
func TestMain(m *testing.M) {
	part := os.Getenv("DOWNHAUL_LATENCY_PART")
	if part == "" {
		os.Exit(m.Run())
	}
	room, err := openRoom(os.Getenv("DOWNHAUL_LATENCY_DIR"))
	if err == nil {
		err = parts[part](room, part)
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, part+":", err)
		os.Exit(1)
	}
}

type latencyRoom struct {
	dir, mode   string
	head, cells []int64
}

func openRoom(dir string) (*latencyRoom, error) {
	f, err := os.OpenFile(filepath.Join(dir, "room"), os.O_RDWR, 0)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return nil, err
	}
	b, err := unix.Mmap(int(f.Fd()), 0, int(info.Size()), unix.PROT_READ|unix.PROT_WRITE, unix.MAP_SHARED)
	if err != nil {
		return nil, err
	}
	all := unsafe.Slice((*int64)(unsafe.Pointer(&b[0])), len(b)/8)
	return &latencyRoom{dir, os.Getenv("DOWNHAUL_LATENCY_MODE"), all[:headSize], all[headSize:]}, nil
}

func (r *latencyRoom) at(sample, column int) *int64 { return &r.cells[sample*columns+column] }

// stamp is of the guard, for the sample at hand.
func (r *latencyRoom) stamp() {
	if r.mode != "share" {
		atomic.CompareAndSwapInt64(r.at(int(atomic.LoadInt64(&r.head[headSample])), wroteGuard), 0, monotonic())
	}
}

func (r *latencyRoom) ready(part string, value int) {
	atomic.StoreInt64(&r.head[ready(part)], int64(value))
}

// monotonic is the clock that all processes of a computer share.
func monotonic() int64 {
	var t unix.Timespec
	_ = unix.ClockGettime(unix.CLOCK_MONOTONIC, &t)
	return t.Nano()
}

// events opens the pipe by which the events of the input lines come, for reading.
func (r *latencyRoom) events(part string, flags int) (int, error) {
	name := filepath.Join(r.dir, part+".events")
	if err := unix.Mkfifo(name, 0o600); err != nil && err != unix.EEXIST {
		return -1, err
	}
	return unix.Open(name, unix.O_RDWR|unix.O_CLOEXEC|flags, 0) // never at its end
}

// socket is a UDP socket on the loopback, and its port.
func socket() (fd, port int, err error) {
	if fd, err = unix.Socket(unix.AF_INET, unix.SOCK_DGRAM|unix.SOCK_CLOEXEC, 0); err != nil {
		return fd, 0, err
	}
	if err = unix.Bind(fd, &unix.SockaddrInet4{Addr: [4]byte{127, 0, 0, 1}}); err != nil {
		return fd, 0, err
	}
	at, err := unix.Getsockname(fd)
	if err != nil {
		return fd, 0, err
	}
	return fd, at.(*unix.SockaddrInet4).Port, nil
}

// readPart is a bare blocking reader that stamps the cell it is told; of a pipe of events,
// that of the floor's sample at hand.
func readPart(room *latencyRoom, part string) error {
	runtime.LockOSThread()
	fd, port, err := socket()
	if err != nil {
		return err
	}
	if room.mode == "stop" && part == "floor" {
		if fd, err = room.events(part, 0); err != nil {
			return err
		}
	}
	room.ready(part, port)
	for b := make([]byte, 256); ; {
		n, err := unix.Read(fd, b)
		switch {
		case err == unix.EINTR:
		case err != nil:
			return err
		case n == 8:
			_ = hw.Call(fd)
			atomic.StoreInt64(&room.cells[binary.LittleEndian.Uint64(b)], monotonic())
		case n > 8 && b[8] == unix.GPIO_V2_LINE_EVENT_FALLING_EDGE:
			_ = hw.Call(fd)
			atomic.StoreInt64(room.at(int(atomic.LoadInt64(&room.head[headSample])), wroteFloor), monotonic())
		}
	}
}

// barePart does the kernel's calls of a guard, and nothing else.
func barePart(room *latencyRoom, part string) error {
	runtime.LockOSThread()
	fd, port, err := socket()
	if err != nil {
		return err
	}
	events, err := room.events(part, unix.O_NONBLOCK)
	if err != nil {
		return err
	}
	out, err := os.Create(filepath.Join(room.dir, "bare"))
	if err != nil {
		return err
	}
	raw, err := os.Open(filepath.Join(room.dir, "raw"))
	if err != nil {
		return err
	}
	room.ready(part, port)
	var written, converted time.Time
	kept, buf := 0, make([]byte, 64<<10)
	for {
		for {
			n, _, err := unix.Recvfrom(fd, buf, unix.MSG_DONTWAIT)
			if err != nil {
				break
			}
			kept += n + 150 // a block of a recording
		}
		_, _ = unix.Read(events, buf)
		_ = hw.Call(events)
		kept += 100
		now := time.Now()
		if now.Sub(converted) >= time.Second/80 {
			converted = now
			_, _ = raw.ReadAt(buf[:32], 0)
		}
		if now.Sub(written) >= 100*time.Millisecond {
			written = now
			if _, err := out.Write(buf[:min(kept, len(buf))]); err != nil {
				return err
			}
			kept = 0
		}
		wait := unix.NsecToTimespec(int64(5 * time.Millisecond))
		_, _ = unix.Ppoll([]unix.PollFd{{Fd: int32(fd), Events: unix.POLLIN}, {Fd: int32(events), Events: unix.POLLIN}}, &wait, nil)
	}
}

// speaker encodes frames of the craft and sends them.
type speaker struct {
	table *message.ReadWriter
	w     *frame.Writer
	out   bytes.Buffer
	seq   byte
	began time.Time
}

func newSpeaker() (*speaker, error) {
	s := &speaker{table: &message.ReadWriter{Message: &common.MessageAttitude{}}, began: time.Now()}
	s.w = &frame.Writer{ByteWriter: &s.out}
	if err := s.table.Initialize(); err != nil {
		return nil, err
	}
	return s, s.w.Initialize()
}

func (s *speaker) attitude(roll float32) []byte {
	s.out.Reset()
	raw := s.table.Write(&common.MessageAttitude{TimeBootMs: uint32(time.Since(s.began) / time.Millisecond), Roll: roll}, true)
	f := &frame.V2Frame{SequenceNumber: s.seq, SystemID: 1, ComponentID: 1, Message: raw}
	f.Checksum = f.GenerateChecksum(s.table.CRCExtra())
	_ = s.w.Write(f) // into memory
	s.seq++
	return s.out.Bytes()
}

// dial connects to a part's port from an address of one's own.
func (r *latencyRoom) dial(part string, from *net.UDPAddr) (net.Conn, error) {
	return net.DialUDP("udp4", from, &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1), Port: int(atomic.LoadInt64(&r.head[ready(part)]))})
}

func (r *latencyRoom) craft() *net.UDPAddr {
	return &net.UDPAddr{IP: net.IPv4(127, 0, 0, 2), Port: int(r.head[headCraft])}
}

// craftPart sends 400 frames a second to guard and bare loop.
func craftPart(room *latencyRoom, part string) error {
	g, err := room.dial("guard", room.craft())
	if err != nil {
		return err
	}
	bare, err := room.dial("bare", nil)
	if err != nil {
		return err
	}
	s, err := newSpeaker()
	if err != nil {
		return err
	}
	room.ready(part, 1)
	for tick := time.NewTicker(2500 * time.Microsecond); ; <-tick.C {
		b := s.attitude(0.1)
		_, _ = g.Write(b)
		_, _ = bare.Write(b)
	}
}

// strangersPart sends 20,000 datagrams a second to the guard from another address.
func strangersPart(room *latencyRoom, part string) error {
	g, err := room.dial("guard", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 3)})
	if err != nil {
		return err
	}
	s, err := newSpeaker()
	if err != nil {
		return err
	}
	b := bytes.Clone(s.attitude(0))
	room.ready(part, 1)
	for tick := time.NewTicker(time.Millisecond); ; <-tick.C {
		for range 20 {
			_, _ = g.Write(b)
		}
	}
}

// warmUp is longer than the ten seconds for which the guard sounds its alarm that
// nothing was heard before the first sample.
const warmUp = 12 * time.Second

// sendPart sends all samples: one to the guard, one to the floor, and one to the
// guard that takes the first back, each after a random pause.
func sendPart(room *latencyRoom, _ string) error {
	g, err := room.dial("guard", room.craft())
	if err != nil {
		return err
	}
	floor, err := room.dial("floor", nil)
	if err != nil {
		return err
	}
	canary, err := room.dial("canary", nil)
	if err != nil {
		return err
	}
	s, err := newSpeaker()
	if err != nil {
		return err
	}
	least := 1500 * time.Microsecond
	if room.mode == "stop" {
		least = 7500 * time.Microsecond // a press that is shorter than two turns' levels is one with the next
	}
	pause := func() { time.Sleep(least + time.Duration(rand.IntN(1000))*time.Microsecond) }
	cell := func(i int) []byte { return binary.LittleEndian.AppendUint64(nil, uint64(i)) }
	say := func(roll float32) func() error {
		return func() error { _, err := g.Write(s.attitude(roll)); return err }
	}
	toGuard, back := say(0.5), say(0)
	toFloor := func(i int) error { _, err := floor.Write(cell(i*columns + wroteFloor)); return err }
	if room.mode == "stop" {
		press := func(part string, seq *uint32, id uint32, levels int64) func() error {
			fd, err := room.events(part, unix.O_NONBLOCK)
			return func() error {
				var b []byte
				for line := range uint32(2) {
					*seq++
					e := make([]byte, 48) // struct gpio_v2_line_event
					binary.NativeEndian.PutUint64(e, uint64(monotonic()))
					for k, v := range []uint32{id, 10 + line, *seq, *seq/2 + 1} {
						binary.NativeEndian.PutUint32(e[8+4*k:], v)
					}
					b = append(b, e...)
				}
				if part == "guard" {
					atomic.StoreInt64(&room.head[headLevels], levels)
				}
				if err == nil {
					_, err = unix.Write(fd, b)
				}
				return err
			}
		}
		var seq, own uint32
		toGuard = press("guard", &seq, unix.GPIO_V2_LINE_EVENT_FALLING_EDGE, closed&^0b11)
		back = press("guard", &seq, unix.GPIO_V2_LINE_EVENT_RISING_EDGE, closed)
		event := press("floor", &own, unix.GPIO_V2_LINE_EVENT_FALLING_EDGE, 0)
		toFloor = func(int) error { return event() }
	}
	send := func(k, column int, do func() error) error {
		atomic.StoreInt64(&room.head[headSample], int64(k))
		*room.at(k, column) = monotonic()
		if err := do(); err != nil {
			return err
		}
		_, err := canary.Write(cell(k*columns + column + 2))
		return err
	}
	count := len(room.cells) / columns
	for i := 0; i < count; {
		pause() // long enough for the boot clock to move on
		if err := send(i, sentGuard, toGuard); err != nil {
			return err
		}
		pause()
		if err := send(i, sentFloor, func() error { return toFloor(i) }); err != nil {
			return err
		}
		pause()
		if err := back(); err != nil {
			return err
		}
		if time.Since(s.began) > warmUp {
			i++
			continue
		}
		pause()
		for c := range columns {
			atomic.StoreInt64(room.at(0, c), 0)
		}
	}
	time.Sleep(200 * time.Millisecond)
	return nil
}
