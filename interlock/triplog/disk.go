package triplog

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"downhaul/interlock/plain"
)

// File is what the log needs of a file. Sync returns when the bytes are on the
// disk.
type File interface {
	Write(p []byte) (int, error)
	Sync() error
	Close() error
}

// Disk is where the files are made. Tests put failing ones here.
type Disk interface {
	// Create makes a new file and fails if the name is taken.
	Create(name string) (File, error)
	Remove(name string) error
	// SyncFolder returns when new names are on the disk.
	SyncFolder() error
}

// PartName is the name of the file with that number: trips.jsonl,
// trips-2.jsonl and on.
func PartName(part int) string {
	if part <= 1 {
		return "trips.jsonl"
	}
	return fmt.Sprintf("trips-%d.jsonl", part)
}

// Parts lists the files of the log in the folder, in order. It is empty when
// there is none.
func Parts(dir string) ([]string, error) {
	var names []string
	for part := 1; ; part++ {
		name := filepath.Join(dir, PartName(part))
		if _, err := os.Stat(name); err != nil {
			if errors.Is(err, fs.ErrNotExist) {
				return names, nil
			}
			return names, fmt.Errorf("look for trip log: %w", err)
		}
		names = append(names, name)
	}
}

type folder string

func (d folder) Create(name string) (File, error) {
	f, err := os.OpenFile(filepath.Join(string(d), name), os.O_WRONLY|os.O_APPEND|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return nil, err
	}
	return newFile(f), nil
}

func (d folder) Remove(name string) error { return os.Remove(filepath.Join(string(d), name)) }

func (d folder) SyncFolder() error { return plain.SyncFolder(string(d)) }
