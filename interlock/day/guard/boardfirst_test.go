package guard

import (
	"errors"
	"os"
	"path/filepath"
	"slices"
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

// BenchmarkPadToRelay tells how long it is from before the pad file is read until the
// board is open with its relay low: the log folder has no part in it.
func BenchmarkPadToRelay(b *testing.B) {
	dir := b.TempDir()
	files := testFiles(b, dir, "flight.toml")
	files.Card = File{Name: "card.toml", Text: testFile(b, "card.toml")}
	for _, f := range []File{files.Pad, files.Envelope, files.Card} {
		must(b, os.WriteFile(filepath.Join(dir, filepath.Base(f.Name)), f.Text, 0o644))
	}
	enough := errors.New("the board is open")
	var took []time.Duration
	for b.Loop() {
		begin := time.Now()
		files, err := ReadFiles(filepath.Join(dir, "pad.toml"), "", "")
		must(b, err)
		_, err = Open(files, Options{Software: "test", Virtual: func(p *pad.Pad, now func() time.Duration) (hw.Board, error) {
			board, err := benchboard.Open(p, now)
			must(b, err)
			took = append(took, time.Since(begin))
			return nil, errors.Join(enough, board.Close())
		}})
		if !errors.Is(err, enough) {
			b.Fatal(err)
		}
	}
	slices.Sort(took)
	for name, at := range map[string]int{"median": len(took) / 2, "p99": len(took) * 99 / 100, "most": len(took) - 1} {
		b.ReportMetric(took[at].Seconds()*1000, "ms-"+name)
	}
}
