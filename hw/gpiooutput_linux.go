package hw

import (
	"errors"
	"fmt"
	"unsafe"

	"golang.org/x/sys/unix"
)

// heldOutput is an output: a request of its own, written and never read. One
// that the pad has not got has no pin, and setting it does nothing.
type heldOutput struct {
	what string
	pin  Pin
	req  lineRequest // nil once let go
}

// Set drives the line; see Output.
func (o *heldOutput) Set(on bool) error {
	if !o.pin.Fitted() {
		return nil
	}
	if o.req == nil {
		return fmt.Errorf("set %s: %w", o.what, ErrClosed)
	}
	var bits uint64
	if on {
		bits = 1
	}
	if err := o.req.set(1, bits); err != nil {
		return fmt.Errorf("set %s on %s: %w%s", o.what, o.pin, err, mend(err))
	}
	return nil
}

// release lets the line go, low as far as we can tell.
func (o *heldOutput) release() error {
	if o.req == nil {
		return nil
	}
	err := errors.Join(o.Set(false), o.req.close())
	o.req = nil
	return err
}

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
