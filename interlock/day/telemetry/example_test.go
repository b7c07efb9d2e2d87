package telemetry_test

import (
	"fmt"

	"downhaul/interlock/day/telemetry"
)

// A heartbeat of MAVLink 1 (message 0, CRC_EXTRA 50) between bytes that are none.
func ExampleScanner_Next() {
	stream := []byte{0x55, 0xFE, 9, 7, 1, 1, 0, 0, 0, 0, 0, 2, 3, 0x51, 4, 3, 0xFA, 0xAD, 0x55}
	var s telemetry.Scanner
	for len(stream) > 0 {
		f, used, ok := s.Next(stream)
		if ok {
			fmt.Println("message", f.ID, "of system", f.System)
		}
		if used == 0 {
			break
		}
		stream = stream[used:]
	}
	// Output: message 0 of system 1
}
