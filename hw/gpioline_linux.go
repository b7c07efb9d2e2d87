package hw

import (
	"unsafe"

	"golang.org/x/sys/unix"
)

// lineFile is lines of one chip that the kernel holds for us.
type lineFile int

func (l lineFile) values(mask uint64) (uint64, error) {
	v := unix.GPIOV2LineValues{Mask: mask}
	err := ioctl(int(l), unix.GPIO_V2_LINE_GET_VALUES_IOCTL, unsafe.Pointer(&v))
	return v.Bits & mask, err
}

func (l lineFile) set(mask, bits uint64) error {
	v := unix.GPIOV2LineValues{Mask: mask, Bits: bits}
	return ioctl(int(l), unix.GPIO_V2_LINE_SET_VALUES_IOCTL, unsafe.Pointer(&v))
}

func (l lineFile) close() error { return unix.Close(int(l)) }

// ioctl keeps the error number, which says what is wrong and how to mend it.
func ioctl(fd int, call uint, arg unsafe.Pointer) error {
	for {
		_, _, errno := unix.Syscall(unix.SYS_IOCTL, uintptr(fd), uintptr(call), uintptr(arg))
		switch errno {
		case 0:
			return nil
		case unix.EINTR:
		default:
			return errno
		}
	}
}
