//go:build unix

package localsocket

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"syscall"
	"time"
)

// hold takes the lock that goes with a socket. It falls with the process,
// whatever kills that. The lock's file is left behind: to remove it would let
// two processes each hold a lock on a file of that name.
func hold(socket string) (*os.File, error) {
	path := socket + ".lock"
	// Nothing is made or held through a link, and a pipe must not hang.
	f, err := os.OpenFile(path, os.O_CREATE|os.O_RDWR|syscall.O_NOFOLLOW|syscall.O_NONBLOCK, 0o600)
	if err != nil {
		return nil, fmt.Errorf("open the socket's lock: %w", err)
	}
	if info, err := f.Stat(); err != nil || !info.Mode().IsRegular() {
		return nil, errors.Join(fmt.Errorf("the socket's lock %s is no plain file; look into it and remove it", path), err, f.Close())
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		f.Close()
		if errors.Is(err, syscall.EWOULDBLOCK) {
			return nil, fmt.Errorf("%w (lock %s); stop that one, or name another socket in the pad file", ErrHeld, path)
		}
		return nil, fmt.Errorf("lock %s: %w", path, err)
	}
	return f, nil
}

// drop lets the lock go at once: closing alone would leave it with a program that
// this process is just about to start, until that has begun.
func drop(f *os.File) error {
	return errors.Join(syscall.Flock(int(f.Fd()), syscall.LOCK_UN), f.Close())
}

// listen makes the socket. A dead process's socket file is replaced; the
// caller holds the lock. Anything else in its place is refused.
func listen(cfg Config) (*net.UnixListener, error) {
	info, err := os.Lstat(cfg.Path)
	switch {
	case errors.Is(err, os.ErrNotExist):
	case err != nil:
		return nil, fmt.Errorf("look at socket: %w", err)
	case info.Mode().Type() != os.ModeSocket:
		return nil, fmt.Errorf("%s is there already and is no socket; name another socket in the pad file", cfg.Path)
	default:
		if c, err := net.DialTimeout("unix", cfg.Path, 200*time.Millisecond); err == nil {
			c.Close()
			return nil, fmt.Errorf("%w: something answers on %s; stop it, or name another socket in the pad file", ErrHeld, cfg.Path)
		}
		if err := os.Remove(cfg.Path); err != nil {
			return nil, fmt.Errorf("remove the socket that a dead process left: %w", err)
		}
	}
	// The mode is set before the name exists, so that nobody else can connect
	// in between; Linux takes the file's mode from the socket. Elsewhere this
	// may be refused, and the chmod below does it.
	config := net.ListenConfig{Control: func(_, _ string, raw syscall.RawConn) error {
		return raw.Control(func(fd uintptr) { _ = syscall.Fchmod(int(fd), uint32(cfg.Mode.Perm())) })
	}}
	l, err := config.Listen(context.Background(), "unix", cfg.Path)
	if err != nil {
		return nil, fmt.Errorf("make the socket: %w", err)
	}
	if err := os.Chmod(cfg.Path, cfg.Mode.Perm()); err != nil {
		l.Close()
		return nil, fmt.Errorf("make the socket: %w", err)
	}
	if cfg.Group >= 0 {
		if err := os.Chown(cfg.Path, -1, cfg.Group); err != nil {
			l.Close()
			return nil, fmt.Errorf("give the socket to its group: %w", err)
		}
	}
	return l.(*net.UnixListener), nil
}
