package guard

import (
	"bytes"
	"cmp"
	"context"
	"encoding/binary"
	"fmt"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"slices"
	"strconv"
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

// BenchmarkLatencyBetweenProcesses measures the time from just before a datagram
// is sent to the guard's write of an output, and beside it the floor: a bare
// blocking reader on a locked thread that stamps what it reads. Sender, floor and
// guard are processes of their own, because a sender in the reader's process picks
// the reader up itself. The guard is a whole one in duty watch, with link, loop and
// records on disk; the write is that of the buzzer, which a caution switches on in
// the very turn in which a trip would open the relay.
//
// A canary of the floor's kind is sent to right behind each sample; where it was
// later than four times its median, somebody else held the computer up, and the
// sample is left out. Guard and floor are measured in turn, b.N times in three
// rounds; the figures are the medians of the rounds (-benchtime 60000x for p99.9).
// Where more than a third was left out there are none. A real-time run needs the
// right to it, and chrt.
func BenchmarkLatencyBetweenProcesses(b *testing.B) {
	b.Run("ordinary", func(b *testing.B) { latency(b, nil) })
	b.Run("real-time", func(b *testing.B) {
		if err := exec.Command("chrt", "-f", "10", "true").Run(); err != nil {
			b.Skipf("no real-time priority to be had: %v", err)
		}
		latency(b, []string{"chrt", "-f", "10"})
	})
}

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
	headSample = 0 // the one the guard is measured by now
	headReady  = 1 // and one more for each port: the port of who is ready
	headSize   = 8
)

var latencyParts = []string{"guard", "floor", "canary", "sender"}

type latencyRoom struct{ head, cells []int64 }

func openRoom(name string) (*latencyRoom, error) {
	f, err := os.OpenFile(name, os.O_RDWR, 0)
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
	return &latencyRoom{all[:headSize], all[headSize:]}, nil
}

func (r *latencyRoom) at(sample, column int) *int64 { return &r.cells[sample*columns+column] }

// monotonic is the clock that all processes of a computer share.
func monotonic() int64 {
	var t unix.Timespec
	_ = unix.ClockGettime(unix.CLOCK_MONOTONIC, &t)
	return t.Nano()
}

func latency(b *testing.B, prefix []string) {
	dir := b.TempDir()
	name := filepath.Join(dir, "room")
	must(b, os.WriteFile(name, make([]byte, 8*(headSize+b.N*columns)), 0o600))
	room, err := openRoom(name)
	must(b, err)
	for i, part := range latencyParts {
		args := append(slices.Clone(prefix), os.Args[0])
		c := exec.Command(args[0], args[1:]...)
		c.Env = append(os.Environ(), "DOWNHAUL_LATENCY_PART="+part, "DOWNHAUL_LATENCY_ROOM="+name, "DOWNHAUL_LATENCY_DIR="+dir)
		c.Stderr = os.Stderr
		must(b, c.Start())
		if part == "sender" {
			b.ResetTimer()
			must(b, c.Wait())
			b.StopTimer()
			break
		}
		defer func() { _ = c.Process.Signal(os.Interrupt); _ = c.Wait() }()
		for wait := 0; atomic.LoadInt64(&room.head[headReady+i]) == 0; wait++ {
			if time.Sleep(5 * time.Millisecond); wait > 2000 {
				b.Fatalf("the %s is not ready", part)
			}
		}
	}
	rounds := min(3, b.N)
	var guards, floors, ratios [][]float64
	left := 0
	for i := range rounds {
		from, to := i*b.N/rounds, (i+1)*b.N/rounds
		g, gone := room.took(from, to, sentGuard)
		f, more := room.took(from, to, sentFloor)
		left += gone + more
		if len(g) == 0 || len(f) == 0 {
			continue
		}
		guards, floors = append(guards, shares(g)), append(floors, shares(f))
		ratio := make([]float64, len(latencyShares))
		for k := range ratio {
			ratio[k] = shares(g)[k] / shares(f)[k]
		}
		ratios = append(ratios, ratio)
	}
	b.ReportMetric(float64(left)/float64(2*b.N), "left-out")
	if left > 2*b.N/3 {
		b.Log("more than a third was left out: no figures")
		return
	}
	for k, share := range latencyShares {
		b.ReportMetric(median(guards, k), fmt.Sprintf("guard-p%v-us", share*100))
		b.ReportMetric(median(floors, k), fmt.Sprintf("floor-p%v-us", share*100))
		b.ReportMetric(median(ratios, k), fmt.Sprintf("ratio-p%v", share*100))
	}
	b.ReportMetric(0, "ns/op")
}

