package intake

import (
	"bytes"
	"testing"

	"downhaul/interlock/day/telemetry"
)

// Every kind of frame has a clock of its own.
func TestEveryKindHasItsClock(t *testing.T) {
	owner := map[uint64]uint32{}
	for id := range uint32(70_000) {
		k := clockKey(&telemetry.Frame{ID: id})
		if other, taken := owner[k]; taken || k == 0 {
			t.Fatalf("messages %d and %d share the clock %d", id, other, k)
		}
		owner[k] = id
	}
}

// Every distance sensor and every way it looks has a clock of its own, also where version
// 2 has cut its zeros away: sensor 0 that looks ahead is not sensor 1 that looks aside.
func TestEverySensorHasItsClock(t *testing.T) {
	owner := map[uint64][2]int{}
	for id := range 256 {
		for way := range 256 {
			payload := append(bytes.Repeat([]byte{1}, 11), byte(id), byte(way))
			whole := clockKey(&telemetry.Frame{ID: idDistanceSensor, Payload: payload})
			if cut := clockKey(&telemetry.Frame{ID: idDistanceSensor, Payload: bytes.TrimRight(payload, "\x00")}); cut != whole {
				t.Fatalf("sensor %d that looks %d has another clock with its zeros cut", id, way)
			}
			if other, taken := owner[whole]; taken {
				t.Fatalf("sensors %v and %d that looks %d share a clock", other, id, way)
			}
			owner[whole] = [2]int{id, way}
		}
	}
}

// Any bit of a name makes another clock: where two names had one, the later of two
// values of one instant would be lost as a repeated one.
func TestEveryNameHasItsClock(t *testing.T) {
	payload := []byte("\x00\x00\x00\x00\x00\x00\x00\x00voltage1_a")
	plain := clockKey(&telemetry.Frame{ID: idNamedValueFloat, Payload: payload})
	for bit := range 80 {
		other := append([]byte(nil), payload...)
		other[8+bit/8] ^= 1 << (bit % 8)
		if clockKey(&telemetry.Frame{ID: idNamedValueFloat, Payload: other}) == plain {
			t.Errorf("%q and %q share a clock", payload[8:], other[8:])
		}
	}
}
