package guard

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/bluenviron/gomavlib/v3/pkg/dialects/common"

	"downhaul/interlock/before/bench"
	"downhaul/interlock/day/telemetry/words"
	"downhaul/interlock/model/craftmodel"
	"downhaul/interlock/records/session"
)

// speak has the craft of a flight say a text, as its link would bring it.
func (f *flight) speak(severity int, text string, id uint16, part uint8) {
	f.said++
	f.send(encode(f.t, f.said, &common.MessageStatustext{Severity: common.MAV_SEVERITY(severity), Text: text, Id: id, ChunkSeq: part}))
}

// talker is a craft whose guard is live.
func talker(t *testing.T) *flight {
	craft := craftmodel.EightTwo()
	craft.Turbulence = 0
	return takeOff(t, craft, testFiles(t, t.TempDir(), "tilt.toml"))
}

// remarks are the words of the craft in the log of a session that ended.
func (f *flight) remarks() (said []string, others []string) {
	f.t.Helper()
	s, err := session.Open(f.guard.Folder())
	must(f.t, err)
	for line, err := range s.Lines() {
		must(f.t, err)
		if text, ok := strings.CutPrefix(line.Text, words.Mark); ok {
			said = append(said, text)
		} else {
			others = append(others, line.Text)
		}
	}
	return said, others
}

// What the craft says in words stands in the log, as its own words and with nothing in it
// that a terminal or a page would act on; the newest of it stands in the status. A replay
// of the recording gives the same texts and decides the same.
func TestWordsOfTheCraftAreKept(t *testing.T) {
	f := talker(t)
	fifty := strings.Repeat("0123456789", 5)
	for _, s := range []struct {
		severity int
		text     string
		id       uint16
		part     uint8
	}{
		{2, "Crash: disarming", 0, 0}, {4, "a\x1b[2J\r\n\u202e<script>alert(1)</script>\x07", 0, 0}, {6, fifty, 0, 0},
		{6, fifty, 7, 0}, {6, "end", 7, 1}, // joined
		{6, fifty, 8, 0}, {6, "tail", 8, 2}, {6, fifty, 8, 1}, // one is late
		{6, "the craft says, alert: false", 0, 0}, {5, "mark: by nobody", 0, 0},
		{3, fifty, 9, 0}, // without an end
	} {
		f.speak(s.severity, s.text, s.id, s.part)
		f.run(20 * ms)
	}
	want := []string{"critical: Crash: disarming", `warning: a\x1b[2J\r\n\u202e<script>alert(1)</script>\a`, "info: " + fifty,
		"info: " + fifty + "end", "info: " + fifty + " [...] tail", "info: the craft says, alert: false", "notice: mark: by nobody", "error: " + fifty}
	st := f.guard.Status()
	var newest []string
	for _, s := range st.CraftSays {
		newest = append(newest, s.Severity+": "+s.Text)
	}
	slices.Reverse(newest)
	if !slices.Equal(newest, want[:7]) || st.CraftSaysMore != 0 || st.State != "live" {
		t.Errorf("the status of a guard that is %s tells %q and %d more, want %q", st.State, newest, st.CraftSaysMore, want[:7])
	}
	must(t, f.guard.Finish(f.now))
	if got, _ := f.remarks(); !slices.Equal(got, want) {
		t.Errorf("the log tells %q, want %q", got, want)
	}
	text, err := os.ReadFile(filepath.Join(f.guard.Folder(), "trips.jsonl"))
	must(t, err)
	if i := bytes.IndexFunc(text, func(r rune) bool { return r < ' ' && r != '\n' || r == '\u202e' }); i >= 0 {
		t.Errorf("byte %d of the log is %q", i, text[i])
	}
	s, err := session.Open(f.guard.Folder())
	must(t, err)
	var again []string
	r, err := bench.ReplaySession(s, bench.Saying(func(s words.Said) { again = append(again, s.Word()+": "+s.Text) }))
	must(t, err)
	if !r.Equal.Holds || !slices.Equal(again, want) {
		t.Errorf("%s; the replay tells %q, want %q", r.Equal.Says(), again, want)
	}
}

// A craft that talks without end, 1,000 texts a second, holds up no turn and trips
// nothing, and fills neither log nor status; its warnings are kept beside its chatter.
//
//fault:row the craft, or who speaks in its name, sends 1,000 texts a second | a few a second are kept, warnings beside chatter; the rest is counted; nothing else changes
func TestAFloodOfWordsIsBounded(t *testing.T) {
	f := talker(t)
	for i := range 5000 {
		f.speak(6, fmt.Sprintf("chatter %d", i), 0, 0)
		if i%1000 == 900 {
			f.speak(2, fmt.Sprintf("motor %d failed", i/1000), 0, 0)
		}
		f.run(ms)
	}
	st := f.guard.Status()
	must(t, f.guard.Finish(f.now))
	said, others := f.remarks()
	warnings := slices.DeleteFunc(slices.Clone(said), func(s string) bool { return !strings.HasPrefix(s, "critical: motor ") })
	if len(said) > 2*(burst+6) || len(warnings) != 5 || st.State != "live" || len(st.Causes) > 0 {
		t.Errorf("%d texts in the log, of them %q; the guard is %s: %v", len(said), warnings, st.State, st.Causes)
	}
	if int(st.CraftSaysMore)+len(said) != 5005 || len(st.CraftSays) != mostSays {
		t.Errorf("%d texts are kept, %d counted, %d shown", len(said), st.CraftSaysMore, len(st.CraftSays))
	}
	if text := strings.Join(others, "\n"); !strings.Contains(text, fmt.Sprintf("the craft said more than is kept here: %d texts", st.CraftSaysMore)) {
		t.Errorf("the log does not tell of the rest")
	}
}

// A disk that does not answer costs words, and no turn waits for it.
func TestWordsWaitForNoDisk(t *testing.T) {
	k := keeperOf(t, nil, nullLog{}, nullRecorder{}, nil)
	within(t, 10*time.Second, "left all of them", func() {
		for range 10_000 {
			k.says.hear(0, []byte("\x04left"))
		}
	})
	if n := k.says.unkept.Load(); n != 10_000-mostParts {
		t.Errorf("%d are counted, want %d", n, 10_000-mostParts)
	}
	if n := testing.AllocsPerRun(100, func() { k.says.hear(0, []byte("\x04left")) }); n > 0 {
		t.Errorf("%v allocations for each", n)
	}
}

// Who is not the craft has no word here: an identity of another, or the craft's own from
// another address.
func TestWordsOfOthersAreNotTheCrafts(t *testing.T) {
	f := talker(t)
	f.send(encodeAs(t, 2, 1, 1, &common.MessageStatustext{Severity: 1, Text: "another system"}))
	f.send(encodeAs(t, 1, 2, 1, &common.MessageStatustext{Severity: 1, Text: "another component"}))
	f.run(50 * ms)
	if s := f.guard.Status(); len(s.CraftSays) > 0 {
		t.Errorf("the status tells %+v", s.CraftSays)
	}
	must(t, f.guard.Finish(f.now))
	if said, _ := f.remarks(); len(said) > 0 {
		t.Errorf("the log tells %q", said)
	}
}
