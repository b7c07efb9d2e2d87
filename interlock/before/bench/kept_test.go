package bench

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/intake"
	"downhaul/interlock/model/craftmodel"
	"downhaul/interlock/pad"
	"downhaul/interlock/records/recorder"
	"downhaul/interlock/records/recording"
	"downhaul/rules"
)

var rewrite = flag.Bool("rewrite", false, "make the kept recording and its digest anew; only for somebody who can say why")

// modelBytes is the first frames of a modelled craft as raw bytes.
func modelBytes(t testing.TB, system byte, frames int) []byte {
	t.Helper()
	cfg := craftmodel.EightTwo()
	cfg.System = system
	c, err := craftmodel.New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	var out []byte
	var sent []craftmodel.Datagram
	for n, now := 0, time.Duration(0); n < frames; now += 20 * time.Millisecond {
		c.Advance(now)
		sent = c.Frames(sent[:0])
		for _, d := range sent {
			if n < frames {
				out = append(out, d.Bytes...)
				n++
			}
		}
	}
	return out
}

// keptPad and keptEnvelope are what the kept recording is replayed through:
// every form of rule, and channels derived from all kinds of input.
func keptSetup(t testing.TB) Setup {
	t.Helper()
	padText, err := os.ReadFile(filepath.Join("testdata", "kept-pad.toml"))
	if err != nil {
		t.Fatal(err)
	}
	p, faults := pad.Read("kept-pad.toml", padText)
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	env := keptEnvelope(t)
	if faults := env.CheckFed("kept-envelope.toml", p.Fed); len(faults) > 0 {
		t.Fatal(faults)
	}
	return Setup{Envelope: env, Site: p.Site(), Intake: p.Intake()}
}

func keptEnvelope(t testing.TB) *rules.Envelope { return envelopeFile(t, "kept-envelope.toml") }

// twenty are rules that no ordinary flight leaves.
func twenty(t testing.TB) *rules.Envelope { return envelopeFile(t, "twenty.toml") }

func envelopeFile(t testing.TB, name string) *rules.Envelope {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	env, faults := rules.ReadEnvelope(name, text)
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	return env
}

// memory is a file that recording can write to.
type memory struct{ b []byte }

func (m *memory) Write(p []byte) (int, error) { m.b = append(m.b, p...); return len(p), nil }
func (m *memory) Sync() error                 { return nil }
func (m *memory) Truncate(n int64) error      { m.b = m.b[:n]; return nil }
func (m *memory) Close() error                { return nil }

// makeKept flies a craft through a gust and a runaway and records what a pad
// would have heard of it.
func makeKept(t *testing.T) []byte {
	t.Helper()
	cfg := craftmodel.EightTwo()
	cfg.Ballast, cfg.Seed = 8, 5
	cfg.Events = []craftmodel.Event{
		{At: 2 * time.Second, Act: craftmodel.Arm},
		{At: 3 * time.Second, Act: craftmodel.ClimbTo, Value: 2},
		{At: 10 * time.Second, Act: craftmodel.Gust, Value: 9, For: 4 * time.Second},
		{At: 17 * time.Second, Act: craftmodel.TelemetryOff, For: time.Second},
		{At: 20 * time.Second, Act: craftmodel.Runaway, Value: 1},
	}
	c, err := craftmodel.New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	file := &memory{}
	w, err := recorder.Create(file, recorder.Start{Session: "kept", Software: "test", Wall: time.Date(2031, 5, 3, 8, 0, 0, 0, time.UTC)})
	if err != nil {
		t.Fatal(err)
	}
	var seq uint64
	put := func(ch intake.Chunk) {
		seq++
		ch.Seq = seq
		if err := w.Put(ch); err != nil {
			t.Fatal(err)
		}
	}
	var sent []craftmodel.Datagram
	var pulses []time.Duration
	var loads []craftmodel.Load
	for now := time.Duration(0); now <= 23*time.Second; now += 10 * time.Millisecond {
		c.Advance(now)
		sent = c.Frames(sent[:0])
		for _, d := range sent {
			put(intake.Chunk{At: now, Source: intake.Telemetry, Bytes: d.Bytes})
		}
		loads = c.Loads(loads[:0])
		if now%(50*time.Millisecond) == 0 && len(loads) > 0 {
			count := int32(84000 + loads[0].Newton/0.0025)
			put(intake.Chunk{At: now, Source: intake.LoadCell, Bytes: intake.AppendCounts(nil, []intake.Count{{At: now, Value: count}})})
		}
		if now%(250*time.Millisecond) == 0 {
			pulses = c.Pulses(pulses[:0])
			var edges []intake.WindEdge
			for _, at := range pulses {
				edges = append(edges, intake.WindEdge{At: at, Rise: true})
			}
			put(intake.Chunk{At: now, Source: intake.Wind, Bytes: intake.AppendWindEdges(nil, edges)})
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return file.b
}

// digest replays the kept recording and hashes every decision.
func digest(t *testing.T) (sum string, decisions int, trips []string) {
	t.Helper()
	setup := keptSetup(t)
	rec, err := recording.Open(filepath.Join("testdata", "kept.pcapng"))
	if err != nil {
		t.Fatal(err)
	}
	defer rec.Close()
	h := sha256.New()
	var text []byte
	r, err := replay("kept", rec, setup, func(_ time.Duration, effects []interlock.Effect) {
		for _, f := range effects {
			text = append(interlock.AppendDecision(text[:0], setup.Envelope, f), '\n')
			h.Write(text)
			decisions++
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range r.Trips {
		trips = append(trips, e.Rule)
	}
	// Headroom is a result too, to the last bit.
	rows, err := json.Marshal(r.Headroom)
	if err != nil {
		t.Fatal(err)
	}
	h.Write(rows)
	return hex.EncodeToString(h.Sum(nil)), decisions, trips
}

// The kept recording gives the same decisions, bit for bit, here and in the
// emulator of another architecture.
func TestPromise08_KeptRecordingSameOnEveryArchitecture(t *testing.T) {
	recorded, digestFile := filepath.Join("testdata", "kept.pcapng"), filepath.Join("testdata", "kept.digest")
	if *rewrite {
		if err := os.WriteFile(recorded, makeKept(t), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	sum, decisions, trips := digest(t)
	if decisions < 50 {
		t.Fatalf("only %d decisions: the recording shows too little", decisions)
	}
	for _, rule := range []string{"gust", "ceiling", "tension leaps", "armed", "far out", "height"} {
		if !strings.Contains(strings.Join(trips, "\n"), rule) {
			t.Errorf("rule %q never tripped; the digest would not cover it (trips %v)", rule, trips)
		}
	}
	got := fmt.Sprintf("%s  %d decisions\n", sum, decisions)
	if *rewrite {
		if err := os.WriteFile(digestFile, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	want, err := os.ReadFile(digestFile)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("digest %swant   %s", got, want)
	}
}
