package hw

import (
	"errors"
	"os"
	"path/filepath"
	"unsafe"

	"golang.org/x/sys/unix"
)

// The flags of a line (include/uapi/linux/gpio.h, enum gpio_v2_line_flag); the
// numbers of the calls and the layouts come from golang.org/x/sys/unix.
const (
	lineInput    = 1 << 2
	lineOutput   = 1 << 3
	lineRising   = 1 << 4
	lineFalling  = 1 << 5
	linePullUp   = 1 << 8
	linePullDown = 1 << 9
)

// kernel is the character devices of the GPIO chips, so far as the board uses
// them. Tests put a chip of their own behind it.
type kernel interface {
	open(chip string) (chipDevice, error)
}

type chipDevice interface {
	info() (unix.GPIOChipInfo, error)
	lineInfo(line uint32) (unix.GPIOV2LineInfo, error)
	// request asks for lines. They are held until close, also when the device
	// was closed.
	request(*unix.GPIOV2LineRequest) (lineRequest, error)
	close() error
}

// lineRequest is lines that are held. values and set belong to one goroutine.
type lineRequest interface {
	values(mask uint64) (uint64, error)
	// waits is the descriptor that can be waited for, -1 where there is none; pending gives
	// what events there are, and never waits.
	waits() int
	pending(b []byte) (int, error)
	set(mask, bits uint64) error
	close() error
}

// Called returns what the kernel calls a pin's chip, and its line if written by number; empty: not known.
func (p Pin) Called() (chip, line string) { return called(device{}, p) }

func called(k kernel, p Pin) (chip, line string) {
	d, err := k.open(p.Chip)
	if err != nil {
		return "", ""
	}
	if info, err := d.info(); err == nil {
		chip = unix.ByteSliceToString(info.Label[:])
	}
	if info, err := d.lineInfo(uint32(p.Line)); err == nil && p.Name == "" {
		line = unix.ByteSliceToString(info.Name[:])
	}
	_ = d.close()
	return chip, line
}

// device is the real kernel.
type device struct{}

func (device) open(chip string) (chipDevice, error) {
	path := filepath.Join("/dev", chip)
	for {
		fd, err := unix.Open(path, unix.O_RDWR|unix.O_CLOEXEC, 0)
		if err == nil {
			return chipFile(fd), nil
		}
		if !errors.Is(err, unix.EINTR) {
			return nil, &os.PathError{Op: "open", Path: path, Err: err}
		}
	}
}

type chipFile int

func (c chipFile) info() (i unix.GPIOChipInfo, err error) {
	// GPIO_GET_CHIPINFO_IOCTL is older than the calls that x/sys lists:
	// _IOR(0xB4, 0x01, struct gpiochip_info), 68 bytes.
	const getChipInfo = 0x8044b401
	err = ioctl(int(c), getChipInfo, unsafe.Pointer(&i))
	return i, err
}

func (c chipFile) lineInfo(line uint32) (i unix.GPIOV2LineInfo, err error) {
	i.Offset = line
	err = ioctl(int(c), unix.GPIO_V2_GET_LINEINFO_IOCTL, unsafe.Pointer(&i))
	return i, err
}

func (c chipFile) request(r *unix.GPIOV2LineRequest) (lineRequest, error) {
	if err := ioctl(int(c), unix.GPIO_V2_GET_LINE_IOCTL, unsafe.Pointer(r)); err != nil {
		return nil, err
	}
	unix.CloseOnExec(int(r.Fd))
	if err := unix.SetNonblock(int(r.Fd), true); err != nil {
		return nil, errors.Join(err, unix.Close(int(r.Fd)))
	}
	return lineFile(r.Fd), nil
}

func (c chipFile) close() error { return unix.Close(int(c)) }
