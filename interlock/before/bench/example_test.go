package bench_test

import (
	"fmt"
	"os"

	"downhaul/interlock/before/bench"
	"downhaul/interlock/records/recording"
	"downhaul/rules"
)

// A recording is held against an envelope, by the core that guards.
func ExampleReplay() {
	text, err := os.ReadFile("testdata/twenty.toml")
	if err != nil {
		fmt.Println(err)
		return
	}
	env, faults := rules.ReadEnvelope("twenty.toml", text)
	if len(faults) > 0 {
		fmt.Println(faults)
		return
	}
	setup, _, err := bench.Watching([]string{"testdata/capture.pcap"}, env, nil)
	if err != nil {
		fmt.Println(err)
		return
	}
	rec, err := recording.Open("testdata/capture.pcap")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer rec.Close()
	result, err := bench.Replay("capture.pcap", rec, setup)
	fmt.Println(result.Frames, "frames,", len(result.Trips), "trips;", err)
	// Output: 590 frames, 2 trips; <nil>
}
