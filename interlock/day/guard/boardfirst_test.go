package guard

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"downhaul/hw"
	"downhaul/interlock/model/benchboard"
	"downhaul/interlock/pad"
)

// A log folder on a disk that does not answer holds a start up for as long as it
// likes: by then the relay must have been requested low. So nothing of the log
// folder may be touched before the board is open.
func TestPromise05_TheBoardIsOpenBeforeTheLogFolderIsTouched(t *testing.T) {
	dir := shortDir(t)
	files := testFiles(t, dir, "tilt.toml")
	must(t, os.Remove(dir)) // whoever so much as looks for it fails
	opened := false
	board := func(p *pad.Pad, now func() time.Duration) (hw.Board, error) {
		opened = true
		must(t, os.Mkdir(p.LogFolder, 0o755))
		return benchboard.Open(p, now)
	}
	g, err := Open(files, Options{Virtual: board, Software: "test", Room: 1, Stepped: true, Now: func() time.Duration { return 0 }})
	must(t, err)
	defer g.Finish(0)
	if !opened {
		t.Error("no board was opened")
	}
}

// A start that fails for its log folder lets go of the board again.
func TestAStartWithoutALogFolderLetsGoOfTheBoard(t *testing.T) {
	dir := shortDir(t)
	files := testFiles(t, dir, "tilt.toml")
	must(t, os.RemoveAll(dir))
	var board hw.Board
	open := func(p *pad.Pad, now func() time.Duration) (b hw.Board, err error) {
		board, err = benchboard.Open(p, now)
		return board, err
	}
	g, err := Open(files, Options{Virtual: open, Software: "test", Room: 1, Stepped: true, Now: func() time.Duration { return 0 }})
	if err == nil {
		t.Fatalf("opened without a log folder: %v", g.Folder())
	}
	if board == nil {
		t.Fatal("the board was not opened first")
	}
	if err := board.Relay().Set(true); err == nil {
		t.Error("a board that was let go of still takes orders")
	}
}

// Envelope and card are read behind the board: their disk may be as slow. A fault in
// them ends as any refused start, and all faults are told at once where the pad file
// has some too.
//
//fault:row the disk under the envelope or the card does not answer, or there is a fault in them | the relay was requested low before they are read; no start
func TestPromise05_TheBoardIsOpenBeforeEnvelopeAndCardAreRead(t *testing.T) {
	dir := shortDir(t)
	files := testFiles(t, dir, "tilt.toml")
	name := filepath.Join(dir, "pad.toml")
	must(t, os.WriteFile(name, files.Pad.Text, 0o644))
	envelope := filepath.Join(dir, "envelope.toml")
	var board hw.Board
	start := func(text []byte) error {
		board = nil
		must(t, os.RemoveAll(envelope))
		f, err := ReadPad(name, "", "")
		if err != nil {
			return err
		}
		g, err := Open(f, Options{Software: "test", Room: 1, Stepped: true, Now: func() time.Duration { return 0 },
			Virtual: func(p *pad.Pad, now func() time.Duration) (b hw.Board, err error) {
				if text != nil {
					must(t, os.WriteFile(envelope, text, 0o644))
				}
				board, err = benchboard.Open(p, now)
				return board, err
			}})
		if err == nil {
			must(t, g.Finish(0))
		}
		return err
	}
	if err := start(files.Envelope.Text); err != nil || board == nil {
		t.Errorf("an envelope that comes once the board is open: %v", err)
	}
	for what, text := range map[string][]byte{"none": nil, "with a fault": []byte("version = 9\n")} {
		err := start(text)
		if err == nil || board == nil {
			t.Fatalf("envelope %s: %v, board %v", what, err, board)
		}
		if board.Relay().Set(true) == nil {
			t.Errorf("envelope %s: the board was not let go of", what)
		}
	}
	must(t, os.WriteFile(name, append(files.Pad.Text, "\nnonsense = 1\n"...), 0o644))
	if err := start(nil); err == nil || board != nil || !strings.Contains(err.Error(), "nonsense") || !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a fault in the pad file and no envelope: board %v, %v", board, err)
	}
	must(t, os.Remove(name))
	if err := start(nil); err == nil || !strings.Contains(err.Error(), "pad.toml") || !strings.Contains(err.Error(), "envelope.toml") {
		t.Errorf("no file at all: %v", err)
	}
}
