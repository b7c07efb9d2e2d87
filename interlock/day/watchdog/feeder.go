package watchdog

import (
	"time"

	"github.com/coreos/go-systemd/v22/daemon"
)

// Sender sends one datagram without waiting. An error means that it was not
// sent; it may be tried again.
type Sender interface{ Send(b []byte) error }

// Device is a hardware watchdog that is armed.
type Device interface {
	// Feed keeps it from resetting the board for one more timeout.
	Feed() error
	// Disarm lets it rest and closes it.
	Disarm() error
	// Close closes it armed: the board is reset when its timeout is over.
	Close() error
}

// Feeder feeds the watchdogs from the loop's own turns. Its methods belong to
// the loop's goroutine.
type Feeder struct {
	// Manager is the service manager's socket, nil for none; Interval is the
	// time within which it wants to hear, 0 if it does not watch.
	Manager  Sender
	Interval time.Duration
	// Device is the hardware watchdog, nil for none; Timeout is its time.
	Device  Device
	Timeout time.Duration

	ready    bool
	pingAt   time.Duration
	feedAt   time.Duration
	status   []byte
	fresh    bool // status was not sent yet
	failures uint64
	last     error
}

// The messages are those of the manager's protocol (sd_notify(3)).
var (
	readyText    = []byte(daemon.SdNotifyReady)
	watchdogText = []byte(daemon.SdNotifyWatchdog)
	stoppingText = []byte(daemon.SdNotifyStopping)
)

// Turned reports whether the loop has turned at this time. The first call tells
// the manager that the service is ready. The manager is fed at half its interval, as
// sd_watchdog_enabled(3) asks, the device at a quarter of its timeout: both as
// exactly as the loop turns, which is every 100 ms at least.
func (f *Feeder) Turned(now time.Duration) {
	if f.Device != nil && now >= f.feedAt {
		if err := f.Device.Feed(); err != nil {
			f.fail(err)
		} else {
			f.feedAt = now + f.Timeout/4
		}
	}
	if f.Manager == nil {
		return
	}
	if !f.ready {
		f.ready = f.send(readyText)
	}
	if f.Interval > 0 && now >= f.pingAt && f.send(watchdogText) {
		f.pingAt = now + f.Interval/2
	}
	if f.fresh && f.send(f.status) {
		f.fresh = false
	}
}

// Says gives the sentence that the manager shows as the service's status. It
// goes with the next turn.
func (f *Feeder) Says(sentence string) {
	f.status = append(append(f.status[:0], "STATUS="...), sentence...)
	f.fresh = true
}

// Stopping reports whether the service ends by order.
func (f *Feeder) Stopping() {
	if f.Manager != nil {
		f.send(stoppingText)
	}
}

// Trouble is the last failure to feed or to tell, and how many there were.
func (f *Feeder) Trouble() (failures uint64, last error) { return f.failures, f.last }

func (f *Feeder) send(b []byte) bool {
	err := f.Manager.Send(b)
	if err != nil {
		f.fail(err)
	}
	return err == nil
}

func (f *Feeder) fail(err error) {
	f.failures++
	f.last = err
}
