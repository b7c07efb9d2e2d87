package report

import (
	"cmp"
	"context"
	"encoding/binary"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"downhaul/interlock/model/craftmodel"
	"downhaul/interlock/pad"
	"downhaul/rules"
	"downhaul/rules/architecture"
)

// A recording that nobody here made, with files for it: what is known of it (its list of
// sources) comes out, and what it cannot tell is said.
func TestARecordingAloneIsReported(t *testing.T) {
	path := architecture.Data(t, "telemetry/quad-crash-then-mission.pcap")[0]
	p, faults := pad.Read("pad.toml", []byte(`version = 1
duty = "watch"
[craft]
system = 1
component = 1
motors = 4
[[link]]
kind = "udp"
address = "127.0.0.1:40123"
[height]
source = "global"
climb = "hud"
[packs]
source = "sys_status"
cells = 3
[board]
kind = "virtual"
`))
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	env, faults := rules.ReadEnvelope("envelope.toml", []byte("version = 1\ntitle = \"test\"\n[[rule]]\nname = \"tilt\"\nwatch = \"craft.tilt\"\nabove = \"60 deg\"\nstale_after = \"10 s\"\nstop = \"immediate\"\n"))
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	for _, limits := range []*rules.Envelope{nil, env} {
		s, err := ReadAlone(context.Background(), path, Files{Pad: p, Envelope: limits}, Options{})
		if err != nil {
			t.Fatal(err)
		}
		near := func(what string, got *Quantity, want, within float64) {
			t.Helper()
			if got == nil || math.Abs(got.Value-want) > within {
				t.Errorf("%s: %v, want %v", what, got, want)
			}
		}
		if len(s.Runs) != 2 || len(s.Packs) != 1 || (len(s.Rules) > 0) != (limits != nil) {
			t.Fatalf("%d runs, %d packs, %d episodes", len(s.Runs), len(s.Packs), len(s.Episodes))
		}
		near("armed", s.Runs[0].Begin, 26.8, 0.1)
		near("for", s.Runs[0].Lasted, 19, 0.1)
		near("armed again", s.Runs[1].Begin, 73.7, 0.1)
		near("highest", s.Runs[1].Highest, 14.64, 0.005)
		near("resistance", s.Packs[0].Resistance, 0.039, 0.001)
		near("largest current", s.Packs[0].Most, 24.51, 0.005)
		crash := false
		for _, w := range s.Words {
			crash = crash || w.Severity == "error" && strings.HasPrefix(w.Text, "Crash") && math.Abs(w.At.Value-44.7) < 0.05
		}
		if !crash || !s.Alone || !contains(s.Integrity.Says, "tells nothing") {
			t.Errorf("words %v, says %v", s.Words, s.Integrity.Says)
		}
		r := Of(s.Began, "test", []*Session{s}, nil, Asked{})
		if r.Shown() != nil || !r.Found() {
			t.Errorf("shown %v, found %v", r.Shown(), r.Found())
		}
		var page strings.Builder
		if err := r.WritePage(&page); err != nil || !strings.Contains(page.String(), "Crash: Disarming") || strings.Contains(page.String(), "last chain value") {
			t.Errorf("page: %v", err)
		}
	}
}

// pcapOf is a capture of a link's datagrams, in microseconds on IPv4 packets
// (draft-ietf-opsawg-pcap), each flow to a port of its own.
func pcapOf(flows map[uint16][]craftmodel.Datagram) []byte {
	type sent struct {
		port uint16
		craftmodel.Datagram
	}
	var all []sent
	for port, list := range flows {
		for _, d := range list {
			all = append(all, sent{port, d})
		}
	}
	slices.SortFunc(all, func(a, b sent) int { return cmp.Or(cmp.Compare(a.At, b.At), cmp.Compare(a.port, b.port)) })
	out := []byte{0xD4, 0xC3, 0xB2, 0xA1, 2, 0, 4, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0xFF, 0xFF, 0, 0, 228, 0, 0, 0}
	for _, s := range all {
		size := len(s.Bytes) + 28
		for _, v := range []int{1_900_000_000 + int(s.At/time.Second), int(s.At % time.Second / time.Microsecond), size, size} {
			out = binary.LittleEndian.AppendUint32(out, uint32(v))
		}
		out = append(out, 0x45, 0, byte(size>>8), byte(size), 0, 0, 0, 0, 64, 17, 0, 0, 10, 0, 0, 2, 10, 0, 0, 1,
			156, 64, byte(s.port>>8), byte(s.port), byte((size-20)>>8), byte(size-20), 0, 0)
		out = append(out, s.Bytes...)
	}
	return out
}

// A link that was recorded on two ports is reported on once, by its denser flow, which is
// said; or by the port that is named.
func TestAReportTakesOneFlow(t *testing.T) {
	p, faults := pad.Read("pad.toml", []byte("version = 1\nduty = \"watch\"\n[craft]\nsystem = 1\ncomponent = 1\nmotors = 8\n[[link]]\nkind = \"udp\"\naddress = \"127.0.0.1:40123\"\n[board]\nkind = \"virtual\"\n"))
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	cfg := craftmodel.EightTwo()
	cfg.Unpowered = true
	craft, err := craftmodel.New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	craft.Advance(20 * time.Second)
	link := craft.Frames(nil)
	var thin []craftmodel.Datagram
	for i, d := range link {
		if i%3 != 0 {
			thin = append(thin, craftmodel.Datagram{At: d.At + time.Millisecond, Bytes: d.Bytes})
		}
	}
	path := filepath.Join(t.TempDir(), "link.pcap")
	if err := os.WriteFile(path, pcapOf(map[uint16][]craftmodel.Datagram{40123: thin, 40124: link}), 0o644); err != nil {
		t.Fatal(err)
	}
	for port, want := range map[uint16]int{0: len(link), 40124: len(link), 40123: len(thin)} {
		s, err := ReadAlone(context.Background(), path, Files{Pad: p, Port: port}, Options{})
		if err != nil {
			t.Fatal(err)
		}
		said := contains(s.Integrity.Recording, "recorded once more")
		if s.Link.Frames != uint64(want) || said != (port == 0) || len(s.Episodes) > 0 {
			t.Errorf("port %d: %d frames, want %d; %q; %d trips", port, s.Link.Frames, want, s.Integrity.Recording, len(s.Episodes))
		}
	}
}
