package bench

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"errors"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"testing"
	"time"

	"downhaul/interlock/day/intake"
	"downhaul/interlock/pad"
	"downhaul/interlock/records/recorder"
	"downhaul/interlock/records/recording"
	"downhaul/rules/architecture"

	"github.com/bluenviron/gomavlib/v3/pkg/dialect"
	"github.com/bluenviron/gomavlib/v3/pkg/dialects/common"
	"github.com/bluenviron/gomavlib/v3/pkg/frame"
	"github.com/bluenviron/gomavlib/v3/pkg/message"
	"github.com/bluenviron/gomavlib/v3/pkg/streamwriter"
	"github.com/google/go-cmp/cmp"
	"github.com/gopacket/gopacket"
	"github.com/gopacket/gopacket/layers"
	"github.com/gopacket/gopacket/pcapgo"
)

// value is one reading as somebody else's programs read it.
type value struct{ at, v float64 }

// tripTimes works out by plain arithmetic when a value is past a limit for a
// time: past(v) says that it is, back(v) that it is back by the deadband. A
// value back at the very end of the time is too late.
func tripTimes(values []value, past, back func(v float64) bool, lasting float64) []float64 {
	var out []float64
	over, told, since := false, false, 0.0
	for _, x := range values {
		if over && !told && x.at >= since+lasting-1e-9 {
			out, told = append(out, since+lasting), true
		}
		switch {
		case past(x.v) && !over:
			over, told, since = true, false, x.at
			if lasting == 0 {
				out, told = append(out, since), true
			}
		case back(x.v):
			over = false
		}
	}
	return out
}

var nearly = cmp.Comparer(func(a, b float64) bool { return math.Abs(a-b) < 2e-6 })

func ofRule(r *Result, rule string) []float64 {
	var out []float64
	for _, e := range r.Trips {
		if e.Rule == rule && e.Value != nil {
			out = append(out, e.AtS)
		}
	}
	return out
}

// pcapReadings reads a capture with the capture library and the MAVLink
// library, nothing of ours: pack voltage and tilt of the craft 1.1.
func pcapReadings(t *testing.T, path string) (volts, tilts []value) {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	packets, err := pcapgo.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	table := &dialect.ReadWriter{Dialect: &dialect.Dialect{Version: 3, Messages: []message.Message{&common.MessageSysStatus{}, &common.MessageAttitude{}}}}
	if err := table.Initialize(); err != nil {
		t.Fatal(err)
	}
	var first time.Time
	for {
		data, info, err := packets.ReadPacketData()
		if errors.Is(err, io.EOF) {
			return volts, tilts
		}
		if err != nil {
			t.Fatal(err)
		}
		if first.IsZero() {
			first = info.Timestamp
		}
		at := info.Timestamp.Sub(first).Seconds()
		udp, ok := gopacket.NewPacket(data, packets.LinkType(), gopacket.Default).Layer(layers.LayerTypeUDP).(*layers.UDP)
		if !ok {
			continue
		}
		r := &frame.Reader{BufByteReader: bufio.NewReader(bytes.NewReader(udp.Payload)), DialectRW: table}
		if err := r.Initialize(); err != nil {
			t.Fatal(err)
		}
		got, err := r.Read()
		if err != nil || got.GetSystemID() != 1 || got.GetComponentID() != 1 {
			continue
		}
		switch m := got.GetMessage().(type) {
		case *common.MessageSysStatus:
			volts = append(volts, value{at, float64(m.VoltageBattery) / 1000})
		case *common.MessageAttitude:
			tilts = append(tilts, value{at, math.Acos(math.Cos(float64(m.Roll)) * math.Cos(float64(m.Pitch)))})
		}
	}
}

