//go:build linux

package daemon

import (
	"bufio"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"downhaul/interlock/day/answers"
	"downhaul/interlock/day/answers/ask"
	"downhaul/interlock/records/numbered"
	"downhaul/interlock/records/session"
	"downhaul/interlock/records/stopping"
	"downhaul/interlock/records/triplog"

	"golang.org/x/sys/unix"
)

// startCard is the craft of the old sessions, with a ladder that they climbed.
const startCard = `version = 1
title   = "Eight 2"

[craft]
name = "Eight 2"
mass = "60 kg"

[[step]]
name     = "blade clearance"
kind     = "inspection"
at_least = "40 mm"
lasts    = "1 d"

[[step]]
name    = "empty hover"
ballast = "0 kg"
needs   = ["blade clearance"]

[[step]]
name     = "ballast 12"
ballast  = "12 kg"
needs    = ["empty hover", "blade clearance"]
no_trips = true
`

// manySessions fills a log folder with small real sessions: each declares, flies one
// run, opens the chain under load and ends in order.
func manySessions(t testing.TB, dir string, n int) (padFile string) {
	t.Helper()
	var files []session.File
	for _, name := range []string{session.Pad, session.Envelope, session.Card} {
		text := []byte(startCard)
		if name != session.Card {
			var err error
			text, err = os.ReadFile(filepath.Join("testdata", name))
			must(t, err)
		}
		fill := strings.NewReplacer("log_folder = \"@FOLDER@\"", fmt.Sprintf("log_folder = %q", filepath.Join(dir, "logs")), "@FOLDER@", dir, "@DUTY@", "guard", "@LINK@", "kind = \"udp\"\naddress = \"127.0.0.1:0\"", "required = false", `every = "30 d"`)
		text = []byte(fill.Replace(string(text)))
		if from := strings.Index(string(text), "[stop]"); name == session.Pad {
			text = slices.Delete(text, from, from+strings.Index(string(text[from:]), "\n\n"))
		}
		from := filepath.Join(dir, name)
		must(t, os.WriteFile(from, text, 0o644))
		files = append(files, session.File{Name: name, From: from, Text: text})
	}
	logs := filepath.Join(dir, "logs")
	must(t, os.MkdirAll(stopping.Folder(logs), 0o755))
	begin := time.Date(2026, 5, 1, 8, 0, 0, 0, time.UTC)
	for i := range n {
		wall := begin.Add(time.Duration(i) * 10 * time.Minute)
		s, err := session.Create(logs, session.Meta{Software: "test", Wall: wall, Room: 1}, files)
		must(t, err)
		run := session.Run{Number: 1, Step: "empty hover", Packs: []string{}}
		began := run.BeginText()
		run.Ended, run.How = true, "blocked"
		for j, line := range []triplog.Line{
			{Kind: triplog.KindHost, Text: (&session.Declaration{What: session.DeclaredInspection, Step: "blade clearance", Value: "41 mm", Initials: "AB", By: "test"}).Text()},
			{Kind: triplog.KindHost, Text: (&session.Declaration{What: session.DeclaredStep, Step: "empty hover", By: "test"}).Text()},
			{Kind: triplog.KindNote, State: "live", Text: began},
			{Kind: triplog.KindNote, State: "blocked", Text: run.EndText()},
			{Kind: triplog.KindEnded, State: "blocked"},
		} {
			line.At = time.Duration(j) * time.Second
			must(t, s.Trips.Append(line, j == 4))
		}
		must(t, s.Remember("blocked", true), s.Close())
		r := stopping.Record{Schema: stopping.Schema, Number: i + 1, Made: wall, Session: s.Info.Session, Kind: stopping.Opening,
			Of: stopping.Of{Craft: "eight 2", Motors: 4, Reach: "wired pair", Model: true}, Step: "empty hover",
			Output: []float64{0.2, 0.5, 0.8, 0.9, 0.85}[i%5], Loaded: true, Mirror: "open", Traced: true, StandingS: 2 + float64(i%7)/10, ThrustS: 0.3}
		text, err := numbered.Encode(&r)
		must(t, err)
		must(t, os.WriteFile(filepath.Join(stopping.Folder(logs), fmt.Sprintf("%04d-%s.json", i+1, wall.Format("2006-01-02T150405Z"))), text, 0o644))
	}
	return filepath.Join(dir, session.Pad)
}

// BenchmarkStart reports how long a start takes, from the process to the first word that it says,
// and what is resident once it turns, with few and with many old sessions. The first
// start, which finds nothing handed on and reads them all, is left out.
func BenchmarkStart(b *testing.B) {
	counts := []int{10, 10_000}
	var pads []string
	for _, n := range counts {
		dir, err := os.MkdirTemp("", "dh") // a socket's path must be short
		must(b, err)
		b.Cleanup(func() { os.RemoveAll(dir) })
		pads = append(pads, manySessions(b, dir, n))
		startOnce(b, pads[len(pads)-1])
	}
	took, resident := make([][]float64, len(pads)), make([][]float64, len(pads))
	for b.Loop() {
		for i, pad := range pads { // in turn, so that a busy computer is busy for both
			ms, mb := startOnce(b, pad)
			took[i], resident[i] = append(took[i], ms), append(resident[i], mb)
		}
	}
	for i, n := range counts {
		slices.Sort(took[i])
		slices.Sort(resident[i])
		b.ReportMetric(took[i][len(took[i])/2], fmt.Sprintf("ms-of-%d", n))
		b.ReportMetric(resident[i][len(resident[i])/2], fmt.Sprintf("MB-of-%d", n))
	}
}

// startOnce starts a guard, and ends it once it turns.
func startOnce(b *testing.B, pad string) (ms, mb float64) {
	cmd := exec.Command(binary, "--pad", pad)
	out, err := cmd.StdoutPipe()
	must(b, err)
	begin := time.Now()
	must(b, cmd.Start())
	lines := bufio.NewScanner(out)
	if !lines.Scan() {
		b.Fatalf("the guard said nothing: %v", cmd.Wait())
	}
	ms = time.Since(begin).Seconds() * 1000
	for range 100 {
		time.Sleep(10 * time.Millisecond)
		if r, err := ask.Guard(filepath.Join(filepath.Dir(pad), "guard.sock"), answers.Request{Do: "status"}); err == nil && r.Seen.Loop.Turns > 2 {
			break
		}
	}
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", cmd.Process.Pid))
	must(b, err)
	_, rest, _ := strings.Cut(string(text), "VmRSS:")
	_, err = fmt.Sscan(rest, &mb)
	must(b, err, cmd.Process.Signal(unix.SIGTERM))
	for lines.Scan() {
	}
	must(b, cmd.Wait())
	return ms, mb / 1024
}