var latencyShares = []float64{0.5, 0.9, 0.99, 0.999}

func shares(sorted []float64) (out []float64) {
	for _, s := range latencyShares {
		out = append(out, sorted[min(len(sorted)-1, int(s*float64(len(sorted))))])
	}
	return out
}

func median(rounds [][]float64, k int) float64 {
	slices.SortFunc(rounds, func(a, b []float64) int { return cmp.Compare(a[k], b[k]) })
	return rounds[len(rounds)/2][k]
}

// took are the times of the samples in order of size, in µs, of those in which the
// canary was in time; left is how many were not, or had no answer.
func (r *latencyRoom) took(from, to, column int) (out []float64, left int) {
	var canaries []int64
	late := func(i int) int64 { return atomic.LoadInt64(r.at(i, column+2)) - *r.at(i, column) }
	for i := from; i < to; i++ {
		canaries = append(canaries, late(i))
	}
	slices.Sort(canaries)
	most := 4 * canaries[len(canaries)/2]
	for i := from; i < to; i++ {
		wrote := atomic.LoadInt64(r.at(i, column+1))
		if wrote == 0 || late(i) < 0 || late(i) > most {
			left++
			continue
		}
		out = append(out, float64(wrote-*r.at(i, column))/1e3)
	}
	slices.Sort(out)
	return out, left
}

// TestMain runs this program as a part of the benchmark where it was started as one.
func TestMain(m *testing.M) {
	part := os.Getenv("DOWNHAUL_LATENCY_PART")
	if part == "" {
		os.Exit(m.Run())
	}
	room, err := openRoom(os.Getenv("DOWNHAUL_LATENCY_ROOM"))
	ready := &room.head[headReady+slices.Index(latencyParts, part)]
	if err == nil {
		switch part {
		case "guard":
			err = guardPart(room, ready)
		case "sender":
			err = sendPart(room)
		default:
			err = readPart(room, ready, part == "canary")
		}
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, part+":", err)
		os.Exit(1)
	}
}

// stampBuzzer stamps the sample at hand when it is switched on.
type stampBuzzer struct{ room *latencyRoom }

func (s stampBuzzer) Set(on bool) error {
	if on {
		k := int(atomic.LoadInt64(&s.room.head[headSample]))
		atomic.CompareAndSwapInt64(s.room.at(k, wroteGuard), 0, monotonic())
	}
	return nil
}

// guardPart is a whole guard whose buzzer is a stamp.
func guardPart(room *latencyRoom, ready *int64) error {
	free, err := net.ListenPacket("udp4", "127.0.0.1:0")
	if err != nil {
		return err
	}
	at := free.LocalAddr().(*net.UDPAddr).AddrPort()
	free.Close()
	dir := os.Getenv("DOWNHAUL_LATENCY_DIR")
	pad := fmt.Sprintf("version = 1\nduty = \"watch\"\nlog_folder = %q\nsocket = %q\n[craft]\nsystem = 1\ncomponent = 1\nmotors = 8\n[[link]]\nkind = \"udp\"\naddress = %q\n",
		dir, filepath.Join(dir, "guard.sock"), at)
	envelope := "version = 1\ntitle = \"latency\"\n[[rule]]\nname = \"roll\"\nwatch = \"craft.roll\"\nabove = \"170 deg\"\ncaution = \"20 deg\"\nstale_after = \"10 s\"\nstop = \"immediate\"\n"
	g, err := Open(Files{Pad: File{Name: "pad.toml", Text: []byte(pad)}, Envelope: File{Name: "envelope.toml", Text: []byte(envelope)}}, Options{Software: "test", Room: 1 << 20})
	if err != nil {
		return err
	}
	g.loop.buzzer = hw.Output(stampBuzzer{room})
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	atomic.StoreInt64(ready, int64(at.Port()))
	return g.Run(ctx)
}