// Every trip of a real flight, against readings decoded by libraries and limits
// held in plain arithmetic: none more, none less, to the microsecond.
func TestTripsOfARealFlightWorkedOutApart(t *testing.T) {
	path := shared(t, "quad-crash-then-mission.pcap")
	volts, tilts := pcapReadings(t, path)
	if len(volts) < 300 || len(tilts) < 300 {
		t.Fatalf("%d voltages and %d attitudes: too few to prove anything", len(volts), len(tilts))
	}
	for _, row := range []struct {
		rule, limit, lasting string
		values               []value
		si, wait             float64
		above                bool
	}{
		{"pack", `below = "10.2 V"`, "0 s", volts, 10.2, 0, false},
		{"pack", `below = "10.6 V"`, "1 s", volts, 10.6, 1, false},
		{"pack", `below = "10.6 V"`, "0 s", volts, 10.6, 0, false},
		{"tilt", `above = "20 deg"`, "0 s", tilts, 20 * math.Pi / 180, 0, true},
		{"tilt", `above = "35 deg"`, "200 ms", tilts, 35 * math.Pi / 180, 0.2, true},
		{"tilt", `above = "100 deg"`, "0 s", tilts, 100 * math.Pi / 180, 0, true},
	} {
		watch := map[string]string{"pack": "supply.voltage", "tilt": "craft.tilt"}[row.rule]
		env := envelope(t, "[[rule]]\nname = \""+row.rule+"\"\nwatch = \""+watch+"\"\n"+row.limit+"\nlasting = \""+row.lasting+"\"\nstale_after = \"30 s\"\nstop = \"immediate\"\n")
		band := 0.02 * row.si // the deadband that a rule has which states none: 2 %
		past, back := func(v float64) bool { return v < row.si }, func(v float64) bool { return v >= row.si+band }
		if row.above {
			past, back = func(v float64) bool { return v > row.si }, func(v float64) bool { return v <= row.si-band }
		}
		want := tripTimes(row.values, past, back, row.wait)
		got := ofRule(replayFile(t, path, env, hudPad(t)), row.rule)
		if diff := cmp.Diff(want, got, nearly); diff != "" || len(want) == 0 {
			t.Errorf("%s %s for %s, %d worked out:\n%s", row.rule, row.limit, row.lasting, len(want), diff)
		}
	}
}

const tensionPad = `version = 1
duty = "watch"
[craft]
system = 1
component = 1
[[link]]
kind = "udp"
address = "127.0.0.1:40123"
[load_cell]
zero = 84000
newtons_per_count = 0.0025
rate = "10 Hz"
[board]
kind = "virtual"
`

// A real tether's force through a tension rule. Flight data of 8 October 2019,
// github awegroup/Flightdata08102019, CC-BY 4.0: ground_tether_force in kgf, ten
// times a second.
func TestTensionOfARealTetherThroughARule(t *testing.T) {
	const kgf, zero, per = 9.80665, 84000, 0.0025
	names := architecture.Data(t, "tension-kite/*.csv")
	p, faults := pad.Read("pad.toml", []byte(tensionPad))
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	for _, name := range names {
		file := &memory{}
		w, err := recorder.Create(file, recorder.Start{Session: "tether", Software: "test", Wall: time.Date(2019, 10, 8, 12, 53, 0, 0, time.UTC)})
		if err != nil {
			t.Fatal(err)
		}
		var values []value
		forces := columnOf(t, name, "ground_tether_force")
		for i, force := range forces {
			at := time.Duration(i) * 100 * time.Millisecond
			count := int32(math.Round(zero + force*kgf/per))
			values = append(values, value{at.Seconds(), float64(count-zero) * per})
			if err := w.Put(intake.Chunk{At: at, Seq: uint64(i + 1), Source: intake.LoadCell, Bytes: intake.AppendCounts(nil, []intake.Count{{At: at, Value: count}})}); err != nil {
				t.Fatal(err)
			}
		}
		if err := w.Close(); err != nil {
			t.Fatal(err)
		}
		for _, row := range []struct {
			limit   string
			kgf     float64
			lasting string
			wait    float64
		}{{"200 kgf", 200, "0 s", 0}, {"250 kgf", 250, "300 ms", 0.3}, {"150 kgf", 150, "1 s", 1}, {"650 kgf", 650, "0 s", 0}} {
			env := envelope(t, "[[rule]]\nname = \"tether\"\nwatch = \"tether.tension\"\nabove = \""+row.limit+"\"\nlasting = \""+row.lasting+"\"\nstale_after = \"1 s\"\nstop = \"immediate\"\n")
			setup, _, err := Watching(nil, env, p)
			if err != nil {
				t.Fatal(err)
			}
			rec, err := recording.OpenReader(bytes.NewReader(file.b))
			if err != nil {
				t.Fatal(err)
			}
			r, err := Replay(name, rec, setup)
			if err != nil {
				t.Fatal(err)
			}
			limit := row.kgf * kgf
			want := tripTimes(values, func(v float64) bool { return v > limit }, func(v float64) bool { return v <= limit-0.02*limit }, row.wait)
			if diff := cmp.Diff(want, ofRule(r, "tether"), nearly); diff != "" || (len(want) == 0) != (row.kgf > 624.5) {
				t.Errorf("%s, above %s for %s, %d worked out:\n%s", name, row.limit, row.lasting, len(want), diff)
			}
			if r.Headroom[0].Least == nil {
				t.Fatalf("%s: the rule never had a value", name)
			}
			greatest := (limit - *r.Headroom[0].Least) / kgf
			near(t, "greatest force by the headroom, in kgf", greatest, slices.Max(forces), per)
			if greatest > 624.5 {
				t.Errorf("%s: %.1f kgf, and the makers of the data say 624 at most", name, greatest)
			}
		}
	}
}

