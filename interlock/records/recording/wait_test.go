package recording

import (
	"errors"
	"strings"
	"testing"
	"time"

	"downhaul/interlock/day/intake"
	"downhaul/interlock/records/recorder"
)

// fullFile takes so many writes and syncs, and then fails.
type fullFile struct{ left *int }

func (f fullFile) Write(p []byte) (int, error) {
	if *f.left <= 0 {
		return 0, errors.New("injected: no space left")
	}
	*f.left--
	return len(p), nil
}
func (f fullFile) Sync() error {
	_, err := f.Write(nil)
	return err
}
func (fullFile) Truncate(int64) error { return nil }
func (fullFile) Close() error         { return nil }

// A disk that is full for ten minutes is not filled with pieces: each further file
// waits twice as long, up to a minute. Once there is room the recording goes on, and
// after a good minute the next trouble is met at once again.
//
//fault:row the disk is full, or fails in every sync, for minutes | the recording tries a new file ever more seldom, at the latest after a minute; said
func TestWrite_FullDiskIsNotFilledWithPieces(t *testing.T) {
	for _, c := range []struct {
		what  string
		takes int // what each new file takes before it fails
		most  int
	}{
		// 1+2+4+8+16+32 s, and then one a minute: 6 and about 9 of ten minutes.
		{"nothing is taken", 0, 16},
		{"one write is taken", 1, 16},
	} {
		room, files := 1<<30, 0
		left := &room
		w, err := recorder.Create(fullFile{left}, recorder.Start{Session: "x", Wall: time.Unix(1, 0), Next: func(int) (recorder.File, error) {
			files++
			n := c.takes
			if room > 0 {
				return fullFile{&room}, nil
			}
			return fullFile{&n}, nil
		}})
		if err != nil {
			t.Fatal(err)
		}
		seq, at := uint64(0), time.Duration(0)
		var last error
		pass := func(d time.Duration) {
			for end := at + d; at < end; {
				at += 100 * time.Millisecond
				seq++
				err := w.Put(intake.Chunk{At: at, Seq: seq, Source: intake.Pins, Bytes: []byte{3}})
				if err = errors.Join(err, w.Flush()); err != nil {
					last = err
				}
				if seq%10 == 0 {
					_ = w.Sync()
				}
			}
		}
		pass(time.Minute)
		if files != 0 {
			t.Fatalf("%s: %d new files on a good disk", c.what, files)
		}
		room = 0
		pass(10 * time.Minute)
		if files < 10 || files > c.most {
			t.Errorf("%s: %d new files in ten minutes of a full disk, want 10 to %d", c.what, files, c.most)
		}
		if last == nil || !strings.Contains(last.Error(), "the next is tried in") {
			t.Errorf("%s: error %v", c.what, last)
		}
		room = 1 << 30
		pass(2 * time.Minute)
		before, lost := files, w.Lost()
		pass(3 * time.Minute)
		if files != before || w.Lost() != lost {
			t.Errorf("%s: with room again it begins %d files and loses %d chunks", c.what, files-before, w.Lost()-lost)
		}
		room = 0
		pass(100 * time.Millisecond)
		if files != before+1 {
			t.Errorf("%s: after good minutes a new file is not tried at once", c.what)
		}
	}
}
