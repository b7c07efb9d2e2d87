package intake

import (
	"net/netip"
	"testing"
	"time"

	"github.com/bluenviron/gomavlib/v3/pkg/dialect"
	"github.com/bluenviron/gomavlib/v3/pkg/dialects/common"
	"github.com/bluenviron/gomavlib/v3/pkg/message"
	"github.com/bluenviron/gomavlib/v3/pkg/x25"

	"downhaul/interlock"
	"downhaul/rules"
)

// sender makes frames with the library's encoder, as a craft or a radio would.
type sender struct {
	system, component, seq uint8
	v1                     bool
}

var definitions = func() *dialect.ReadWriter {
	d := &dialect.ReadWriter{Dialect: common.Dialect}
	if err := d.Initialize(); err != nil {
		panic(err)
	}
	return d
}()

// frame is the next frame of the sender.
func (s *sender) frame(m message.Message) []byte {
	rw := definitions.GetMessage(m.GetID())
	raw := rw.Write(m, !s.v1).Payload
	id := m.GetID()
	b := []byte{0xFD, byte(len(raw)), 0, 0, s.seq, s.system, s.component, byte(id), byte(id >> 8), byte(id >> 16)}
	if s.v1 {
		b = []byte{0xFE, byte(len(raw)), s.seq, s.system, s.component, byte(id)}
	}
	s.seq++
	b = append(b, raw...)
	h := x25.New()
	h.Write(b[1:])
	h.Write([]byte{rw.CRCExtra()})
	sum := h.Sum16()
	return append(b, byte(sum), byte(sum>>8))
}

func attitude(ms uint32, roll float32) *common.MessageAttitude {
	return &common.MessageAttitude{TimeBootMs: ms, Roll: roll, Pitch: 0.1, Yaw: 1, Rollspeed: 0.01}
}

func heartbeat() *common.MessageHeartbeat {
	return &common.MessageHeartbeat{Type: 2, Autopilot: 3, BaseMode: 0x80, SystemStatus: 4}
}

// The addresses of tests are for documentation only (RFC 5737).
var (
	addrA = netip.MustParseAddrPort("192.0.2.1:14001")
	addrB = netip.MustParseAddrPort("192.0.2.2:14001")
	addrC = netip.MustParseAddrPort("192.0.2.1:14002")
)

// feeder numbers chunks.
type feeder struct {
	t   testing.TB
	in  *Intake
	seq uint64
}

func feed(t testing.TB, cfg Config) *feeder {
	t.Helper()
	if cfg.Craft == (Craft{}) {
		cfg.Craft = Craft{System: 1, Component: 1}
	}
	if cfg.Links == nil {
		cfg.Links = []LinkConfig{{}}
	}
	in, err := New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	return &feeder{t: t, in: in}
}

func (f *feeder) chunk(c Chunk) []interlock.Input {
	f.t.Helper()
	f.seq++
	c.Seq = f.seq
	got := f.in.Append(nil, &c)
	for _, in := range got {
		if s := in.Sample; in.Kind == interlock.SampleInput && (s.Value != s.Value || (s.Quality == rules.Missing && s.Value != 0)) {
			f.t.Errorf("at %v: sample %+v: a missing value must be 0, and none is NaN", c.At, s)
		}
	}
	return got
}

// datagram is one telemetry chunk of link 0.
func (f *feeder) datagram(at time.Duration, from netip.AddrPort, b ...[]byte) []interlock.Input {
	f.t.Helper()
	var all []byte
	for _, x := range b {
		all = append(all, x...)
	}
	return f.chunk(Chunk{At: at, Source: Telemetry, From: from, Bytes: all})
}

// has counts the inputs of a kind.
func has(got []interlock.Input, k interlock.InputKind) int {
	n := 0
	for _, in := range got {
		if in.Kind == k {
			n++
		}
	}
	return n
}

func clashes(got []interlock.Input) int {
	n := 0
	for _, in := range got {
		if in.Kind == interlock.HostInput && in.Host == interlock.HostClash {
			n++
		}
	}
	return n
}

// value is the last sample of a channel.
func value(got []interlock.Input, id rules.ChannelID) (interlock.Sample, bool) {
	for i := len(got) - 1; i >= 0; i-- {
		if got[i].Kind == interlock.SampleInput && got[i].Sample.Channel == id {
			return got[i].Sample, true
		}
	}
	return interlock.Sample{}, false
}
