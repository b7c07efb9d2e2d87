package bench

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/craftmodel"
	"downhaul/interlock/intake"
	"downhaul/interlock/recording"
	"downhaul/rules"
)

// roughFlight is raw bytes of a modelled flight as a bad line brings them: junk,
// bytes that are wrong, lost or doubled, frames of others, frames that come twice
// or late, and now and then a silence or a craft that starts again.
func roughFlight(t *testing.T, rnd *rand.Rand) []byte {
	t.Helper()
	var out []byte
	other := modelBytes(t, 9, 1)
	for range 1 + rnd.IntN(3) { // each begins its boot clock anew
		cfg := craftmodel.HeronTwo()
		cfg.Motors = 4 + 4*rnd.IntN(2)
		cfg.Events = []craftmodel.Event{{At: time.Second, Act: craftmodel.Arm}, {At: 2 * time.Second, Act: craftmodel.ClimbTo, Value: 1 + 4*rnd.Float64()}}
		c, err := craftmodel.New(cfg)
		if err != nil {
			t.Fatal(err)
		}
		var sent []craftmodel.Datagram
		var kept []byte
		for now := time.Duration(0); now < 40*time.Second; now += 100 * time.Millisecond {
			c.Advance(now)
			sent = c.Frames(sent[:0])
			if now/(10*time.Second)%4 == 2 && rnd.IntN(3) == 0 {
				continue
			}
			for _, d := range sent {
				b := slices.Clone(d.Bytes)
				switch rnd.IntN(60) {
				case 0:
					b[rnd.IntN(len(b))] ^= 1 << rnd.IntN(8)
				case 1:
					b = b[:rnd.IntN(len(b))]
				case 2:
					out = append(out, b...)
				case 3:
					kept = b
					continue
				case 4:
					b = append(b, kept...)
				case 5:
					b = append([]byte("\xfd\x1c junk \xfe"), b...)
				case 6:
					b = append(b, other...)
				}
				out = append(out, b...)
			}
		}
	}
	return out
}

// roughRules are some of twenty rules, at limits that a flight leaves now and
// then, some with a phase, and one on the age of the link.
func roughRules(t *testing.T, rnd *rand.Rand) *rules.Envelope {
	t.Helper()
	var b strings.Builder
	b.WriteString("version = 1\ntitle = \"rough\"\n")
	for i, w := range []string{
		`watch = "craft.tilt"` + "\nabove = \"%d deg\"\ncaution = \"%d deg\"", `watch = "craft.height.global"` + "\nabove = \"%d m\"\ncaution = \"0.5 m\"",
		`watch = "craft.roll_rate"` + "\noutside = [\"-%d deg/s\", \"%d deg/s\"]", `watch = "craft.climb.global"` + "\nabove = \"0.%d m/s\"",
		`watch = "pack.voltage"` + "\nbelow = \"4%d.5 V\"", `watch = "motor1.output"` + "\nabove = \"%d0 %%\"",
		`watch = "craft.height"` + "\nabove = \"%d m\"", `watch = "link.age"` + "\nabove = \"0.%d s\"", `watch = "link.loss"` + "\nabove = \"%d %%\"",
		`watch = "craft.vibration"` + "\nabove = \"%d m/s²\"", `watch = "craft.yaw_rate"` + "\nabove = \"%d deg/s\"",
	} {
		if rnd.IntN(3) == 0 {
			continue
		}
		n := 1 + rnd.IntN(9)
		args := []any{n, n}
		if i == 0 {
			args = []any{n + 3, n}
		}
		fmt.Fprintf(&b, "[[rule]]\nname = \"r%d\"\n%s\nstop = \"immediate\"\n", i, fmt.Sprintf(w, args[:strings.Count(w, "%d")]...))
		switch rnd.IntN(4) {
		case 0:
			b.WriteString("while = \"airborne\"\n")
		case 1:
			b.WriteString("lasting = \"300 ms\"\n")
		case 2:
			if i != 7 && i != 8 {
				b.WriteString("frozen_after = 5\n")
			}
		}
	}
	env, faults := rules.ReadEnvelope("rough.toml", []byte(b.String()))
	if len(faults) > 0 {
		t.Fatalf("%v\n%s", faults, b.String())
	}
	return env
}

// TestFramesDecideWhatChunksDecide replays rough flights frame by frame, where
// most values only move the last one of their channel, and in chunks, where
// everything goes the long way: the results are the same, to the last letter.
func TestFramesDecideWhatChunksDecide(t *testing.T) {
	trips, cautions := 0, 0
	for seed := range uint64(12) {
		rnd := rand.New(rand.NewPCG(seed, 8))
		raw, env := roughFlight(t, rnd), roughRules(t, rnd)
		name := filepath.Join(t.TempDir(), "rough.bin")
		if err := os.WriteFile(name, raw, 0o644); err != nil {
			t.Fatal(err)
		}
		setup, _, err := Watching([]string{name}, env, nil)
		if err != nil {
			t.Fatal(err)
		}
		whole := func(options ...Option) (string, *Result) {
			var all []byte
			options = append(options, Deciding(func(f interlock.Effect) { all = append(interlock.AppendDecision(all, env, f), '\n') }))
			rec, err := recording.OpenReader(bytes.NewReader(raw))
			if err != nil {
				t.Fatal(err)
			}
			r, err := Replay(name, rec, setup, options...)
			if err != nil {
				t.Fatal(err)
			}
			text, err := json.MarshalIndent(r, "", " ")
			if err != nil {
				t.Fatal(err)
			}
			return string(text) + "\n" + string(all), r
		}
		frames, r := whole()
		chunks, _ := whole(Seeing(func(rules.ChannelID) bool { return false }, func(*intake.Chunk, []interlock.Input) {}))
		if frames != chunks {
			a, b := strings.Split(frames, "\n"), strings.Split(chunks, "\n")
			for i := range a {
				if i >= len(b) || a[i] != b[i] {
					t.Fatalf("seed %d, line %d: frame by frame\n%s\nin chunks\n%s", seed, i+1, a[i], b[min(i, len(b)-1)])
				}
			}
		}
		trips, cautions = trips+len(r.Trips), cautions+len(r.Cautions)
	}
	if trips < 20 || cautions == 0 {
		t.Errorf("only %d trips and %d cautions: little was tried", trips, cautions)
	}
}
