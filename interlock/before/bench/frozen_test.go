package bench

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/records/session"
	"downhaul/rules"
)

// frozenFile holds a digest of every decision, with its instant, that each frozen
// recording brings.
const frozenFile = "testdata/frozen.sha256"

// TestPromise08_FrozenRecordingsSameOnEveryArchitecture replays a recording of every kind
// (raw bytes rough and motley, pcap, pcapng of others and our own, a whole session,
// two links that nobody here made) and compares the digests of the decisions with
// the kept ones. With -rewrite it keeps the new ones and fails once, naming the
// recordings that changed, so that a change of decisions is never kept unseen.
func TestPromise08_FrozenRecordingsSameOnEveryArchitecture(t *testing.T) {
	text, err := os.ReadFile(frozenFile)
	if err != nil && !*rewrite {
		t.Fatal(err)
	}
	kept := map[string]string{}
	var names []string
	for line := range strings.Lines(string(text)) {
		name, digest, _ := strings.Cut(strings.TrimSpace(line), ": ")
		kept[name] = digest
		names = append(names, name)
	}
	seen := map[string]bool{}
	for _, r := range frozenRecordings {
		t.Run(r.name, func(t *testing.T) {
			for _, row := range r.replay(t, r.name) {
				name := r.name + ", " + row.name
				if seen[name] = true; kept[name] == row.digest {
					continue
				}
				t.Errorf("%s: other decisions: %s, kept is %s", name, row.digest, kept[name])
				if kept[name] == "" {
					names = append(names, name)
				}
				kept[name] = row.digest
			}
		})
	}
	if *rewrite {
		var out strings.Builder
		for _, name := range names {
			fmt.Fprintf(&out, "%s: %s\n", name, kept[name])
		}
		if err := os.WriteFile(frozenFile, []byte(out.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	for _, name := range names {
		if !seen[name] && !strings.HasPrefix(name, "quad-crash") && !strings.HasPrefix(name, "sim-lossy") {
			t.Errorf("%s: kept, and not replayed", name)
		}
	}
}

// frozenRow is the digest of one replay, with the number of decisions.
type frozenRow struct{ name, digest string }

// frozenRecordings are of modelled crafts, but for two. rough.raw has junk, wrong,
// lost and doubled bytes, frames that come twice or late, silences and a restart;
// motley.raw tells of everything there is, in both versions of MAVLink, with a radio,
// another craft, numbers that are none and a boot clock that comes round; the captures
// have a silence and a runaway; the session is a whole day of the demo.
var frozenRecordings = []struct {
	name   string
	replay func(t *testing.T, name string) []frozenRow
}{
	{"rough.raw", frozenForeign}, {"motley.raw", frozenForeign}, {"capture.pcap", frozenForeign}, {"capture.pcapng", frozenForeign},
	{"kept.pcapng", func(t *testing.T, name string) []frozenRow {
		return frozenRows(t, filepath.Join("testdata", name), keptSetup(t))
	}},
	{"session", frozenSession},
	{"quad-crash-then-mission.pcap", frozenForeign}, {"sim-lossy.raw", frozenForeign},
}

// frozenForeign replays a recording with what it shows of itself, without a pad.
func frozenForeign(t *testing.T, name string) []frozenRow {
	path := filepath.Join("testdata", name)
	if _, err := os.Stat(path); err != nil {
		path = shared(t, name)
	}
	setup, _, err := Watching([]string{path}, twenty(t), nil)
	if err != nil {
		t.Fatal(err)
	}
	return frozenRows(t, path, setup)
}

// frozenRows replays a recording with the rules of its set-up, and with motley ones
// whose limits it passes all the time, under either duty.
func frozenRows(t *testing.T, path string, setup Setup) (rows []frozenRow) {
	add := func(name string, setup Setup, envelopes ...*rules.Envelope) {
		for i, text := range decisions(t, path, setup, envelopes...) {
			rows = append(rows, frozenRow{fmt.Sprint(name, " ", i+1), digestOf([]byte(text), strings.Count(text, `"at_ns":`))})
		}
	}
	rnd := rand.New(rand.NewPCG(7, 7))
	motley := motleySetup(rnd)
	motley.Intake.Craft, motley.Intake.Links = setup.Intake.Craft, setup.Intake.Links
	motley.Intake.LoadCell, motley.Intake.Anemometer = setup.Intake.LoadCell, setup.Intake.Anemometer
	var envelopes []*rules.Envelope
	for range 5 {
		envelopes = append(envelopes, motleyRules(rnd, motleyChannels()))
	}
	for _, duty := range []interlock.Duty{interlock.Watch, interlock.Guard} {
		name := map[interlock.Duty]string{interlock.Watch: "watching", interlock.Guard: "guarding"}[duty]
		setup.Site.Duty, motley.Site.Duty = duty, duty
		add(name+" by its own rules", setup, setup.Envelope)
		add(name+" by motley rules", motley, envelopes...)
	}
	return rows
}

func digestOf(text []byte, decisions int) string {
	return fmt.Sprintf("%x %d", sha256.Sum256(text), decisions)
}

// frozenFolder is the frozen session, unpacked.
func frozenFolder(t *testing.T, name string) string {
	t.Helper()
	dir := t.TempDir()
	files, err := filepath.Glob(filepath.Join("testdata", name, "*"))
	if err != nil || len(files) == 0 {
		t.Fatalf("no session: %v", err)
	}
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		base, packed := strings.CutSuffix(filepath.Base(file), ".gz")
		if packed {
			z, err := gzip.NewReader(bytes.NewReader(text))
			if err != nil {
				t.Fatal(err)
			}
			if text, err = io.ReadAll(z); err != nil {
				t.Fatal(err)
			}
		}
		if err := os.WriteFile(filepath.Join(dir, base), text, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

// An older program wrote that session's log: it called the reason of a rule otherwise, and
// ended a caution with the first value that was back. It reads on, and a replay decides the
// same but for cautions and their sound.
func TestAnOlderLogReadsOnAndCautionsAloneDiffer(t *testing.T) {
	s, err := session.Open(frozenFolder(t, "session"))
	if err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(filepath.Join(s.Dir, "trips.jsonl"))
	if err != nil || !bytes.Contains(text, []byte(`"reason":"limit left"`)) {
		t.Fatalf("no log of the older words: %v", err)
	}
	logged, _, err := loggedDecisions(s)
	if err != nil {
		t.Fatal(err)
	}
	left := 0
	plain := func(out []string, text []byte) []string {
		if bytes.Contains(text, []byte(`"kind":"caution"`)) || bytes.Contains(text, []byte(`"kind":"sound"`)) {
			left++
			return out
		}
		return append(out, string(text))
	}
	var was, is []string
	for _, text := range logged {
		was = plain(was, text)
	}
	setup, err := SessionSetup(s)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := ReplayAs(s, setup, Deciding(func(f interlock.Effect) { is = plain(is, interlock.AppendDecision(nil, setup.Envelope, f)) })); err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(was, is) || left == 0 || len(was) < 20 {
		t.Errorf("%d decisions of the log and %d of the replay, %d of cautions and sounds left out:\n%s\n\n%s", len(was), len(is), left, strings.Join(was, "\n"), strings.Join(is, "\n"))
	}
}

// frozenSession replays a session as it ran, and says how far its own log agrees.
func frozenSession(t *testing.T, name string) []frozenRow {
	dir := frozenFolder(t, name)
	s, err := session.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	setup, err := SessionSetup(s)
	if err != nil {
		t.Fatal(err)
	}
	var text []byte
	n := 0
	r, err := ReplayAs(s, setup, Deciding(func(f interlock.Effect) {
		text = append(interlock.AppendDecision(text, setup.Envelope, f), '\n')
		n++
	}))
	if err != nil {
		t.Fatal(err)
	}
	how := ", as logged"
	if !r.Equal.Claimed || !r.Equal.Holds {
		how = fmt.Sprintf(", unlike the log from %d on%s", r.Equal.First, r.Equal.Why)
	}
	rows := []frozenRow{{"as it ran", digestOf(text, n) + how}}
	setup.Site.PowerUp = interlock.EndedInTrip
	return append(rows, frozenRows(t, filepath.Join(dir, "recording.pcapng"), setup)...)
}

// TestFrozenDigestsSeeOneInstant holds that a decision which comes a nanosecond
// later, and says nothing else, changes the digest.
func TestFrozenDigestsSeeOneInstant(t *testing.T) {
	path := filepath.Join("testdata", "capture.pcap")
	seen := map[string]bool{}
	for _, silent := range []time.Duration{time.Second, time.Second + 1} {
		env := envelope(t, "[[rule]]\nname = \"roll\"\nwatch = \"craft.roll\"\nabove = \"170 deg\"\nstop = \"immediate\"\n")
		env.Rules[0].StaleAfter = silent
		setup, _, err := Watching([]string{path}, env, nil)
		if err != nil {
			t.Fatal(err)
		}
		text := decisions(t, path, setup, env)[0]
		seen[digestOf([]byte(text), 0)] = strings.Contains(text, `"kind":"trip"`)
	}
	if len(seen) != 2 {
		t.Error("a rule whose channel is missing a nanosecond later gives the same digest")
	}
	for _, tripped := range seen {
		if !tripped {
			t.Error("nothing tripped: nothing was compared")
		}
	}
}
