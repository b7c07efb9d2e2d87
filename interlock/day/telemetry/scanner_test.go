package telemetry

import (
	"bytes"
	"encoding/hex"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"testing"

	"downhaul/interlock/day/telemetry/names"
	"downhaul/rules/architecture"

	"github.com/bluenviron/gomavlib/v3/pkg/dialects/all"
	"github.com/bluenviron/gomavlib/v3/pkg/dialects/common"
	"github.com/bluenviron/gomavlib/v3/pkg/message"
	"github.com/bluenviron/gomavlib/v3/pkg/x25"
)

func TestCRCPublishedCheckValue(t *testing.T) {
	// CRC-16/MCRF4XX, check value of the CRC catalogue.
	if got := Checksum([]byte("12345678"), '9'); got != 0x6F91 {
		t.Errorf("crc of 123456789: %#04x, want 0x6F91", got)
	}
}

func TestCRCAgreesWithLibrary(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for n := 1; n < 300; n++ {
		b := make([]byte, n)
		for i := range b {
			b[i] = byte(r.Uint32())
		}
		h := x25.New()
		h.Write(b)
		if got := Checksum(b[:n-1], b[n-1]); got != h.Sum16() {
			t.Fatalf("%d bytes: %#04x, the library has %#04x", n, got, h.Sum16())
		}
	}
}

// publishedSeeds is CRC_EXTRA (and minimum and full length where given) from
// the generated headers of mavlink/c_library_v2, commit 7e16bc08.
var publishedSeeds = []struct {
	id         uint32
	name       string
	seed       uint8
	base, full int
}{
	{0, "HEARTBEAT", 50, 9, 9}, {1, "SYS_STATUS", 124, 31, 43}, {2, "SYSTEM_TIME", 137, 12, 12},
	{4, "PING", 237, 0, 0}, {11, "SET_MODE", 89, 0, 0}, {22, "PARAM_VALUE", 220, 0, 0},
	{24, "GPS_RAW_INT", 24, 30, 52}, {26, "SCALED_IMU", 170, 0, 0}, {27, "RAW_IMU", 144, 0, 0},
	{29, "SCALED_PRESSURE", 115, 14, 16}, {30, "ATTITUDE", 39, 28, 28},
	{31, "ATTITUDE_QUATERNION", 246, 0, 0}, {32, "LOCAL_POSITION_NED", 185, 0, 0},
	{33, "GLOBAL_POSITION_INT", 104, 28, 28}, {35, "RC_CHANNELS_RAW", 244, 0, 0},
	{36, "SERVO_OUTPUT_RAW", 222, 21, 37}, {42, "MISSION_CURRENT", 28, 0, 0},
	{62, "NAV_CONTROLLER_OUTPUT", 183, 0, 0}, {65, "RC_CHANNELS", 118, 0, 0},
	{69, "MANUAL_CONTROL", 243, 0, 0}, {70, "RC_CHANNELS_OVERRIDE", 124, 0, 0},
	{73, "MISSION_ITEM_INT", 38, 0, 0}, {74, "VFR_HUD", 20, 20, 20},
	{76, "COMMAND_LONG", 152, 33, 33}, {77, "COMMAND_ACK", 143, 3, 10},
	{83, "ATTITUDE_TARGET", 22, 0, 0}, {105, "HIGHRES_IMU", 93, 0, 0}, {109, "RADIO_STATUS", 185, 9, 9},
	{111, "TIMESYNC", 34, 16, 18}, {125, "POWER_STATUS", 203, 0, 0}, {132, "DISTANCE_SENSOR", 85, 0, 0},
	{141, "ALTITUDE", 47, 0, 0}, {147, "BATTERY_STATUS", 154, 36, 54}, {148, "AUTOPILOT_VERSION", 178, 0, 0},
	{230, "ESTIMATOR_STATUS", 163, 0, 0}, {231, "WIND_COV", 105, 40, 40}, {235, "HIGH_LATENCY2", 179, 0, 0},
	{241, "VIBRATION", 90, 0, 0}, {242, "HOME_POSITION", 104, 0, 0}, {245, "EXTENDED_SYS_STATE", 130, 2, 2},
	{250, "DEBUG_VECT", 49, 0, 0}, {251, "NAMED_VALUE_FLOAT", 170, 0, 0}, {252, "NAMED_VALUE_INT", 44, 0, 0},
	{253, "STATUSTEXT", 83, 51, 54}, {254, "DEBUG", 46, 0, 0}, {266, "LOGGING_DATA", 193, 0, 0},
	{290, "ESC_INFO", 251, 0, 0}, {291, "ESC_STATUS", 10, 0, 0}, {300, "PROTOCOL_VERSION", 217, 0, 0},
	{339, "RAW_RPM", 199, 0, 0}, {371, "FUEL_STATUS", 10, 0, 0}, {372, "BATTERY_INFO", 26, 0, 0},
	{376, "RELAY_STATUS", 199, 8, 8}, {435, "AVAILABLE_MODES", 134, 0, 0}, {436, "CURRENT_MODE", 193, 0, 0},
}

