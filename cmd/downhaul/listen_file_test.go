package main

import (
	"bytes"
	"errors"
	"math"
	"strings"
	"testing"

	"downhaul/rules/architecture"
)

// heardOf runs listen on a recording that nobody here made.
func heardOf(t *testing.T, name string) (recorded, findings) {
	t.Helper()
	path := architecture.Data(t, "telemetry/"+name)[0]
	var out bytes.Buffer
	c := listenCmd{Sources: []string{path}, JSON: true}
	if err := c.Run(t.Context(), &streams{out: &out, err: &bytes.Buffer{}}); err != nil && !errors.Is(err, errFound) {
		t.Fatal(err)
	}
	f, err := foundBefore(name, out.Bytes())
	if err != nil {
		t.Fatal(err)
	}
	if strings.Contains(out.String(), ": null") && f.Recording.StartUTC != nil && strings.Contains(out.String(), `"notes": null`) {
		t.Error("a list is null")
	}
	return *f.Recording, f
}

func close1(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if math.Abs(got-want) > within {
		t.Errorf("%s: %v, want %v", what, got, want)
	}
}

// What is known of two recordings that nobody here made (their list of sources): a
// quadrotor that crashes and then flies a mission, and one over a link that lost and
// mangled bytes.
func TestListenTellsWhatARecordingHolds(t *testing.T) {
	r, f := heardOf(t, "quad-crash-then-mission.pcap")
	if f.Craft == nil || f.Craft.String() != "1/1" || len(f.Senders) != 3 || len(r.Armed) != 2 {
		t.Fatalf("craft %v, %d senders, armed %v", f.Craft, len(f.Senders), r.Armed)
	}
	close1(t, "duration", r.DurationS, 197.3, 0.1)
	for i, want := range [][2]float64{{26.8, 45.8}, {73.7, 182.8}} {
		close1(t, "armed", r.Armed[i].FromS, want[0], 0.1)
		close1(t, "disarmed", r.Armed[i].ToS, want[1], 0.1)
	}
	of := func(list []course, channel string) course {
		for _, c := range list {
			if c.Channel == channel {
				return c
			}
		}
		t.Fatalf("%s is not told", channel)
		return course{}
	}
	close1(t, "highest", of(r.Armed[1].Ranges, "craft.height.global").High, 14.64, 0.005)
	close1(t, "roll past 179 degrees", of(r.Ranges, "craft.tilt").High*180/math.Pi, 179, 1)
	close1(t, "least volts", of(r.Ranges, "supply.voltage").Low, 10.04, 0.005)
	close1(t, "most volts", of(r.Ranges, "supply.voltage").High, 11.36, 0.005)
	close1(t, "most amperes", of(r.Ranges, "supply.current").High, 24.51, 0.005)
	said := ""
	for _, s := range r.Said {
		if strings.Contains(s.Text, "Crash") {
			said += s.Severity
			close1(t, "says that it crashed", s.AtS, 44.7, 0.05)
		}
	}
	if said != "error" || f.BadBytes != 0 || r.DamagedFrames != 0 {
		t.Errorf("crash %q, %d bad bytes, %d damaged", said, f.BadBytes, r.DamagedFrames)
	}

	r, f = heardOf(t, "sim-lossy.raw")
	// 52,356 bytes are in none of the 8,681 good frames.
	if f.Senders[0].Frames != 8681 || r.StartUTC != nil || len(r.Armed) != 1 || f.BadBytes+r.DamagedBytes != 52_356 || r.DamagedFrames < 1000 {
		t.Errorf("%d frames, start %v, armed %v, %d bad bytes, %d damaged", f.Senders[0].Frames, r.StartUTC, r.Armed, f.BadBytes, r.DamagedFrames)
	}
	close1(t, "duration", r.DurationS, 111.9, 0.1)
	close1(t, "highest", of(r.Armed[0].Ranges, "craft.height.local").High, 16.04, 0.02)
	close1(t, "most amperes", of(r.Armed[0].Ranges, "supply.current").High, 30.57, 0.005)
}
