package bench

import (
	"bytes"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"downhaul/interlock"
	"downhaul/interlock/pad"
	"downhaul/interlock/records/recording"
	"downhaul/rules"
	"downhaul/rules/architecture"
)

// shared gives the path of data that nobody in this project made.
func shared(t *testing.T, name string) string {
	t.Helper()
	return architecture.Data(t, "telemetry/"+name)[0]
}

func envelope(t *testing.T, text string) *rules.Envelope {
	t.Helper()
	env, faults := rules.ReadEnvelope("envelope.toml", []byte("version = 1\ntitle = \"test\"\n"+text))
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	return env
}

func replayFile(t *testing.T, path string, env *rules.Envelope, p *pad.Pad) *Result {
	t.Helper()
	setup, _, err := Watching([]string{path}, env, p)
	if err != nil {
		t.Fatal(err)
	}
	rec, err := recording.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer rec.Close()
	r, err := Replay(path, rec, setup)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// hudPad is a pad for the recorded quadrotor: SYS_STATUS tells the pack, and
// VFR_HUD the climb (the one beside its height is off by metres a second).
func hudPad(t *testing.T) *pad.Pad {
	t.Helper()
	p, faults := pad.Read("pad.toml", []byte(`version = 1
duty = "watch"
[craft]
system = 1
component = 1
[height]
source = "global"
climb = "hud"
[[link]]
kind = "udp"
address = "127.0.0.1:40123"
[packs]
source = "sys_status"
cells = 3
`))
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	return p
}

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if math.Abs(got-want) > within {
		t.Errorf("%s: %.4g, the recording's makers say %.4g", what, got, want)
	}
}

// The truth is that of the makers of the recording (sebastien17/MAVlink_plug,
// commit 722bd99f): armed at +26.8 s, tumbles, crash told at +44.7 s, disarmed
// +45.8, armed again +73.7, to 14.64 m, disarmed +182.8; pack 10.04 to 11.36 V.
func TestReplayOfARealCrash(t *testing.T) {
	env := envelope(t, `
[[rule]]
name = "tilt"
watch = "craft.tilt"
above = "60 deg"
lasting = "100 ms"
stale_after = "3 s"
while = "armed"
stop = "immediate"
[[rule]]
name = "armed"
watch = "craft.armed"
is = true
stale_after = "10 s"
stop = "immediate"
[[rule]]
name = "height"
watch = "craft.height"
above = "100 m"
stale_after = "5 s"
stop = "immediate"
[[rule]]
name = "low pack"
watch = "supply.voltage"
below = "1 V"
stale_after = "10 s"
stop = "immediate"
[[rule]]
name = "high pack"
watch = "supply.voltage"
above = "50 V"
stale_after = "10 s"
stop = "immediate"
`)
	disarming := envelope(t, `
[[rule]]
name = "disarmed"
watch = "craft.armed"
is = false
stale_after = "10 s"
stop = "immediate"
`)
	path := shared(t, "quad-crash-then-mission.pcap")
	r := replayFile(t, path, env, hudPad(t))
	near(t, "duration", r.DurationS, 197.3, 0.1)
	if total := r.Frames + r.Ignored; total < 11_400 || total > 11_701 || r.BadBytes != 0 {
		t.Errorf("%d frames and %d ignored of 11701, %d bad bytes", r.Frames, r.Ignored, r.BadBytes)
	}
	var armed, disarmed, tilted []float64
	for _, e := range r.Stops() {
		switch e.Rule {
		case "armed":
			armed = append(armed, e.AtS)
		case "tilt":
			if e.Value != nil {
				tilted = append(tilted, e.AtS)
			}
		}
	}
	for _, e := range replayFile(t, path, disarming, hudPad(t)).Stops() {
		if e.Rule == "disarmed" {
			disarmed = append(disarmed, e.AtS)
		}
	}
	if len(armed) != 2 || len(disarmed) != 3 || len(tilted) == 0 {
		t.Fatalf("armed at %v, disarmed at %v, tilted at %v", armed, disarmed, tilted)
	}
	// Disarmed is the first word of the recording; then after each flight.
	for i, want := range []float64{26.8, 73.7} {
		near(t, "armed", armed[i], want, 0.2)
	}
	for i, want := range []float64{45.8, 182.8} {
		near(t, "disarmed", disarmed[i+1], want, 0.2)
	}
	if tilted[0] <= 26.8 || tilted[0] >= 45.8 {
		t.Errorf("the tilt rule tripped at %.2f s, want between 26.8 and 45.8 s", tilted[0])
	}
	least := map[string]float64{}
	for _, h := range r.Headroom {
		if h.Least == nil {
			t.Fatalf("%s never had a value", h.Rule)
		}
		least[h.Rule] = *h.Least
	}
	near(t, "greatest height", 100-least["height"], 14.64, 0.01)
	near(t, "least voltage", 1+least["low pack"], 10.04, 0.01)
	near(t, "greatest voltage", 50-least["high pack"], 11.36, 0.01)
}