func TestSeedsArePublished(t *testing.T) {
	for _, want := range publishedSeeds {
		k := knownOf(want.id)
		if k.full == 0 {
			t.Errorf("%s (%d) is not known", want.name, want.id)
			continue
		}
		if k.seed != want.seed || names.Of(want.id) != want.name {
			t.Errorf("%d: %s seed %d, want %s seed %d", want.id, names.Of(want.id), k.seed, want.name, want.seed)
		}
		if want.full != 0 && (int(k.base) != want.base || int(k.full) != want.full) {
			t.Errorf("%s: lengths %d, %d, want %d, %d", want.name, k.base, k.full, want.base, want.full)
		}
	}
}

func TestSeedsAgreeWithLibrary(t *testing.T) {
	n := 0
	for _, m := range all.Dialect.Messages {
		rw := &message.ReadWriter{Message: m}
		if err := rw.Initialize(); err != nil {
			t.Fatal(err)
		}
		k := knownOf(m.GetID())
		if k.full == 0 || k.seed != rw.CRCExtra() {
			t.Errorf("%s: seed %d, the library has %d", names.Of(m.GetID()), k.seed, rw.CRCExtra())
		}
		l, err := fromLibrary(m)
		if err != nil || l.base != int(k.base) || l.full != int(k.full) {
			t.Errorf("%s: lengths %d, %d, worked out again %d, %d (%v)", names.Of(m.GetID()), k.base, k.full, l.base, l.full, err)
		}
		if v1 := rw.Write(m, false); len(v1.Payload) != int(k.base) {
			t.Errorf("%s: length %d, the library has %d", names.Of(m.GetID()), k.base, len(v1.Payload))
		}
		n++
	}
	if n < 380 {
		t.Fatalf("only %d messages compared", n)
	}
}

// publishedFrames are frames printed in public sources, each with its source.
var publishedFrames = []struct {
	source, hex       string
	system, component uint8
	id                uint32
	seq, version      uint8
	signed            bool
	payload           int
	refused           bool // system 0: checked, then refused
}{
	{"a published walk through version 1 frames, 17 October 2015", "FE094E01010000000000020351040 31C7F", 1, 1, 0, 0x4E, 1, false, 9, false},
	{"mavlink/rust-mavlink mavlink/tests/test_shared/mod.rs", "FE09EF010200050000000203590303 1F50", 1, 2, 0, 0xEF, 1, false, 9, false},
	{"mavlink/rust-mavlink mavlink/tests/test_shared/mod.rs", "FD090000EF01020000000500000002035903032E73", 1, 2, 0, 0xEF, 2, false, 9, false},
	{"mavlink/rust-mavlink mavlink/tests/signing.rs", "FD090100EF01020000000500000002035903 03C98B00FFFFFFFFFFFF2718B168CCF5", 1, 2, 0, 0xEF, 2, true, 9, false},
	{"gomavlib v3.3.0 pkg/frame/reader_test.go", "FD09010000000000000004000000010203 0503D9D1010200000000000E47040CEF9B", 0, 0, 0, 0, 2, true, 9, true},
	{"gomavlib v3.3.0 pkg/frame/writer_test.go", "FD09010000010100000004000000010203050319E700E0F8D4B68E0CE75D07468 1D4", 1, 1, 0, 0, 2, true, 9, false},
	{"gomavlib v3.3.0 pkg/frame/reader_test.go", "FD2100000BFFDC4C00000000803F" + strings.Repeat("00", 24) + "B00001010 0C475", 255, 220, 76, 0x0B, 2, false, 33, false},
	{"mavlink/rust-mavlink mavlink/tests/v2_encode_decode_tests.rs", "FD1E00000000324C00000000E64200409C45" + strings.Repeat("00", 20) + "FF01BCC3", 0, 0x32, 76, 0, 2, false, 30, true},
}

func knownOf(id uint32) known { return knownMessages.rows[knownMessages.row(id)] }

