package hw

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"
)

// LoadCellConfig states which converter of this computer reads the load cell.
// The zero value is none.
type LoadCellConfig struct {
	// Raw is the file of one channel of Linux industrial I/O, such as
	// /sys/bus/iio/devices/iio:device0/in_voltage0_raw. Reading it makes a
	// conversion, or waits for one.
	Raw string
	// NAU7802 is the number of the I²C bus that has such a converter, driven
	// from here; used where Raw is empty and Fitted is set.
	NAU7802 int
	// Fitted reports whether there is a converter.
	Fitted bool
	// Rate is conversions a second, 1 to 1000; a NAU7802 has 10, 20, 40, 80
	// and 320.
	Rate float64
}

func (c *LoadCellConfig) check() error {
	switch {
	case !c.Fitted:
		return nil
	case !(c.Rate >= 1 && c.Rate <= 1000):
		return fmt.Errorf("load cell: the rate must be from 1 to 1000 conversions a second (got %v)", c.Rate)
	case c.Raw == "" && c.NAU7802 < 0:
		return fmt.Errorf("load cell: an I²C bus has a number from 0 (got %d)", c.NAU7802)
	case c.Raw == "" && nauRate(c.Rate) < 0:
		return fmt.Errorf("load cell: a NAU7802 makes 10, 20, 40, 80 or 320 conversions a second (got %v)", c.Rate)
	}
	return nil
}

// converterReader is a load cell's converter. It belongs to one goroutine.
type converterReader interface {
	// next waits for the next conversion. It may wait for longer than a
	// conversion takes; the watch over it is not its own.
	next() (int32, error)
	close() error
}

// Ours: a conversion is late after this many periods. Two can beat against a
// reader that comes just too early; more is one missing.
const lateAfter = 2.5

// pumpCounts calls fn for every conversion until ctx ends, and with a failed
// one whenever none came in time, once a period: a converter that falls silent
// is told as surely as one that answers with an error. A reader that is stuck
// inside the kernel is left behind when ctx ends; it holds nothing but its file.
func pumpCounts(ctx context.Context, now func() time.Duration, rate float64, r converterReader, fn func(Count)) {
	period := time.Duration(float64(time.Second) / rate)
	late := time.Duration(lateAfter * float64(period))
	got := make(chan Count)
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	go func() {
		for ctx.Err() == nil {
			v, err := r.next()
			c := Count{Value: v, At: now(), Failed: err != nil}
			if err != nil {
				c.Value = 0
			}
			select {
			case got <- c:
			case <-ctx.Done():
				return
			}
			if err != nil {
				select { // a failed read comes back at once; do not spin
				case <-time.After(period):
				case <-ctx.Done():
				}
			}
		}
	}()
	watch := time.NewTimer(late)
	defer watch.Stop()
	for {
		select {
		case c := <-got:
			fn(c)
			watch.Reset(late)
		case <-watch.C:
			fn(Count{At: now(), Failed: true})
			watch.Reset(period)
		case <-ctx.Done():
			return
		}
	}
}

// iioReader reads one channel of Linux industrial I/O.
type iioReader struct {
	file   *os.File
	offset int64 // is taken off every count
	period time.Duration
	due    time.Time
	buf    [32]byte
}

// offsetBinary are kernel drivers that give a 24-bit count with half its range
// added, so that no load is near 8388608; everything here wants two's
// complement. Source: linux, drivers/iio/adc/hx711.c (fact only).
var offsetBinary = map[string]int64{"hx711": 1 << 23}

func openIIO(path string, rate float64) (*iioReader, error) {
	// A pipe would hold the start up, and opening some devices acts.
	if info, err := os.Stat(path); err == nil && !info.Mode().IsRegular() {
		return nil, fmt.Errorf("%s is no regular file; name the converter's channel under /sys/bus/iio/devices", path)
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("%w; look for the converter's channel under /sys/bus/iio/devices", err)
	}
	r := &iioReader{file: f, period: time.Duration(float64(time.Second) / rate)}
	if name, err := os.ReadFile(filepath.Join(filepath.Dir(path), "name")); err == nil {
		r.offset = offsetBinary[strings.TrimSpace(string(name))]
	}
	if _, err := r.read(); err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return r, nil
}

// next reads at the converter's rate. A driver that waits for its conversion
// sets the pace by itself.
func (r *iioReader) next() (int32, error) {
	now := time.Now()
	if wait := r.due.Sub(now); wait > 0 {
		time.Sleep(wait)
		now = r.due
	}
	r.due = now.Add(r.period)
	return r.read()
}

func (r *iioReader) read() (int32, error) {
	n, err := r.file.ReadAt(r.buf[:], 0)
	if n == 0 && err != nil {
		return 0, fmt.Errorf("read a count from %s: %w", r.file.Name(), err)
	}
	text := strings.TrimSpace(string(r.buf[:n]))
	v, err := strconv.ParseInt(text, 10, 64)
	v -= r.offset
	if err != nil || v < math.MinInt32 || v > math.MaxInt32 {
		return 0, fmt.Errorf("%s: want a whole number of 32 bits (got %q); name the channel's raw file", r.file.Name(), clip(text))
	}
	return int32(v), nil
}

func (r *iioReader) close() error { return r.file.Close() }
