//go:build unix

package bench

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"io"
	"net/netip"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"syscall"
	"testing"
	"time"

	"downhaul/interlock/day/intake"
	"downhaul/interlock/day/telemetry"
	"downhaul/interlock/model/craftmodel"
	"downhaul/interlock/records/recorder"
	"downhaul/interlock/records/recording"
	"downhaul/rules"

	"github.com/bluenviron/gomavlib/v3/pkg/dialect"
	"github.com/bluenviron/gomavlib/v3/pkg/dialects/common"
	"github.com/bluenviron/gomavlib/v3/pkg/frame"
	"github.com/bluenviron/gomavlib/v3/pkg/message"
	"github.com/bluenviron/gomavlib/v3/pkg/x25"
	"github.com/gopacket/gopacket"
	"github.com/gopacket/gopacket/layers"
	"github.com/gopacket/gopacket/pcapgo"
)

// speedFrames is how many frames the benchmark replays.
const speedFrames = 200_000

// flights is what a modelled craft sends, whole frames one behind the other: as raw
// bytes, and one a datagram as a pcap and as a guard's own pcapng.
func flights(b *testing.B, frames int) map[string][]byte {
	b.Helper()
	c, err := craftmodel.New(craftmodel.EightTwo())
	if err != nil {
		b.Fatal(err)
	}
	file := &memory{}
	w, err := recorder.Create(file, recorder.Start{Session: "flight", Software: "test", Wall: time.Unix(1_900_000_000, 0).UTC()})
	if err != nil {
		b.Fatal(err)
	}
	from, to := netip.MustParseAddrPort("10.0.0.2:40131"), netip.MustParseAddrPort("10.0.0.1:40132")
	// Header of a pcap with microseconds and IPv4 packets (draft-ietf-opsawg-pcap).
	pcap := []byte{0xD4, 0xC3, 0xB2, 0xA1, 2, 0, 4, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0xFF, 0xFF, 0, 0, 228, 0, 0, 0}
	var raw []byte
	var sent []craftmodel.Datagram
	n := 0
	for now := time.Duration(0); n < frames; now += 100 * time.Millisecond {
		c.Advance(now)
		sent = c.Frames(sent[:0])
		for _, d := range sent[:min(len(sent), frames-n)] {
			n++
			raw = append(raw, d.Bytes...)
			if err := w.Put(intake.Chunk{At: d.At, Seq: uint64(n), Source: intake.Telemetry, From: from, To: to, Bytes: d.Bytes}); err != nil {
				b.Fatal(err)
			}
			size := len(d.Bytes) + 28
			for _, v := range []int{1_900_000_000 + int(d.At/time.Second), int(d.At % time.Second / time.Microsecond), size, size} {
				pcap = binary.LittleEndian.AppendUint32(pcap, uint32(v))
			}
			pcap = append(pcap, 0x45, 0, byte(size>>8), byte(size), 0, 0, 0, 0, 64, 17, 0, 0, 10, 0, 0, 2, 10, 0, 0, 1,
				byte(from.Port()>>8), byte(from.Port()&0xFF), byte(to.Port()>>8), byte(to.Port()&0xFF), byte((size-20)>>8), byte(size-20), 0, 0)
			pcap = append(pcap, d.Bytes...)
		}
	}
	if err := w.Close(); err != nil {
		b.Fatal(err)
	}
	return map[string][]byte{"raw": raw, "pcap": pcap, "pcapng": file.b}
}

// the 21 messages that a guard can want; the library gets no others.
var wantedMessages = []message.Message{
	&common.MessageHeartbeat{}, &common.MessageSysStatus{}, &common.MessageSystemTime{},
	&common.MessageAttitude{}, &common.MessageLocalPositionNed{}, &common.MessageGlobalPositionInt{},
	&common.MessageServoOutputRaw{}, &common.MessageVfrHud{}, &common.MessageRadioStatus{},
	&common.MessageDistanceSensor{}, &common.MessageAltitude{}, &common.MessageBatteryStatus{},
	&common.MessageEstimatorStatus{}, &common.MessageWindCov{}, &common.MessageVibration{},
	&common.MessageHomePosition{}, &common.MessageExtendedSysState{}, &common.MessageNamedValueFloat{},
	&common.MessageStatustext{}, &common.MessageEscStatus{}, &common.MessageEscInfo{},
}

