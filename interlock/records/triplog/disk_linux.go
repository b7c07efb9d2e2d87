package triplog

import (
	"os"

	"downhaul/interlock/records/plain"

	"golang.org/x/sys/unix"
)

// Ours: room is asked for a megabyte at a time, again when less than a
// sixteenth of it is left, so that a disk which others fill does not stop the
// log in the middle of a flight.
const (
	reserveStep = 1 << 20
	reserveLow  = reserveStep / 16
)

// diskFile is a file with room reserved ahead and data-only syncs.
type diskFile struct {
	*os.File
	size, reserved int64
	unable         bool // the file system does not reserve
}

func newFile(f *os.File) File {
	d := &diskFile{File: f}
	d.reserve()
	return d
}

func (d *diskFile) reserve() {
	if d.unable || d.size+reserveLow <= d.reserved {
		return
	}
	err := unix.Fallocate(int(d.Fd()), unix.FALLOC_FL_KEEP_SIZE, d.reserved, reserveStep)
	if err != nil {
		d.unable = true
		return
	}
	d.reserved += reserveStep
}

// Wrote returns how many bytes were written.
func (d *diskFile) Wrote() int64 { return d.size }

func (d *diskFile) Write(p []byte) (int, error) {
	d.reserve()
	n, err := d.File.Write(p)
	d.size += int64(n)
	return n, err
}

// Sync waits for the data, not for times.
func (d *diskFile) Sync() error { return plain.SyncData(d.File) }

// Close gives the room that was not used back.
func (d *diskFile) Close() error {
	if d.reserved > d.size {
		_ = d.Truncate(d.size)
	}
	return d.File.Close()
}
