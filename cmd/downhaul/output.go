package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"sync"
	"syscall"
)

// output is standard output. A failed write ends no command: what it found
// still gives its exit code, and its files are still written. Only a command
// that would go on for ever asks gone.
type output struct {
	*os.File
	mu  sync.Mutex
	err error // the first
}

func (o *output) Write(b []byte) (int, error) {
	_, err := o.File.Write(b)
	if err != nil {
		o.mu.Lock()
		defer o.mu.Unlock()
		if o.err == nil {
			o.err = err
		}
	}
	return len(b), nil
}

// WriteString hides the file's own, which would pass Write by.
func (o *output) WriteString(s string) (int, error) { return o.Write([]byte(s)) }

// gone reports whether nothing more can be printed.
func (o *output) gone() bool {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.err != nil
}

// failure returns why not all could be printed. A reader that had enough, as
// head has, is no failure.
func (o *output) failure() error {
	o.mu.Lock()
	defer o.mu.Unlock()
	if errors.Is(o.err, syscall.EPIPE) {
		return nil
	}
	return o.err
}

// gone reports whether the reader of w went away.
func gone(w io.Writer) bool {
	o, ok := w.(*output)
	return ok && o.gone()
}

// fileOf returns the file behind a stream, nil for one that has none.
func fileOf(stream any) *os.File {
	switch f := stream.(type) {
	case *os.File:
		return f
	case *output:
		return f.File
	}
	return nil
}

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

// writeNew writes a file that must not be there yet, unless forced.
func writeNew(path string, text []byte, force bool) error {
	return makeNew(path, force, func(w io.Writer) error {
		_, err := w.Write(text)
		return err
	})
}

// makeNew is writeNew for what is written bit by bit; at the end it asks once more whether
// it may.
func makeNew(path string, force bool, write func(io.Writer) error) error {
	return writeWhole(path, func(w io.Writer) error {
		if err := write(w); err != nil {
			return err
		}
		return notThere(path, force)
	})
}

// writeWhole writes beside the place and moves there what is whole: a file that is replaced
// stays until then.
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
