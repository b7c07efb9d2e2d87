package watchdog

import (
	"fmt"
	"os"
	"time"

	"github.com/coreos/go-systemd/v22/daemon"
	"github.com/coreos/go-systemd/v22/journal"
	"golang.org/x/sys/unix"
)

// socket is the manager's notification socket. The library's own sending waits
// while the manager's queue is full; a loop must not.
type socket struct {
	fd int
	to unix.SockaddrUnix
}

// Manager is the service manager that started this process, nil when none did,
// and the interval within which it wants to hear, 0 when it does not watch.
func Manager() (Sender, time.Duration, error) {
	path := os.Getenv("NOTIFY_SOCKET")
	if path == "" {
		return nil, 0, nil
	}
	if path[0] != '/' && path[0] != '@' {
		return nil, 0, fmt.Errorf("the service manager cannot be told anything: NOTIFY_SOCKET is no local socket (got %q)", path)
	}
	interval, err := daemon.SdWatchdogEnabled(false)
	if err != nil {
		return nil, 0, fmt.Errorf("the service manager's watchdog: %w", err)
	}
	fd, err := unix.Socket(unix.AF_UNIX, unix.SOCK_DGRAM|unix.SOCK_CLOEXEC|unix.SOCK_NONBLOCK, 0)
	if err != nil {
		return nil, 0, fmt.Errorf("open a socket to the service manager: %w", err)
	}
	return &socket{fd: fd, to: unix.SockaddrUnix{Name: path}}, interval, nil
}

// Priority begins a line of that priority (sd-daemon(3)), where standard output is the journal's.
func Priority(n int) string {
	if is, err := journal.StdoutIsJournalStream(); err != nil || !is {
		return ""
	}
	return fmt.Sprintf("<%d>", n)
}

func (s *socket) Send(b []byte) error {
	return unix.Sendto(s.fd, b, unix.MSG_DONTWAIT|unix.MSG_NOSIGNAL, &s.to)
}
