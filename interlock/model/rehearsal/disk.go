package rehearsal

import (
	"syscall"

	"downhaul/interlock/records/triplog"
)

// disk is the disk of the trip log, which a mishap fills: what is there stays, and
// nothing more is taken.
type disk struct {
	triplog.Disk
	of *flight
}

func (d *disk) Create(name string) (triplog.File, error) {
	if d.of.full {
		return nil, syscall.ENOSPC
	}
	f, err := d.Disk.Create(name)
	if err != nil {
		return nil, err
	}
	return &diskFile{f, d.of}, nil
}

type diskFile struct {
	triplog.File
	of *flight
}

func (f *diskFile) Write(p []byte) (int, error) {
	if f.of.full {
		return 0, syscall.ENOSPC
	}
	return f.File.Write(p)
}
