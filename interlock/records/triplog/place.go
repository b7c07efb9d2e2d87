package triplog

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
)

// ErrGone is wrapped where a file that was written is not the one that stands under
// its name: what it holds, nobody would find there.
var ErrGone = errors.New("records are not where they were written")

// Place is where a file was made: its name, its folder, and what the kernel knows both
// by. A file that was deleted, replaced or moved, or whose folder or file system was,
// goes on taking bytes and syncs without an error; so a record is kept only where its
// Place still stands.
type Place struct {
	path         string
	folder, file fs.FileInfo
}

// PlaceOf returns the place of a file that was just made at path.
func PlaceOf(f *os.File, path string) (Place, error) {
	file, err := f.Stat()
	if err != nil {
		return Place{}, err
	}
	folder, err := os.Lstat(filepath.Dir(path))
	if err != nil {
		return Place{}, err
	}
	p := Place{path, folder, file}
	return p, p.Stands()
}

// Stands returns nil while the file stands under its name, by device and inode, in the
// very folder in which it was made. A name that leads there by a link does not count.
func (p Place) Stands() error { return p.holds(0) }

// holds is Stands for a file that so many bytes were written to: one that was cut short
// in its place has lost what was kept.
func (p Place) holds(bytes int64) error {
	dir := filepath.Dir(p.path)
	for _, at := range []struct {
		path string
		made fs.FileInfo
	}{{dir, p.folder}, {p.path, p.file}} {
		now, err := os.Lstat(at.path)
		switch {
		case err != nil:
			return fmt.Errorf("%w: %w; end the guard and see to it", ErrGone, err)
		case !os.SameFile(now, at.made):
			return fmt.Errorf("%w: %s is another than the one that was made; end the guard and see to it", ErrGone, at.path)
		case at.path == p.path && now.Size() < bytes:
			return fmt.Errorf("%w: %s was cut short to %d of %d bytes; end the guard and see to it", ErrGone, at.path, now.Size(), bytes)
		}
	}
	return nil
}