func columnOf(t *testing.T, name, column string) (out []float64) {
	t.Helper()
	file, err := os.Open(name)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	rows, err := csv.NewReader(file).ReadAll()
	if err != nil || len(rows) < 100 {
		t.Fatalf("%s: %d rows: %v", name, len(rows), err)
	}
	at := slices.Index(rows[0], column)
	for _, row := range rows[1:] {
		if v, err := strconv.ParseFloat(row[at], 64); err == nil {
			out = append(out, v)
		}
	}
	return out
}

// A body that is thrown up at throwAt and tells of it every throwPeriod.
const (
	throwAt     = time.Second
	throwPeriod = 2 * time.Millisecond
)

// throwFile is raw bytes of a craft that stands at h0 m, then is thrown up with
// v0 m/s and falls freely until it is back there.
func throwFile(t *testing.T, h0, v0 float64) string {
	t.Helper()
	const g = 9.80665
	table := &dialect.ReadWriter{Dialect: common.Dialect}
	if err := table.Initialize(); err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	frames := &frame.Writer{ByteWriter: &b, DialectRW: table}
	if err := frames.Initialize(); err != nil {
		t.Fatal(err)
	}
	w := &streamwriter.Writer{FrameWriter: frames, Version: streamwriter.V2, SystemID: 1}
	if err := w.Initialize(); err != nil {
		t.Fatal(err)
	}
	put := func(m message.Message) {
		if err := w.Write(m); err != nil {
			t.Fatal(err)
		}
	}
	fall := 2 * v0 / g
	for at := time.Duration(0); at.Seconds() < throwAt.Seconds()+fall; at += throwPeriod {
		if at%(500*time.Millisecond) == 0 {
			put(&common.MessageHeartbeat{Type: 2, Autopilot: 3, BaseMode: 0x80, SystemStatus: 4, MavlinkVersion: 3})
		}
		h, v := h0, 0.0
		if at >= throwAt {
			s := (at - throwAt).Seconds()
			h, v = h0+v0*s-g*s*s/2, v0-g*s
		}
		put(&common.MessageGlobalPositionInt{TimeBootMs: uint32(at.Milliseconds()), RelativeAlt: int32(math.Round(h * 1000)), Vz: int16(math.Round(-v * 100))})
	}
	path := filepath.Join(t.TempDir(), "throw.bin")
	if err := os.WriteFile(path, b.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

// throwPad is a pad whose apex is that of free fall: no error, hardly a
// reaction, no thrust to spare.
func throwPad(t *testing.T) *pad.Pad {
	t.Helper()
	p, faults := pad.Read("pad.toml", []byte(`version = 1
duty = "watch"
[craft]
system = 1
component = 1
[height]
source = "global"
error_height = "0 m"
error_climb = "0 m/s"
reaction = "1 ms"
thrust_to_weight = 1
[[link]]
kind = "serial"
device = "/dev/null"
baud = 57600
`))
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	return p
}