// bareScan walks whole version 2 frames and checks each sum: the least that any
// reader of them must do. It gives how many there are, -1 if one is damaged.
func bareScan(b []byte, seeds *[512]byte, sum func(b []byte, seed byte) uint16) int {
	n := 0
	for len(b) >= 12 {
		end := 10 + int(b[1])
		if b[0] != 0xFD || len(b) < end+2 || b[9] != 0 || b[8] > 1 {
			return -1
		}
		id := int(b[7]) | int(b[8])<<8
		if sum(b[1:end], seeds[id]) != binary.LittleEndian.Uint16(b[end:]) {
			return -1
		}
		b = b[end+2:]
		n++
	}
	return n
}

// processorTime is what this process has used so far.
func processorTime(b *testing.B) time.Duration {
	b.Helper()
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// BenchmarkReplay replays a flight, raw, as pcap and as pcapng, through a 20-rule
// envelope, beside the open libraries' own readers over the same bytes, decoding the 21
// messages that a guard can want: the MAVLink library's over raw bytes, and behind a
// capture library's where it is one, in the way that costs that one least. Beside them
// two bare scans that only check the sums, with the library's checksum (byte by byte, as
// the standard's own code has it) and with the scanner's, which takes sixteen bytes at a
// time. All take turns, so that what else the machine does falls on each alike. It tells
// the median processor time a frame of each, and the median of how often faster in the
// same turn than the libraries over the same bytes, and than the one over the raw ones.
// The shipped programs are built with cmd/downhaul/default.pgo: give -pgo with its full
// path to measure what they do.
func BenchmarkReplay(b *testing.B) {
	all := flights(b, speedFrames)
	env := twenty(b)
	forms := []string{"raw", "pcap", "pcapng"}
	names := []string{"bare", "bare-library-sum"}
	work := map[string]func(){}
	work["bare"], work["bare-library-sum"] = bareScans(b, all["raw"])
	for _, form := range forms {
		names = append(names, "library-"+form, form)
		work["library-"+form] = libraryReader(b, form, all[form])
		work[form] = replays(b, form, all[form], env)
	}
	took, faster, fasterThanRaw := map[string][]float64{}, map[string][]float64{}, map[string][]float64{}
	for b.Loop() {
		for _, name := range names {
			from := processorTime(b)
			work[name]()
			took[name] = append(took[name], float64(processorTime(b)-from)/speedFrames)
		}
		n := len(took["raw"]) - 1
		for _, form := range forms {
			faster[form] = append(faster[form], took["library-"+form][n]/took[form][n])
			fasterThanRaw[form] = append(fasterThanRaw[form], took["library-raw"][n]/took[form][n])
		}
	}
	for _, name := range names {
		b.ReportMetric(median(took[name]), name+"-ns/frame")
	}
	for _, form := range forms {
		b.ReportMetric(median(faster[form]), form+"-times-faster")
		b.ReportMetric(median(fasterThanRaw[form]), form+"-times-faster-than-raw")
	}
}

// BenchmarkTwoCores replays the same flight on one core and on two in turns, and tells the
// median of the wall time on two as a share of that on one.
func BenchmarkTwoCores(b *testing.B) {
	all := flights(b, speedFrames)
	env := twenty(b)
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(0))
	forms := []string{"raw", "pcap", "pcapng"}
	work, share := map[string]func(){}, map[string][]float64{}
	for _, form := range forms {
		work[form] = replays(b, form, all[form], env)
	}
	for b.Loop() {
		for _, form := range forms {
			var took [3]time.Duration
			for cores := 1; cores <= 2; cores++ {
				runtime.GOMAXPROCS(cores)
				from := time.Now()
				work[form]()
				took[cores] = time.Since(from)
			}
			share[form] = append(share[form], float64(took[2])/float64(took[1]))
		}
	}
	for _, form := range forms {
		b.ReportMetric(median(share[form]), form+"-two/one")
	}
}

