package watchdog

import (
	"errors"
	"fmt"
	"time"

	"golang.org/x/sys/unix"
)

// device is a watchdog of the kernel's interface
// (Documentation/watchdog/watchdog-api.rst): armed by opening, fed by any
// write, disarmed only by a V just before the close.
type device struct{ fd int }

// ErrNoWatchdog means that a path is no kernel watchdog: it can be fed, but
// nobody is known to reset anything.
var ErrNoWatchdog = errors.New("is no watchdog of the kernel's; its timeout cannot be set")

// OpenDevice arms the watchdog and sets its timeout; the time that the driver
// took is returned, which may be rounded. With ErrNoWatchdog the device is
// given all the same.
func OpenDevice(path string, timeout time.Duration) (Device, time.Duration, error) {
	// Without waiting: a pipe under that name would hold the start up.
	fd, err := unix.Open(path, unix.O_WRONLY|unix.O_CLOEXEC|unix.O_NONBLOCK, 0)
	if err != nil {
		return nil, 0, fmt.Errorf("open the watchdog %s: %w", path, err)
	}
	d := &device{fd}
	err = unix.IoctlSetPointerInt(fd, unix.WDIOC_SETTIMEOUT, int(timeout/time.Second))
	if errors.Is(err, unix.ENOTTY) {
		return d, timeout, fmt.Errorf("%s %w", path, ErrNoWatchdog)
	}
	got := 0
	if err == nil {
		got, err = unix.IoctlGetInt(fd, unix.WDIOC_GETTIMEOUT)
	}
	if err != nil {
		// It is armed by now: nothing has run yet, so it may rest again.
		return nil, 0, errors.Join(fmt.Errorf("set the watchdog's timeout to %v: %w", timeout, err), d.Disarm())
	}
	return d, time.Duration(got) * time.Second, nil
}

var food, magic = []byte{0}, []byte{'V'}

func (d *device) Feed() error {
	if _, err := unix.Write(d.fd, food); err != nil {
		return fmt.Errorf("feed the watchdog: %w", err)
	}
	return nil
}

func (d *device) Disarm() error {
	_, err := unix.Write(d.fd, magic)
	return errors.Join(err, d.Close())
}

func (d *device) Close() error { return unix.Close(d.fd) }
