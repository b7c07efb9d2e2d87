package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
)

// notThere refuses a file that is there already, unless it may be overwritten.
// Ask before long work.
func notThere(path string, force bool) error {
	info, err := os.Lstat(path)
	switch {
	case err == nil && info.IsDir():
		return fmt.Errorf("%s is a folder; name a file", path)
	case err == nil && !force:
		return hint(fmt.Errorf("%s is there already, and nothing is overwritten", path), "name another file, or give --force to replace it")
	case err == nil:
		return nil
	case !errors.Is(err, fs.ErrNotExist):
		return err
	}
	if _, err := os.Stat(filepath.Dir(path)); err != nil {
		return fmt.Errorf("no folder for %s: %w", path, err)
	}
	return nil
}

// writeNew writes a file that must not be there yet, unless forced. A file that
// is replaced stays whole until the new one is.
func writeNew(path string, text []byte, force bool) error {
	if !force {
		f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
		if errors.Is(err, fs.ErrExist) {
			return notThere(path, false)
		}
		if err != nil {
			return err
		}
		_, err = f.Write(text)
		return errors.Join(err, f.Close())
	}
	return writeWhole(path, func(w io.Writer) error {
		_, err := w.Write(text)
		return err
	})
}

// writeWhole writes beside the place and moves there what is whole.
func writeWhole(path string, write func(io.Writer) error) error {
	f, err := os.CreateTemp(filepath.Dir(path), ".downhaul-*")
	if err != nil {
		return err
	}
	if err := errors.Join(write(f), f.Chmod(0o644), f.Close()); err != nil {
		return errors.Join(err, os.Remove(f.Name()))
	}
	return os.Rename(f.Name(), path)
}
