package guard

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"downhaul/hw/virtual"
	"downhaul/interlock/day/intake"
	"downhaul/interlock/model/benchboard"
	pcap "downhaul/interlock/records/recorder"
	"downhaul/interlock/records/recording"
	"downhaul/interlock/records/triplog"
)

// slowRecorder and slowLog are a session's files on a disk that takes its time to sync,
// while the loop goes on; stood is what of them a power cut leaves.
type slowRecorder struct {
	*pcap.Writer
	name   string
	during func()
	stood  []byte
}

func (s *slowRecorder) Sync() error {
	s.during()
	err := s.Writer.Sync()
	s.stood, _ = os.ReadFile(s.name)
	return err
}

type slowLog struct {
	*triplog.Log
	name  string
	stood []byte
}

func (s *slowLog) Append(line triplog.Line, durable bool) error {
	err := s.Log.Append(line, durable)
	if durable && err == nil {
		s.stood, _ = os.ReadFile(s.name)
	}
	return err
}

func (s *slowLog) Sync() error {
	err := s.Log.Sync()
	if err == nil {
		s.stood, _ = os.ReadFile(s.name)
	}
	return err
}

// At any moment: a process that is killed leaves what it wrote, a computer that loses its
// power what was synced. Of the recording the first lacks the last 100 ms at most, the
// second the last second; a trip that was told as kept stands in the synced log.
//
//fault:row the process is killed at any moment | the recording lacks its last 100 ms at most, and no trip that was told as kept is missing
//fault:row the computer loses its power at any moment | the recording lacks its last second at most, and no trip that was told as kept is missing
func TestPromise04_WhatAKillAndAPowerCutLeave(t *testing.T) {
	now := new(time.Duration)
	files := testFiles(t, shortDir(t), "tilt.toml")
	files.Pad.Text = []byte(strings.Replace(string(files.Pad.Text), `duty       = "guard"`, `duty       = "watch"`, 1))
	g, err := Open(files, Options{Virtual: benchboard.Open, Software: "test", Room: 1, Now: func() time.Duration { return *now }})
	must(t, err)
	k := g.keeper
	rec := &slowRecorder{Writer: g.session.Recording, name: filepath.Join(g.Folder(), pcap.FileName(1))}
	log := &slowLog{Log: g.session.Trips, name: filepath.Join(g.Folder(), "trips.jsonl")}
	k.rec, k.log = rec, log

	type put struct {
		at  time.Duration
		seq uint64
	}
	var puts []put
	keep := g.loop.cfg.Keep
	g.loop.cfg.Keep = func(b *Batch) {
		if b.Chunk.Seq > 0 {
			puts = append(puts, put{b.At, b.Chunk.Seq})
		}
		keep(b)
	}
	var told uint32
	kept := k.kept
	k.kept = func(n uint32) {
		for i := told + 1; i <= n; i++ {
			if !bytes.Contains(log.stood, []byte(`"trip":`+fmt.Sprint(i)+`,`)) {
				t.Errorf("trip %d is told as kept, and a power cut would leave none of it", i)
			}
		}
		told = n
		kept(n)
	}
	lacks := func(what string, text []byte, most time.Duration) {
		there := map[uint64]bool{}
		if r, err := recording.OpenReader(bytes.NewReader(text)); err == nil {
			for c, err := r.Next(); err == nil; c, err = r.Next() {
				there[c.Seq] = there[c.Seq] || c.Source != intake.Decisions
			}
		}
		for _, p := range puts {
			if p.at < *now-most && !there[p.seq] {
				t.Fatalf("%s at %v: chunk %d of %v is not there", what, *now, p.seq, p.at)
			}
		}
	}
	board, pressed := g.Board().(*virtual.Board), false
	step := func() {
		if *now += ms; *now%(5*ms) == 0 {
			g.turn(*now)
		}
		if *now%(40*ms) == 0 {
			work := board.OpenContact
			if pressed = !pressed; !pressed {
				work = board.CloseContact
			}
			must(t, work("estop"))
		}
		if *now%(7*ms) == 0 {
			text, err := os.ReadFile(rec.name)
			must(t, err)
			lacks("killed", text, 100*ms)
			lacks("without power", rec.stood, time.Second)
		}
	}
	rec.during = func() {
		for range 60 {
			step()
		}
	}
	for *now < 5*time.Second {
		began := *now
		k.round(time.Unix(0, int64(*now)))
		for *now < began+writeEvery { // as run waits
			step()
		}
	}
	if told < 20 || len(puts) < 900 {
		t.Errorf("%d trips kept, %d chunks: nothing was tried", told, len(puts))
	}
	must(t, g.finish())
}
