package session

import (
	"os"

	"golang.org/x/sys/unix"
)

// dataFile syncs the data and what is needed to read it back, not the times.
type dataFile struct{ *os.File }

func (f dataFile) Sync() error {
	for {
		err := unix.Fdatasync(int(f.Fd()))
		if err != unix.EINTR {
			return err
		}
	}
}
