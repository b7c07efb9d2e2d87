package main

import (
	"bytes"
	"encoding/binary"
	"math"
	"net/netip"
	"slices"
	"strings"
	"testing"
	"time"

	"downhaul/interlock/day/telemetry"
	"downhaul/interlock/day/telemetry/link/reading"
	"downhaul/interlock/model/craftmodel"
)

// frameBytes is a frame of version 2 of craft 1.1, with an id of one byte or two (MAVLink guide,
// "Packet Serialization").
func frameBytes(seq uint8, id uint32, payload []byte) []byte {
	_, _, seed, _ := telemetry.Definition(id)
	b := append([]byte{0xFD, byte(len(payload)), 0, 0, seq, 1, 1, byte(id), byte(id >> 8), 0}, payload...)
	return binary.LittleEndian.AppendUint16(b, telemetry.Checksum(b[1:], seed))
}

// A battery of the craft that no channel is fed from is told, as text and in the
// object; those that are fed are not.
func TestListenTellsOfABatteryThatIsNotRead(t *testing.T) {
	e, err := newEar(true)
	if err != nil {
		t.Fatal(err)
	}
	craft, err := craftmodel.New(craftmodel.EightTwo())
	if err != nil {
		t.Fatal(err)
	}
	craft.Step(3 * time.Second)
	for _, d := range craft.Frames(nil) {
		e.hear(d.At, reading.Packet{Bytes: d.Bytes})
	}
	text := func() (*findings, string) {
		f := e.judge("udp://127.0.0.1:40123", 3*time.Second, identity{})
		var b bytes.Buffer
		f.print(&b)
		return f, b.String()
	}
	if f, said := text(); len(f.Unread) != 0 || strings.Contains(said, "not read") {
		t.Errorf("without such a battery: %v\n%s", f.Unread, said)
	}
	for _, number := range []byte{7, 4} {
		// BATTERY_STATUS in version 2: id is byte 32 of its payload.
		payload := make([]byte, 36)
		payload[32] = number
		e.whole(time.Second, e.senders[0].from, frameBytes(0, 147, payload))
	}
	f, said := text()
	if !slices.Equal(f.Unread, []int{4, 7}) || !strings.Contains(strings.Join(strings.Fields(said), " "), "batteries 4, 7 are heard (BATTERY_STATUS) and not read") {
		t.Errorf("%v\n%s", f.Unread, said)
	}
	for _, line := range strings.Split(said, "\n") {
		if len(line) > columns {
			t.Errorf("%d columns: %s", len(line), line)
		}
	}
}

// Frames that a repeater sends again are counted for each sender by what the guard
// refuses: they raise the rate, and a guard takes none of them.
func TestListenCountsWhatWasSaidBefore(t *testing.T) {
	e, err := newEar(true)
	if err != nil {
		t.Fatal(err)
	}
	craft, err := craftmodel.New(craftmodel.EightTwo())
	if err != nil {
		t.Fatal(err)
	}
	craft.Step(3 * time.Second)
	heard := craft.Frames(nil)
	for _, d := range heard {
		e.hear(d.At, reading.Packet{Bytes: d.Bytes})
	}
	text := func() (*findings, string) {
		f := e.judge("udp://127.0.0.1:40123", 3*time.Second, identity{})
		var b bytes.Buffer
		f.print(&b)
		return f, strings.Join(strings.Fields(b.String()), " ")
	}
	if f, said := text(); f.Senders[0].Repeated != 0 || strings.Contains(said, "said before") {
		t.Errorf("a healthy craft: %+v\n%s", f.Senders, said)
	}
	last := heard[len(heard)-1]
	for i := range 50 {
		e.hear(last.At+time.Duration(i)*10*time.Millisecond, reading.Packet{Bytes: last.Bytes})
	}
	if f, said := text(); f.Senders[0].Repeated < 50 || !strings.Contains(said, "of 1/1 were said before") {
		t.Errorf("50 datagrams said again: %+v\n%s", f.Senders, said)
	}
}

// A climb that the sender turns is told, with the one that fits and where to name it, and
// is nothing that a guard could stand on.
func TestListenTellsOfAClimbAgainstItsHeight(t *testing.T) {
	for _, turned := range []bool{false, true} {
		e, err := newEar(true)
		if err != nil {
			t.Fatal(err)
		}
		for k := range 40 {
			at := time.Duration(k) * 250 * time.Millisecond
			vz := int16(-200)
			if turned {
				vz = 200
			}
			// GLOBAL_POSITION_INT: time_boot_ms at byte 0, relative_alt in mm at 16, vz in cm/s at 24.
			gpi := binary.LittleEndian.AppendUint32(nil, uint32(1000+at/time.Millisecond))
			gpi = append(gpi, make([]byte, 24)...)
			binary.LittleEndian.PutUint32(gpi[16:], uint32(500*k))
			binary.LittleEndian.PutUint16(gpi[24:], uint16(vz))
			// VFR_HUD: climb in m/s, a float at byte 12.
			hud := make([]byte, 20)
			binary.LittleEndian.PutUint32(hud[12:], math.Float32bits(2))
			beat := []byte{0, 0, 0, 0, 2, 3, 0, 4, 3}
			for n, f := range []telemetry.Frame{{ID: 0, Payload: beat}, {ID: 74, Payload: hud}, {ID: 33, Payload: gpi}} {
				e.whole(at, netip.AddrPort{}, frameBytes(uint8(3*k+n), f.ID, f.Payload))
			}
		}
		f := e.judge("udp://127.0.0.1:40123", 10*time.Second, identity{})
		var b bytes.Buffer
		f.print(&b)
		said := strings.Join(strings.Fields(b.String()), " ")
		if got := strings.Contains(said, "craft.climb.global is wrong: the climb runs against") && strings.Contains(said, `craft.climb.hud fits (climb = "hud" under [height])`); got != turned || (len(f.Wrong) == 1) != turned {
			t.Errorf("turned %v: %v\n%s", turned, f.Wrong, said)
		}
	}
}

// Of several sources of one thing listen and new take the one that this link gives
// fastest, not the first of a list.
func TestListenNamesTheFastestSource(t *testing.T) {
	for _, fast := range []uint32{32, 33} {
		e, err := newEar(true)
		if err != nil {
			t.Fatal(err)
		}
		seq := uint8(0)
		for k := range 400 {
			at := time.Duration(k) * 25 * time.Millisecond
			for _, id := range []uint32{0, 32, 33} { // HEARTBEAT, LOCAL_POSITION_NED, GLOBAL_POSITION_INT
				if id == 0 && k%40 != 0 || id != 0 && id != fast && k%8 != 0 || id == fast && k%5 != 0 {
					continue
				}
				payload := make([]byte, 28)
				if id == 0 {
					payload = []byte{0, 0, 0, 0, 2, 3, 0, 4, 3}
				} else {
					binary.LittleEndian.PutUint32(payload, uint32(1000+25*k))
				}
				e.whole(at, netip.AddrPort{}, frameBytes(seq, id, payload))
				seq++
			}
		}
		want, name := "craft.height.local", "local"
		if fast == 33 {
			want, name = "craft.height.global", "global"
		}
		f := e.judge("udp://127.0.0.1:40123", 10*time.Second, identity{})
		if !slices.ContainsFunc(f.Channels, func(c channelRow) bool { return c.Channel == want }) {
			t.Errorf("message %d is faster: %+v", fast, f.Channels)
		}
		if h, err := f.heardCraft(); err != nil || h.height != name {
			t.Errorf("message %d is faster: %+v, %v", fast, h, err)
		}
	}
}
