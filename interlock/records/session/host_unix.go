//go:build unix

package session

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"golang.org/x/sys/unix"
)

// Room is how many bytes the guard's user can still write to the folder's disk.
func Room(dir string) (uint64, error) {
	var st unix.Statfs_t
	if err := unix.Statfs(dir, &st); err != nil {
		return 0, explain("ask for free room", dir, err)
	}
	return uint64(st.Bavail) * uint64(st.Bsize), nil
}

// takeLock holds the folder against a second guard. The kernel lets go of it
// when the process dies, however it dies.
func takeLock(dir string) (*os.File, error) {
	name := filepath.Join(dir, lockName)
	// A link would have somebody else's file written over, a pipe would hang.
	f, err := os.OpenFile(name, os.O_RDWR|os.O_CREATE|unix.O_NOFOLLOW|unix.O_NONBLOCK, 0o644)
	if errors.Is(err, unix.ELOOP) || errors.Is(err, unix.EISDIR) {
		return nil, fmt.Errorf("log folder %s: %s is no plain file but a link or a folder, and nothing is written through it; look into it and remove it", dir, lockName)
	}
	if err != nil {
		return nil, explain("lock", dir, err)
	}
	if err := checkLock(f); err != nil {
		return nil, errors.Join(fmt.Errorf("log folder %s: %s %w; look into it and remove it", dir, lockName, err), f.Close())
	}
	if err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB); err != nil {
		defer f.Close()
		if errors.Is(err, unix.EWOULDBLOCK) {
			pid, _ := io.ReadAll(io.LimitReader(f, 32))
			return nil, fmt.Errorf("log folder %s: another guard (pid %s) keeps its sessions there; stop that one first, or name another log folder", dir, strings.TrimSpace(string(pid)))
		}
		return nil, explain("lock", dir, err)
	}
	// Of one length, so that it covers what stood there and nothing is ever cut off.
	if _, err := f.WriteAt(fmt.Appendf(nil, "%*d\n", lockSize-1, os.Getpid()), 0); err != nil {
		return nil, errors.Join(explain("lock", dir, err), f.Close())
	}
	return f, nil
}

// lockSize is the length of a lock's text, longer than any process number.
const lockSize = 16

// checkLock refuses what no guard has made: only a plain file under this one name,
// empty or with a process number in it, is written to.
func checkLock(f *os.File) error {
	var st unix.Stat_t
	if err := unix.Fstat(int(f.Fd()), &st); err != nil {
		return err
	}
	text := make([]byte, lockSize+1)
	switch {
	case st.Mode&unix.S_IFMT != unix.S_IFREG:
		return errors.New("is no plain file")
	case st.Nlink != 1:
		return errors.New("stands under another name as well")
	}
	n, err := f.ReadAt(text, 0)
	if err != nil && !errors.Is(err, io.EOF) {
		return err
	}
	// Zeros are what a power cut leaves of a text that was not on the disk yet.
	if n > lockSize || strings.Trim(string(text[:n]), " 0123456789\n\x00") != "" {
		return errors.New("is no lock of a guard: it holds something else")
	}
	return nil
}

// dropLock lets the folder go at once: closing alone would leave the lock with a
// program that this process is just about to start, until that has begun.
func dropLock(f *os.File) error {
	return errors.Join(unix.Flock(int(f.Fd()), unix.LOCK_UN), f.Close())
}
