package triplog

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"

	"downhaul/interlock/records/plain"
)

// File is what the log needs of a file. Sync returns when the bytes are on the disk.
type File interface {
	Write(p []byte) (int, error)
	Sync() error
	Close() error
}

// Disk is where the files are made. Tests and rehearsals put failing ones here.
type Disk interface {
	// Create makes a new file and fails if the name is taken.
	Create(name string) (File, error)
	Remove(name string) error
	// SyncFolder returns when new names are on the disk.
	SyncFolder() error
	// Standing returns nil while every file that was made and not removed is the one
	// that stands under its name; see Place.
	Standing() error
}

// PartName is the name of the file with that number: trips.jsonl,
// trips-2.jsonl and on.
func PartName(part int) string {
	if part <= 1 {
		return "trips.jsonl"
	}
	return fmt.Sprintf("trips-%d.jsonl", part)
}

// Parts lists the files of the log in the folder, in order; none is empty.
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

// folder is a folder on disk, with the places of the log's files in it.
type folder struct {
	dir    string
	places []made
}

// made is a file and its place.
type made struct {
	Place
	file File
}

// Folder is a folder as a Disk.
func Folder(dir string) Disk { return &folder{dir: dir} }

func (d *folder) Create(name string) (File, error) {
	path := filepath.Join(d.dir, name)
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_APPEND|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return nil, err
	}
	place, err := PlaceOf(f, path)
	if err != nil {
		return nil, errors.Join(err, f.Close(), os.Remove(path))
	}
	file := newFile(f)
	d.places = append(d.places, made{place, file})
	return file, nil
}

func (d *folder) Remove(name string) error {
	path := filepath.Join(d.dir, name)
	d.places = slices.DeleteFunc(d.places, func(p made) bool { return p.path == path })
	return os.Remove(path)
}

func (d *folder) Standing() error {
	for _, p := range d.places {
		var wrote int64
		if f, ok := p.file.(interface{ Wrote() int64 }); ok {
			wrote = f.Wrote()
		}
		if err := p.holds(wrote); err != nil {
			return err
		}
	}
	return nil
}

func (d *folder) SyncFolder() error { return plain.SyncFolder(d.dir) }
