package telemetry_test

import (
	"fmt"

	"downhaul/interlock/day/telemetry"
)

// A heartbeat of MAVLink 1 (message 0, CRC_EXTRA 50) between bytes that are none.
func ExampleScanner_NextInto() {
	stream := []byte{0x55, 0xFE, 9, 7, 1, 1, 0, 0, 0, 0, 0, 2, 3, 0x51, 4, 3, 0xFA, 0xAD, 0x55}
	var s telemetry.Scanner
	var f telemetry.Frame
	for used, ok := s.NextInto(&f, stream, true); ok; used, ok = s.NextInto(&f, stream, true) {
		fmt.Println("message", f.ID, "of system", f.System)
		stream = stream[used:]
	}
	// Output: message 0 of system 1
}