// readPart is a bare blocking reader that stamps the cell it is told.
func readPart(room *latencyRoom, ready *int64, canary bool) error {
	fd, err := unix.Socket(unix.AF_INET, unix.SOCK_DGRAM, 0)
	if err != nil {
		return err
	}
	if err := unix.Bind(fd, &unix.SockaddrInet4{Addr: [4]byte{127, 0, 0, 1}}); err != nil {
		return err
	}
	at, err := unix.Getsockname(fd)
	if err != nil {
		return err
	}
	signal.Reset(os.Interrupt) // ends it
	atomic.StoreInt64(ready, int64(at.(*unix.SockaddrInet4).Port))
	for b := make([]byte, 64); ; {
		n, _, err := unix.Recvfrom(fd, b, 0)
		switch {
		case err == unix.EINTR:
		case err != nil:
			return err
		case n == 8:
			atomic.StoreInt64(&room.cells[binary.LittleEndian.Uint64(b)], monotonic())
		}
	}
}

// warmUp is longer than the ten seconds for which the guard sounds its alarm that
// nothing was heard before the first sample.
const warmUp = 12 * time.Second

// sendPart sends all samples: one to the guard, one to the floor, and one to the
// guard that ends its caution, each after a random pause.
func sendPart(room *latencyRoom) error {
	var to [3]net.Conn
	for i := range to {
		var err error
		if to[i], err = net.Dial("udp", net.JoinHostPort("127.0.0.1", strconv.FormatInt(room.head[headReady+i], 10))); err != nil {
			return err
		}
	}
	table, seq, began := &message.ReadWriter{Message: &common.MessageAttitude{}}, byte(0), time.Now()
	if err := table.Initialize(); err != nil {
		return err
	}
	var out bytes.Buffer
	w := &frame.Writer{ByteWriter: &out}
	if err := w.Initialize(); err != nil {
		return err
	}
	attitude := func(roll float32) []byte {
		out.Reset()
		raw := table.Write(&common.MessageAttitude{TimeBootMs: uint32(time.Since(began) / time.Millisecond), Roll: roll}, true)
		f := &frame.V2Frame{SequenceNumber: seq, SystemID: 1, ComponentID: 1, Message: raw}
		f.Checksum = f.GenerateChecksum(table.CRCExtra())
		_ = w.Write(f) // into memory
		seq++
		return out.Bytes()
	}
	pause := func() { time.Sleep(1500*time.Microsecond + time.Duration(rand.IntN(1000))*time.Microsecond) }
	send := func(k, column int, conn net.Conn, b []byte) error {
		atomic.StoreInt64(&room.head[headSample], int64(k))
		*room.at(k, column) = monotonic()
		if _, err := conn.Write(b); err != nil {
			return err
		}
		_, err := to[2].Write(binary.LittleEndian.AppendUint64(nil, uint64(k*columns+column+2)))
		return err
	}
	count := len(room.cells) / columns
	for i := 0; i < count; {
		pause() // long enough for the boot clock to move on
		if err := send(i, sentGuard, to[0], attitude(0.5)); err != nil {
			return err
		}
		pause()
		if err := send(i, sentFloor, to[1], binary.LittleEndian.AppendUint64(nil, uint64(i*columns+wroteFloor))); err != nil {
			return err
		}
		pause()
		if _, err := to[0].Write(attitude(0)); err != nil {
			return err
		}
		if time.Since(began) > warmUp {
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
