package guard

import (
	"errors"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"testing"
	"time"

	"downhaul/hw"
	"downhaul/interlock/model/benchboard"
	"downhaul/interlock/pad"

	"golang.org/x/sys/unix"
)

// BenchmarkPadToRelay reports how long it is from the last byte of the pad file read until
// the board is open with its relay low, the relay being the first line that a real board
// requests. In between are two steps: the pad file is worked out, and the board opened.
// Envelope, card and log folder have no part in it. Beside
// the time by the clock, which on a busy computer is mostly others', stands the processor
// time of each step.
func BenchmarkPadToRelay(b *testing.B) {
	dir := b.TempDir()
	files := testFiles(b, dir, "flight.toml")
	files.Card = File{Name: "card.toml", Text: testFile(b, "card.toml")}
	for _, f := range []File{files.Pad, files.Envelope, files.Card} {
		must(b, os.WriteFile(filepath.Join(dir, filepath.Base(f.Name)), f.Text, 0o644))
	}
	runtime.LockOSThread() // so that the processor time is this goroutine's own
	defer runtime.UnlockOSThread()
	enough := errors.New("the board is open")
	var took, pads, boards []time.Duration
	for b.Loop() {
		files, err := ReadPad(filepath.Join(dir, "pad.toml"), "", "")
		must(b, err)
		begin, used := time.Now(), threadTime(b)
		_, err = Open(files, Options{Software: "test", Virtual: func(p *pad.Pad, now func() time.Duration) (hw.Board, error) {
			read := threadTime(b)
			board, err := benchboard.Open(p, now)
			must(b, err)
			took, pads, boards = append(took, time.Since(begin)), append(pads, read-used), append(boards, threadTime(b)-read)
			return nil, errors.Join(enough, board.Close())
		}})
		if !errors.Is(err, enough) {
			b.Fatal(err)
		}
	}
	for step, times := range map[string][]time.Duration{"": took, "cpu-pad-": pads, "cpu-board-": boards} {
		slices.Sort(times)
		for name, at := range map[string]int{"median": len(times) / 2, "p99": len(times) * 99 / 100, "most": len(times) - 1} {
			b.ReportMetric(times[at].Seconds()*1000, step+"ms-"+name)
		}
	}
}

// threadTime is the processor time that this thread has used.
func threadTime(b *testing.B) time.Duration {
	var t unix.Timespec
	must(b, unix.ClockGettime(unix.CLOCK_THREAD_CPUTIME_ID, &t))
	return time.Duration(t.Nano())
}
