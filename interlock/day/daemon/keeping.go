package daemon

import (
	"errors"
	"fmt"
	"io"
	"time"

	"downhaul/interlock/day/watchdog"
	"downhaul/interlock/pad"
)

// keeping is what watches over this process: watchdogs, and the loop's thread and memory.
type keeping struct {
	watchdog.Feeder
	say      chan<- string
	realTime bool
}

// arm opens what the pad file and the environment ask for. It comes when the
// board is open and before the first turn, so that a start that fails leaves
// no watchdog armed behind it. What is not permitted is one line of warning;
// a device that is named and not there is an error.
func (k *keeping) arm(u pad.Upkeep, real bool, stderr io.Writer) error {
	warn := func(err error) {
		if err != nil {
			fmt.Fprintf(stderr, "downhauld: %v\n", err)
		}
	}
	if k.realTime = u.RealTime; u.RealTime {
		warn(watchdog.LockMemory())
	}
	var err error
	if k.Manager, k.Interval, err = watchdog.Manager(); err != nil {
		warn(err)
	}
	if u.Device == "" {
		return nil
	}
	k.Device, k.Timeout, err = watchdog.OpenDevice(u.Device, u.Timeout)
	switch {
	case errors.Is(err, watchdog.ErrNoWatchdog) && !real:
		warn(err)
	case err != nil && k.Device != nil:
		return errors.Join(err, k.Device.Close())
	case err != nil:
		return err
	case k.Timeout != u.Timeout:
		warn(fmt.Errorf("the watchdog %s took a timeout of %v instead of %v", u.Device, k.Timeout, u.Timeout))
	}
	return nil
}

// thread makes the loop's thread one that ordinary work does not hold up.
func (k *keeping) thread() {
	if k.realTime {
		if err := watchdog.RealTime(); err != nil {
			offer(k.say, "downhauld: "+err.Error())
		}
	}
}

// offer hands a line over to be printed. It never waits: a slow terminal goes without.
func offer(say chan<- string, line string) {
	select {
	case say <- line:
	default:
	}
}

// rest ends the watching after the loop has ended. The device is disarmed only when the
// relay was verified open; else it stays armed and resets the board, as when this process
// dies: a board that cannot show its contactor open is better off with every pin off.
func (k *keeping) rest(open bool, stderr io.Writer) {
	k.Stopping()
	if n, last := k.Trouble(); n > 0 {
		fmt.Fprintf(stderr, "downhauld: the watchdogs could not be fed %d times; the last time: %v\n", n, last)
	}
	if k.Device == nil {
		return
	}
	if open {
		if err := k.Device.Disarm(); err != nil {
			fmt.Fprintf(stderr, "downhauld: disarm the watchdog: %v; the board may be reset\n", err)
		}
		return
	}
	_ = k.Device.Close()
	fmt.Fprintf(stderr, "downhauld: the relay was not seen open: the watchdog stays armed and resets this board within %v\n", k.Timeout.Round(time.Second))
}