func median(v []float64) float64 {
	slices.Sort(v)
	return v[len(v)/2]
}

// replays returns a replay of one form through the envelope.
func replays(b *testing.B, form string, text []byte, env *rules.Envelope) func() {
	name := filepath.Join(b.TempDir(), "flight."+form)
	if err := os.WriteFile(name, text, 0o644); err != nil {
		b.Fatal(err)
	}
	setup, _, err := Watching([]string{name}, env, nil)
	if err != nil {
		b.Fatal(err)
	}
	return func() {
		rec, err := recording.OpenReader(bytes.NewReader(text))
		if err != nil {
			b.Fatal(err)
		}
		r, err := Replay(name, rec, setup)
		if err != nil {
			b.Fatal(err)
		}
		if r.Frames+r.Ignored < speedFrames*99/100 || r.BadBytes > 0 {
			b.Fatalf("%d frames, %d ignored, %d bad bytes", r.Frames, r.Ignored, r.BadBytes)
		}
	}
}

// libraryTable is the library's own of the wanted messages.
func libraryTable(b *testing.B) *dialect.ReadWriter {
	table := &dialect.ReadWriter{Dialect: &dialect.Dialect{Version: 3, Messages: wantedMessages}}
	if err := table.Initialize(); err != nil {
		b.Fatal(err)
	}
	return table
}

// bareScans returns two scans of raw bytes: with the scanner's checksum and with the
// library's.
func bareScans(b *testing.B, raw []byte) (ours, theirs func()) {
	table := libraryTable(b)
	var seeds [512]byte
	for _, m := range wantedMessages {
		seeds[m.GetID()] = table.GetMessage(m.GetID()).CRCExtra()
	}
	scan := func(sum func(b []byte, seed byte) uint16) func() {
		return func() {
			if n := bareScan(raw, &seeds, sum); n != speedFrames {
				b.Fatalf("%d frames", n)
			}
		}
	}
	x := x25.New()
	return scan(telemetry.Checksum), scan(func(b []byte, seed byte) uint16 {
		x.Reset()
		x.Write(b)
		x.Write([]byte{seed})
		return x.Sum16()
	})
}

// datagrams are the payloads of a capture, one a read.
type datagrams struct {
	next    func() ([]byte, gopacket.CaptureInfo, error)
	parser  *gopacket.DecodingLayerParser
	ip      layers.IPv4
	udp     layers.UDP
	decoded []gopacket.LayerType
}

func (d *datagrams) Read(p []byte) (int, error) {
	data, _, err := d.next()
	if err != nil {
		return 0, err
	}
	_ = d.parser.DecodeLayers(data, &d.decoded) // it knows no layer for a payload
	return copy(p, d.udp.Payload), nil
}

// libraryReader returns the libraries' own way through a flight.
func libraryReader(b *testing.B, form string, text []byte) func() {
	table := libraryTable(b)
	return func() {
		var in io.Reader = bytes.NewReader(text)
		d := &datagrams{}
		d.parser = gopacket.NewDecodingLayerParser(layers.LayerTypeIPv4, &d.ip, &d.udp)
		switch form {
		case "pcap":
			r, err := pcapgo.NewReader(in)
			if err != nil {
				b.Fatal(err)
			}
			d.next, in = r.ZeroCopyReadPacketData, d
		case "pcapng":
			r, err := pcapgo.NewNgReader(in, pcapgo.NgReaderOptions{WantMixedLinkType: true})
			if err != nil {
				b.Fatal(err)
			}
			d.next, in = r.ZeroCopyReadPacketData, d
		}
		r := &frame.Reader{BufByteReader: bufio.NewReaderSize(in, 64<<10), DialectRW: table}
		if err := r.Initialize(); err != nil {
			b.Fatal(err)
		}
		n := 0
		for {
			_, err := r.Read()
			if err == io.EOF {
				break
			}
			if err != nil {
				b.Fatal(err)
			}
			n++
		}
		if n != speedFrames {
			b.Fatalf("%d frames", n)
		}
	}
}