func unhex(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func TestPublishedFrames(t *testing.T) {
	for i, p := range publishedFrames {
		b := unhex(t, p.hex)
		var s Scanner
		f, used, ok := s.Next(b)
		if used != len(b) {
			t.Errorf("frame %d (%s): used %d of %d: %+v", i+1, p.source, used, len(b), s.Counts)
			continue
		}
		if p.refused {
			if want := (Counts{Refused: 1, BadBytes: uint64(len(b))}); ok || s.Counts != want {
				t.Errorf("frame %d (%s): ok %v, %+v, want it checked and refused", i+1, p.source, ok, s.Counts)
			}
			continue
		}
		if !ok || f.System != p.system || f.Component != p.component || f.ID != p.id || f.Seq != p.seq ||
			f.Version != p.version || f.Signed != p.signed || len(f.Payload) != p.payload || !bytes.Equal(f.Raw, b) {
			t.Errorf("frame %d (%s): %v %+v", i+1, p.source, ok, f)
		}
		if want := (Counts{Good: 1}); s.Counts != want {
			t.Errorf("frame %d (%s): %+v", i+1, p.source, s.Counts)
		}
		// One wrong byte anywhere but in the signature, and it is none.
		for at := range len(b) {
			if p.signed && at >= len(b)-signatureLen {
				break
			}
			bad := bytes.Clone(b)
			bad[at] ^= 0x10
			var s Scanner
			if f, _, ok := s.NextWhole(bad); ok {
				t.Errorf("frame %d with byte %d changed passed: %+v", i+1, at, f)
			}
		}
	}
}

func TestSimLossyRecording(t *testing.T) {
	b, err := os.ReadFile(architecture.Data(t, "telemetry/sim-lossy.raw")[0])
	if err != nil {
		t.Fatal(err)
	}
	var s Scanner
	frames, all := 0, 0
	seen := map[[2]uint8]int{}
	for rest := b; ; {
		f, used, ok := s.NextWhole(rest)
		rest = rest[used:]
		if !ok {
			break
		}
		frames++
		all += len(f.Raw)
		seen[[2]uint8{f.System, f.Component}]++
		h := x25.New()
		h.Write(f.Raw[1 : len(f.Raw)-2])
		h.Write([]byte{knownOf(f.ID).seed})
		if got := h.Sum(nil); !bytes.Equal(got, f.Raw[len(f.Raw)-2:]) {
			t.Fatalf("frame %d (%s) came through with a wrong checksum", frames, names.Of(f.ID))
		}
	}
	t.Logf("%d frames, %+v, senders %v", frames, s.Counts, seen)
	// Its maker's count: 8,681 frames with good CRC, 52,356 other bytes.
	if frames < 8681 {
		t.Errorf("%d frames, want at least 8681", frames)
	}
	if uint64(len(b)-all) != s.Counts.BadBytes || s.Counts.Good != uint64(frames) {
		t.Errorf("%d bytes are in no frame, counted %+v", len(b)-all, s.Counts)
	}
}

// Every definition of wire.go, and where each message has its boot clock, is as the
// library has it.
func TestDefinitionsAgreeWithLibrary(t *testing.T) {
	byName := map[string]message.Message{}
	for _, m := range common.Dialect.Messages {
		byName[names.Of(m.GetID())] = m
	}
	groups := append(table(&FieldsConfig{}), group{message: namedValueFloat})
	for _, g := range groups {
		got, err := layoutOf(g.message)
		if err != nil {
			t.Fatal(err)
		}
		if byName[got.name] == nil {
			t.Errorf("%s is not in the library", got.name)
			continue
		}
		want, err := fromLibrary(byName[got.name])
		if err != nil {
			t.Fatal(err)
		}
		if got.id != want.id || !slices.Equal(got.places, want.places) {
			t.Errorf("%s:\n got %d %+v\nwant %d %+v", got.name, got.id, got.places, want.id, want.places)
		}
	}
	if len(groups) < 22 {
		t.Errorf("only %d definitions", len(groups))
	}
	for _, bad := range []string{"", "X", "X y:", "X 1: u9 a", "X 1: u8 a[b]"} {
		if l, err := layoutOf(bad); err == nil {
			t.Errorf("%q was taken: %+v", bad, l)
		}
	}
	boot := map[uint32]uint8{}
	for _, m := range append(append([]message.Message(nil), common.Dialect.Messages...), &messageRelayStatus{}) {
		l, err := fromLibrary(m)
		if err != nil {
			t.Fatal(err)
		}
		if p, ok := l.find("time_boot_ms"); ok && p.typ == u32 && !p.extension {
			boot[l.id] = uint8(p.offset) + 1
		}
	}
	for i, k := range messages {
		if k.boot != boot[k.id] {
			t.Errorf("message %d: time_boot_ms at %d, the library has it at %d", k.id, int(k.boot)-1, int(boot[k.id])-1)
		}
		if i > 0 && messages[i-1].id >= k.id {
			t.Errorf("message %d does not stand in order", k.id)
		}
	}
}
