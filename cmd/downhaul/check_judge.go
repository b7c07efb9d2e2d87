package main

import (
	"encoding/json"
	"fmt"
	"io"
	"time"

	"downhaul/interlock/commission"
	"downhaul/interlock/judge"
	"downhaul/interlock/pad"
	"downhaul/interlock/plain"
	"downhaul/rules"
)

// readHeard reads what listen printed as JSON.
func readHeard(name string) (judge.Heard, error) {
	text, err := plain.Read(name, plain.Heard)
	if err != nil {
		return nil, err
	}
	var f findings
	if err := json.Unmarshal(text, &f); err != nil || f.Schema == 0 {
		return nil, hint(fmt.Errorf("%s is not what listen --json prints", name), "downhaul listen LINK --json > %s", name)
	}
	every := map[rules.ChannelID]time.Duration{}
	for _, c := range f.Channels {
		if ch, ok := rules.Lookup(c.Channel); ok && c.Rate > 0 {
			every[ch.ID] = time.Duration(float64(time.Second) / c.Rate)
		}
	}
	return func(id rules.ChannelID) (time.Duration, bool) { d, ok := every[id]; return d, ok }, nil
}

// stopTime is what is known from relay open to rotors stopped. The records of a
// real board count where they were made on this machine for this pad file.
func (c *checked) stopTime() time.Duration {
	var commissioned time.Duration
	if c.pad.Board.Kind == pad.GPIO {
		// Records that can not be read are no measurement.
		if records, _, err := commission.Records(c.pad.LogFolder); err == nil {
			commissioned = commission.Stand(c.pad, records, time.Now(), commission.Machine(c.pad)).StopTime
		}
	}
	return judge.StopTime(c.pad, commissioned)
}

// printHazards prints who would see what.
func printHazards(w io.Writer, all []judge.Hazard) {
	craftOnly, unseen := judge.SayHazards(all)
	if len(craftOnly) > 0 {
		fmt.Fprintln(w, "\nRests only on what the craft says of itself:")
		for _, line := range craftOnly {
			wrap(w, "  - ", "    ", line)
		}
	}
	if len(unseen) > 0 {
		fmt.Fprintln(w, "\nNo rule acts on these; they are for the observer and the emergency stop:")
		for _, line := range unseen {
			wrap(w, "  - ", "    ", line)
		}
	}
}
