package session

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
)

const lockName = ".lock"

// checkFolder returns plainly why a log folder cannot be one.
func checkFolder(dir string) error {
	info, err := os.Stat(dir)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("log folder %s: no such folder; make it (mkdir -p %s) or name another in the pad file: %w", dir, dir, fs.ErrNotExist)
	case err != nil:
		return explain("look at", dir, err)
	case !info.IsDir():
		return fmt.Errorf("log folder %s: is a file, not a folder; name a folder in the pad file", dir)
	}
	return nil
}

// explain puts the cause of a failed write into plain words, with the mend.
func explain(doing, dir string, err error) error {
	mend := ""
	switch {
	case errors.Is(err, syscall.EROFS):
		mend = "; it is read-only for this program: mount the disk for writing or, for the service, give it that folder (\"another disk\" in downhauld(8))"
	case errors.Is(err, fs.ErrPermission):
		mend = "; give the guard's user the right to write there, or name another log folder"
	case errors.Is(err, syscall.ENOSPC):
		mend = "; the disk is full: make room, or name a log folder on another disk"
	case errors.Is(err, syscall.EDQUOT):
		mend = "; the user's share of the disk is used up: make room, or name another log folder"
	}
	return fmt.Errorf("log folder %s: %s: %w%s", dir, doing, err, mend)
}

// checkRoom refuses a folder with less than want bytes free.
func checkRoom(dir string, want uint64) error {
	free, err := Room(dir)
	if err != nil {
		return err
	}
	if free < want {
		return fmt.Errorf("log folder %s: %d MB free, want at least %d MB; make room, or name a log folder on another disk", dir, free>>20, (want+1<<20-1)>>20)
	}
	return nil
}

// writeNew writes a file that must not be there yet, and syncs it.
func writeNew(name string, text []byte) error {
	f, err := os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return err
	}
	if _, err = f.Write(text); err == nil {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err != nil {
		return fmt.Errorf("write %s: %w", filepath.Base(name), err)
	}
	return nil
}

// Hold keeps guards out of a log folder until release is called, for whoever
// writes records there without one. It fails while a guard runs.
func Hold(dir string) (release func() error, err error) {
	if err := checkFolder(dir); err != nil {
		return nil, err
	}
	f, err := takeLock(dir)
	return func() error { return dropLock(f) }, err
}
