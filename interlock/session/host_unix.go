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
	f, err := os.OpenFile(filepath.Join(dir, lockName), os.O_RDWR|os.O_CREATE, 0o644)
	if err != nil {
		return nil, explain("lock", dir, err)
	}
	if err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB); err != nil {
		defer f.Close()
		if errors.Is(err, unix.EWOULDBLOCK) {
			pid, _ := io.ReadAll(io.LimitReader(f, 32))
			return nil, fmt.Errorf("log folder %s: another guard (pid %s) keeps its sessions there; stop that one first, or name another log folder", dir, strings.TrimSpace(string(pid)))
		}
		return nil, explain("lock", dir, err)
	}
	if err := f.Truncate(0); err == nil {
		_, err = f.WriteAt(fmt.Appendf(nil, "%d\n", os.Getpid()), 0)
		if err != nil {
			f.Close()
			return nil, explain("lock", dir, err)
		}
	}
	return f, nil
}

// dropLock lets the folder go at once: closing alone would leave the lock with a
// program that this process is just about to start, until that has begun.
func dropLock(f *os.File) error {
	return errors.Join(unix.Flock(int(f.Fd()), unix.LOCK_UN), f.Close())
}
