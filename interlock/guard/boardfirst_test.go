package guard

import (
	"os"
	"testing"
	"time"

	"downhaul/hw"
	"downhaul/interlock/benchboard"
	"downhaul/interlock/pad"
)

// A log folder on a disk that does not answer holds a start up for as long as it
// likes: by then the relay must have been requested low. So nothing of the log
// folder may be touched before the board is open.
func TestPromise05_TheBoardIsOpenBeforeTheLogFolderIsTouched(t *testing.T) {
	dir := shortDir(t)
	files := testFiles(t, dir, "tilt.toml")
	opened := false
	board := func(p *pad.Pad, now func() time.Duration) (hw.Board, error) {
		opened = true
		left, err := os.ReadDir(p.LogFolder)
		if err != nil || len(left) != 0 {
			t.Errorf("the log folder has %v (%v) before the board is open", left, err)
		}
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
