package hw

import (
	"errors"
	"fmt"
	"log"
	"sync"

	"golang.org/x/sys/unix"
	"periph.io/x/conn/v3/driver/driverreg"
	periphgpio "periph.io/x/conn/v3/gpio"
	"periph.io/x/host/v3/gpioioctl"
)

// lineUsed means that somebody holds a line (enum gpio_v2_line_flag).
const lineUsed = 1 << 0

// heldOutput is an output of the kill chain: a request of its own, written and
// never read.
type heldOutput struct {
	what string
	pin  Pin
	req  lineRequest // nil once let go
}

// Set drives the line; see Output.
func (o *heldOutput) Set(on bool) error {
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

// notFitted is an output that the pad has not.
type notFitted struct{}

// Set does nothing.
func (notFitted) Set(bool) error { return nil }

// plainOutput is an output outside the kill chain.
type plainOutput struct {
	what string
	pin  Pin
	out  plainLine // nil once let go
}

// Set drives the line; see Output. A line that was let go stays so: periph
// would silently request it again.
func (o *plainOutput) Set(on bool) error {
	if o.out == nil {
		return fmt.Errorf("set %s: %w", o.what, ErrClosed)
	}
	if err := o.out.Out(periphgpio.Level(on)); err != nil {
		return fmt.Errorf("set %s on %s: %w", o.what, o.pin, err)
	}
	return nil
}

func (o *plainOutput) release() error {
	if o.out == nil {
		return nil
	}
	err := o.Set(false)
	o.out.Close()
	o.out = nil
	return err
}

// plainLine is a line of periph's, so far as it is used: written, never read.
type plainLine interface {
	Out(periphgpio.Level) error
	Close()
}

// plainLines finds lines by the kernel's name of their chip.
type plainLines interface {
	open(chip string, line int) (plainLine, error)
}

// periphLines drives buzzer and lamp through periph. What must be known of it,
// and is borne here:
//
// The first write to a line drives it low and then as asked; these are on when
// high, so nothing shows. Read and Func of an output make it an input; neither
// is ever called. Closing a chip, which the start of the driver does with one
// that has two names, closes file descriptor 0 as well, and after a refused
// request a line writes to descriptor 0: so that is kept open on something
// harmless, and no chip is ever closed.
type periphLines struct{}

var startPeriph = sync.OnceValue(func() error {
	if err := holdZero(); err != nil {
		return err
	}
	state, err := driverreg.Init()
	if err != nil {
		return fmt.Errorf("start the GPIO driver: %w", err)
	}
	for _, f := range state.Failed {
		log.Printf("driver %s did not start: %v", f.D, f.Err)
	}
	return holdZero()
})

// holdZero keeps file descriptor 0 open.
func holdZero() error {
	if _, err := unix.FcntlInt(0, unix.F_GETFD, 0); err == nil {
		return nil
	}
	fd, err := unix.Open("/dev/null", unix.O_RDWR|unix.O_CLOEXEC, 0)
	if err != nil {
		return fmt.Errorf("keep file descriptor 0 harmless: %w", err)
	}
	if fd == 0 {
		return nil
	}
	// Descriptor 0 was taken meanwhile, which is as good.
	return unix.Close(fd)
}

func (periphLines) open(chip string, line int) (plainLine, error) {
	if err := startPeriph(); err != nil {
		return nil, err
	}
	for _, c := range gpioioctl.Chips {
		if c.Name() != chip {
			continue
		}
		if l := c.ByNumber(line); l != nil {
			return l, nil
		}
	}
	return nil, fmt.Errorf("the driver found no line %d of %s when it started; start again with the chip plugged in", line, chip)
}
