package link

import (
	"errors"
	"fmt"

	"golang.org/x/sys/unix"
)

// openSerial opens the device raw, 8N1, without flow control, and for itself alone. The
// system sets raw mode after opening: until then, for well under a millisecond and only
// if the device was left in another mode, its own echo may answer a byte.
func openSerial(cfg Config) (int, error) {
	fd, err := unix.Open(cfg.Address, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		return -1, serialError(cfg, err)
	}
	if err := raw(fd, cfg.Baud); err != nil {
		return -1, errors.Join(serialError(cfg, err), unix.Close(fd))
	}
	return fd, nil
}

// errSpeed means that the device took another speed than was asked for.
var errSpeed = errors.New("another speed was set")

// raw sets the line up (termios(3), with any speed by BOTHER).
func raw(fd, baud int) error {
	t, err := unix.IoctlGetTermios(fd, unix.TCGETS2)
	if err != nil {
		return err
	}
	*t = unix.Termios{Cflag: unix.CS8 | unix.CREAD | unix.CLOCAL | unix.BOTHER, Ispeed: uint32(baud), Ospeed: uint32(baud)}
	t.Cc[unix.VMIN] = 1
	if err := errors.Join(unix.IoctlSetInt(fd, unix.TIOCEXCL, 0), unix.IoctlSetTermios(fd, unix.TCSETS2, t)); err != nil {
		return err
	}
	if t, err = unix.IoctlGetTermios(fd, unix.TCGETS2); err != nil {
		return err
	}
	// A divider seldom gives a rate exactly; a receiver bears 2 % (common practice, no source).
	if off := int64(t.Ospeed) - int64(baud); max(off, -off)*50 > int64(baud) {
		return errSpeed
	}
	return unix.IoctlSetInt(fd, unix.TCFLSH, unix.TCIFLUSH)
}

func serialError(cfg Config, err error) error {
	const where = "open serial %s: "
	switch {
	case errors.Is(err, unix.ENOENT), errors.Is(err, unix.ENXIO), errors.Is(err, unix.ENODEV):
		return fmt.Errorf(where+"no such device; plug it in, or see whether it came back under another name (ls -l /dev/serial/by-id): %w", cfg.Address, err)
	case errors.Is(err, unix.EBUSY):
		return fmt.Errorf(where+"another program has it open; end that: %w", cfg.Address, err)
	case errors.Is(err, unix.EACCES), errors.Is(err, unix.EPERM):
		return fmt.Errorf(where+"this user may not open it; add the user to the group that owns the device: %w", cfg.Address, err)
	case errors.Is(err, errSpeed), errors.Is(err, unix.EINVAL):
		return fmt.Errorf(where+"it does not do %d baud; take the speed the radio is set to: %w", cfg.Address, cfg.Baud, err)
	case errors.Is(err, unix.ENOTTY):
		return fmt.Errorf(where+"not a serial device; look in /dev/serial/by-id: %w", cfg.Address, err)
	}
	return fmt.Errorf(where+"%w", cfg.Address, err)
}