// Truth of the lossy link: LucaGemma/MasterThesis, commit 725079cb.
func TestReplayOfALossyLink(t *testing.T) {
	env := envelope(t, `
[[rule]]
name = "height"
watch = "craft.height.global"
above = "100 m"
stale_after = "20 s"
stop = "immediate"
[[rule]]
name = "current"
watch = "supply.current"
above = "100 A"
stale_after = "20 s"
stop = "immediate"
`)
	r := replayFile(t, shared(t, "sim-lossy.raw"), env, nil)
	if r.Frames+r.Ignored < 8681 || r.BadBytes != 52_356 {
		t.Errorf("%d frames, %d ignored and %d bad bytes, want 8681 and 52356", r.Frames, r.Ignored, r.BadBytes)
	}
	near(t, "duration", r.DurationS, 111.9, 0.1)
	near(t, "greatest height", 100-*r.Headroom[0].Least, 16.04, 0.01)
	near(t, "greatest current", 100-*r.Headroom[1].Least, 30.57, 0.01)
	if len(r.NeverHeard) != 0 {
		t.Errorf("never heard: %v", r.NeverHeard)
	}
}

// What breaks off still gives what could be read; what is no recording is
// refused with what it is.
func TestReplayOfBrokenRecordings(t *testing.T) {
	whole, err := os.ReadFile(filepath.Join("testdata", "kept.pcapng"))
	if err != nil {
		t.Fatal(err)
	}
	env := envelope(t, "[[rule]]\nname = \"tilt\"\nwatch = \"craft.tilt\"\nabove = \"60 deg\"\nstop = \"immediate\"\n")
	open := func(b []byte) (*Result, error) {
		path := filepath.Join(t.TempDir(), "x")
		if err := os.WriteFile(path, b, 0o644); err != nil {
			t.Fatal(err)
		}
		setup, _, err := Watching([]string{path}, env, nil)
		if err != nil {
			return nil, err
		}
		rec, err := recording.OpenReader(bytes.NewReader(b))
		if err != nil {
			return nil, err
		}
		return Replay("x", rec, setup)
	}
	full, err := open(whole)
	if err != nil || full.Frames == 0 {
		t.Fatalf("%v, %+v", err, full)
	}
	cut, err := open(whole[:len(whole)*2/3])
	if err != nil {
		t.Fatal(err)
	}
	if cut.Frames == 0 || cut.Frames >= full.Frames || len(cut.Notes) == 0 {
		t.Errorf("cut: %d of %d frames, notes %v", cut.Frames, full.Frames, cut.Notes)
	}
	for name, row := range map[string]struct {
		bytes []byte
		want  string
	}{
		"empty": {nil, "empty"},
		"text":  {[]byte(strings.Repeat("hover 1, 12:03, fine\n", 40)), "text"},
		"noise": {bytes.Repeat([]byte{0x00, 0x91, 0x17, 0xEE, 0x55}, 4000), ""},
	} {
		if r, err := open(row.bytes); err == nil {
			t.Errorf("%s: taken, %d frames", name, r.Frames)
		} else if !strings.Contains(err.Error(), row.want) {
			t.Errorf("%s: %v; want it to say %q", name, err, row.want)
		}
	}
}

// A recording of another system id is watched as what it is.
func TestWatchingFindsTheCraft(t *testing.T) {
	path := filepath.Join(t.TempDir(), "seven.bin")
	if err := os.WriteFile(path, modelBytes(t, 7, 400), 0o644); err != nil {
		t.Fatal(err)
	}
	env := envelope(t, "[[rule]]\nname = \"tilt\"\nwatch = \"craft.tilt\"\nabove = \"60 deg\"\nstop = \"immediate\"\n")
	setup, notes, err := Watching([]string{path}, env, nil)
	if err != nil {
		t.Fatal(err)
	}
	if setup.Intake.Craft.System != 7 || setup.Intake.Craft.Component != 1 || setup.Site.Duty != interlock.Watch {
		t.Errorf("%+v, duty %v", setup.Intake.Craft, setup.Site.Duty)
	}
	if len(notes) == 0 || !strings.Contains(notes[0], "craft is 7.1") {
		t.Errorf("notes %v", notes)
	}
	if r := replayFile(t, path, env, nil); r.Frames != 400 || r.System != 7 {
		t.Errorf("%d frames of system %d", r.Frames, r.System)
	}
}
