package main

import (
	"bytes"
	"context"
	"math"
	"net"
	"net/netip"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"downhaul/interlock/day/intake"
	"downhaul/interlock/model/craftmodel"
	"downhaul/interlock/records/recorder"
	"downhaul/interlock/records/tiltcheck"
	"downhaul/rules/card"
)

// tiltFiles are a card with four motors, of which two may be exchanged, and a
// pad that listens on that address.
func tiltFiles(t *testing.T, first, second, address string) (dir, cardFile, padFile string) {
	t.Helper()
	dir = t.TempDir()
	fill := strings.NewReplacer("@DIR@", dir, "@1@", first, "@2@", second, "@LINK@", address)
	write := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(fill.Replace(text)), 0o644); err != nil {
			t.Fatal(err)
		}
		return path
	}
	cardFile = write("card.toml", `version = 1
title = "Bench"
[craft]
name = "Eight 2"
mass = "60 kg"
[motors]
count = 4
[[motor]]
number = @1@
ahead = "0.9 m"
right = "0.9 m"
spin = "cw"
[[motor]]
number = @2@
ahead = "-0.9 m"
right = "0.9 m"
spin = "ccw"
[[motor]]
number = 3
ahead = "-0.9 m"
right = "-0.9 m"
spin = "cw"
[[motor]]
number = 4
ahead = "0.9 m"
right = "-0.9 m"
spin = "ccw"
[[step]]
name = "tilt response"
kind = "ground"
measured_by = "tilt"
lasts = "7 d"
`)
	padFile = write("pad.toml", `version = 1
title = "Bench"
duty = "watch"
log_folder = "@DIR@"
socket = "@DIR@/guard.sock"
[craft]
system = 1
component = 1
motors = 4
[[link]]
name = "telemetry"
kind = "udp"
address = "@LINK@"
`)
	return dir, cardFile, padFile
}

// inTurn is the four leans, one right behind the other, with rests before and
// behind.
var inTurn = []turned{{4, 0, 0}, {7, 0, -20}, {10, 0, 20}, {13, -20, 0}, {16, 20, 0}, {1e6, 0, 0}}

// turned is how a craft is held, until that second, deg.
type turned struct {
	until       time.Duration
	roll, pitch float64
}

// inHands is a craft of four motors that people turn: at each second the way
// that the list says.
func inHands(t *testing.T, turns []turned) (*craftmodel.Craft, func(c *craftmodel.Craft)) {
	t.Helper()
	cfg := craftmodel.EightTwo()
	cfg.Motors, cfg.Unpowered = 4, true
	craft, err := craftmodel.New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	armed := false
	return craft, func(c *craftmodel.Craft) {
		if !armed {
			armed = true
			if err := c.Do(craftmodel.Event{Act: craftmodel.Arm}); err != nil {
				t.Error(err)
			}
		}
		for _, x := range turns {
			if c.Now() < x.until*time.Second {
				c.TakeInHands(x.roll*math.Pi/180, x.pitch*math.Pi/180)
				return
			}
		}
	}
}

// A recording of a craft in hands passes with the card that is true, and with
// two motors exchanged on the card it says which.
func TestTiltOfARecording(t *testing.T) {
	craft, turn := inHands(t, inTurn)
	name := filepath.Join(t.TempDir(), "hands.pcapng")
	f, err := os.Create(name)
	if err != nil {
		t.Fatal(err)
	}
	w, err := recorder.Create(f, recorder.Start{Session: "test", Wall: time.Unix(2e9, 0)})
	if err != nil {
		t.Fatal(err)
	}
	seq := uint64(0)
	for craft.Now() < 30*time.Second {
		turn(craft)
		craft.Step(20 * time.Millisecond)
		for _, d := range craft.Frames(nil) {
			seq++
			if err := w.Put(intake.Chunk{At: d.At, Seq: seq, Source: intake.Telemetry, Bytes: d.Bytes,
				From: netip.MustParseAddrPort("127.0.0.1:50000"), To: netip.MustParseAddrPort("127.0.0.1:40123")}); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		first, second string
		code          int
		says          []string
	}{
		{"1", "2", nothingFound, []string{"Every motor answered the right way.", "No record is kept", "right side down   20 deg"}},
		{"2", "1", somethingWas, []string{"NOT PASSED", "motors 1 and 2 are on each other's outputs"}},
	} {
		_, cardFile, padFile := tiltFiles(t, c.first, c.second, "127.0.0.1:40123")
		var out, errs bytes.Buffer
		code := run(context.Background(), []string{"tilt", "--card", cardFile, "--pad", padFile, name}, &streams{strings.NewReader(""), &out, &errs})
		if code != c.code {
			t.Errorf("ended with %d, want %d: %s%s", code, c.code, out.String(), errs.String())
		}
		said := strings.Join(strings.Fields(out.String()), " ")
		for _, want := range c.says {
			if !strings.Contains(said, strings.Join(strings.Fields(want), " ")) {
				t.Errorf("does not say %q:\n%s", want, out.String())
			}
		}
		for _, line := range strings.Split(out.String(), "\n") {
			if len(line) > columns {
				t.Errorf("%d columns: %s", len(line), line)
			}
		}
	}
}

// Live, the crew is led through, and a record is kept that counts for this craft
// and these motors, and for no others.
func TestTiltLive(t *testing.T) {
	if testing.Short() {
		t.Skip("takes a quarter of a minute; left out by -short")
	}
	t.Parallel()
	c, err := net.ListenUDP("udp4", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1)})
	if err != nil {
		t.Fatal(err)
	}
	address := c.LocalAddr().String()
	c.Close()
	dir, cardFile, padFile := tiltFiles(t, "1", "2", address)
	conn, err := craftmodel.Dial(address)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	ctx, stop := context.WithCancel(context.Background())
	defer stop()
	craft, turn := inHands(t, inTurn)
	flown := make(chan error, 1)
	live := craftmodel.Live{Craft: craft, Conn: conn, Turn: func(c *craftmodel.Craft) error { turn(c); return nil }}
	go func() { flown <- live.Serve(ctx) }()
	var out, errs bytes.Buffer
	code := run(ctx, []string{"tilt", "--card", cardFile, "--pad", padFile, "--for", "1m"}, &streams{strings.NewReader(""), &out, &errs})
	stop()
	if err := <-flown; err != nil {
		t.Error(err)
	}
	if code != nothingFound {
		t.Fatalf("ended with %d: %s%s", code, out.String(), errs.String())
	}
	for _, want := range []string{"Every propeller off", "> nose down, about 20 deg", "> right side down",
		"nose down: held, good", "right side down: held, good", "Record: "} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("does not say %q:\n%s", want, out.String())
		}
	}
	for _, x := range []struct {
		first, second string
		want          int
	}{{"1", "2", 1}, {"2", "1", 0}} {
		_, name, _ := tiltFiles(t, x.first, x.second, address)
		text, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		craft, faults := card.Read(name, text)
		if err := faults.Err(); err != nil {
			t.Fatal(err)
		}
		records, trouble, err := tiltcheck.Records(dir, craft)
		if err != nil || len(trouble) != 0 || len(records) != x.want || x.want > 0 && !records[0].Passed {
			t.Errorf("motors %s, %s: %d records, want %d (%v, %v)", x.first, x.second, len(records), x.want, trouble, err)
		}
	}
}
