package guard

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/records/triplog"
)

var rewriteSounds = flag.Bool("rewrite-sounds", false, "write the table of the sounds into the handbook")

// soundTable draws every sound from the very table that the loop plays.
func soundTable() string {
	const sign, long = 50 * ms, 3 * time.Second
	says := map[interlock.Sound]string{
		interlock.SoundFault:     "use the hard-wired stop; nobody goes in",
		interlock.SoundTripped:   "power was taken off; keep out (duty watch: act by hand)",
		interlock.SoundBringDown: "land now",
		interlock.SoundClosing:   "stand clear, power comes on",
		interlock.SoundCaution:   "a limit is near",
		interlock.SoundReset:     "the reset was taken",
	}
	var b strings.Builder
	for s := interlock.SoundFault; s > interlock.Silent; s-- {
		fmt.Fprintf(&b, "    %s: %s\n    ", s, says[s])
		for at := sign / 2; at < long; at += sign {
			if on, _ := sounding(s, at); on {
				b.WriteByte('#')
			} else {
				b.WriteByte('.')
			}
		}
		p := patterns[s]
		b.WriteString("\n    seconds on, off, on ...:")
		once := p[len(p)-1] == 0
		for _, d := range p {
			if d > 0 {
				fmt.Fprintf(&b, " %.2f", d.Seconds())
			}
		}
		if once {
			b.WriteString("; said once")
		}
		b.WriteString("\n\n")
	}
	return b.String()
}

// The handbook draws the sounds as they are played.
func TestSoundTableInTheHandbook(t *testing.T) {
	const begin, end = "-rewrite-sounds\" -->\n", "<!-- end of sounds -->"
	name := filepath.Join("..", "..", "..", "deploy", "manual", "handbook", "day.md")
	text, err := os.ReadFile(name)
	must(t, err)
	before, rest, ok := strings.Cut(string(text), begin)
	got, after, ok2 := strings.Cut(rest, end)
	if !ok || !ok2 {
		t.Fatal("the handbook has no place for the sounds")
	}
	want := "\n" + soundTable()
	for _, line := range strings.Split(want, "\n") {
		if len(line) > 80 {
			t.Errorf("%d columns: %s", len(line), line)
		}
	}
	if *rewriteSounds {
		must(t, os.WriteFile(name, []byte(before+begin+want+end+after), 0o644))
		return
	}
	if got != want {
		t.Errorf("the handbook says\n%s\nplayed is\n%s", got, want)
	}
}

// flashLog keeps the texts of the lines that it is given.
type flashLog struct{ texts []string }

func (l *flashLog) Append(line triplog.Line, _ bool) error {
	l.texts = append(l.texts, line.Text)
	return nil
}
func (l *flashLog) Sync() error { return nil }

// The log counts from the last flash, so that a film of the pad is lined up
// with it by that one mark.
func TestLogCountsFromTheFlash(t *testing.T) {
	r := newRig(t)
	var log flashLog
	k := keeperOf(t, r.env, &log, nullRecorder{}, func(uint32) {})
	for _, f := range []interlock.Effect{
		{Kind: interlock.TripEffect, At: time.Second, Rule: -1, Permissive: -1, Trip: 1},
		{Kind: interlock.StateEffect, At: 2 * time.Second, Rule: -1, Permissive: -1, State: interlock.Live},
		{Kind: interlock.LampEffect, At: 2 * time.Second, Rule: -1, Permissive: -1, State: interlock.Live},
		{Kind: interlock.TripEffect, At: 14340 * ms, Rule: -1, Permissive: -1, Trip: 2},
		{Kind: interlock.LampEffect, At: 14340 * ms, Rule: -1, Permissive: -1, State: interlock.Tripped},
		{Kind: interlock.SoundEffect, At: 15 * time.Second, Rule: -1, Permissive: -1},
		{Kind: interlock.TripEffect, At: 15 * time.Second, Rule: -1, Permissive: -1, Trip: 3},
	} {
		k.decide(1, f)
	}
	want := "||the lamp flashes for live|12.340 s after the flash for live|the lamp flashes for tripped||0.660 s after the flash for tripped"
	if got := strings.Join(log.texts, "|"); got != want {
		t.Errorf("the log says %q, want %q", got, want)
	}
}
