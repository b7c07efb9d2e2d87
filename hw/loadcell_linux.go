package hw

import (
	"context"
	"fmt"
	"time"

	"periph.io/x/host/v3/sysfs"
)

// openLoadCell opens the converter that the config names.
func openLoadCell(c LoadCellConfig) (converterReader, error) {
	if c.Raw != "" {
		return openIIO(c.Raw, c.Rate)
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
