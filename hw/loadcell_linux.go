package hw

import (
	"context"
	"errors"
	"fmt"
	"time"

	"golang.org/x/sys/unix"
	"periph.io/x/host/v3/sysfs"
)

// openLoadCell opens the converter that the config names.
func openLoadCell(c LoadCellConfig) (converterReader, error) {
	if c.Raw != "" {
		return openIIO(c.Raw, c.Rate)
	}
	// The kernel lets messages to a part through that a driver of its own has, and the two
	// would write each other's settings away; it refuses to give the address (I2C_SLAVE,
	// linux/i2c-dev.h).
	fd, err := unix.Open(fmt.Sprintf("/dev/i2c-%d", c.NAU7802), unix.O_RDWR|unix.O_CLOEXEC, 0)
	if err == nil {
		err = errors.Join(unix.IoctlSetInt(fd, 0x0703, nauAddress), unix.Close(fd))
	}
	if errors.Is(err, unix.EBUSY) {
		return nil, fmt.Errorf("a driver of the kernel has the part at 2Ah on i2c-%d (%w); name its channel instead (device = \"iio:deviceN/in_voltage0_raw\", see /sys/bus/iio/devices), or take the part out of the device tree", c.NAU7802, err)
	}
	// By number, without periph's registry: that would look through every bus
	// and every legacy pin of the computer to find the one that is named.
	bus, err := sysfs.NewI2C(c.NAU7802)
	if err != nil {
		return nil, fmt.Errorf("open bus %d: %w; is I²C enabled, and may this user open /dev/i2c-%d?", c.NAU7802, err, c.NAU7802)
	}
	n, err := newNAU7802(bus, c.Rate, time.Sleep, bus.Close)
	if err != nil {
		_ = bus.Close() // the error that counts is the first
		return nil, err
	}
	return n, nil
}

// Counts calls fn for every conversion; see Board.
func (g *gpio) Counts(ctx context.Context, fn func(Count)) error {
	if g.cell == nil {
		<-ctx.Done()
		return nil
	}
	pumpCounts(ctx, g.now, g.rate, g.cell, fn)
	return nil
}
