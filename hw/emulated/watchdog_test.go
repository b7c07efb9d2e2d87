package emulated

import (
	"testing"
	"time"
)

// The kernel's watchdog resets a board whose guard stands still, and not one
// whose guard ended as it should.
//
//fault:row the computer hangs | its hardware watchdog resets it
func TestEmulatedWatchdog(t *testing.T) {
	if testing.Short() {
		t.Skip("boots a computer; left out with -short")
	}
	// softdog gives a watchdog without any hardware.
	r := boot(t, Config{Modules: []string{"softdog"}}, layouts...)
	r.do("ls /dev/watchdog")
	r.guard(hangPad, true)
	r.end()
	time.Sleep(hangTimeout + time.Second)
	r.do("true") // it still answers

	r.guard(hangPad, false)
	time.Sleep(hangTimeout + time.Second)
	r.do("true") // fed, it stays on
	began := time.Now()
	r.do("kill -STOP $GUARD")
	must(t, r.m.WaitEnd(patience))
	t.Logf("reset %v after the guard stood still; the watchdog is set to %v", time.Since(began).Round(10*time.Millisecond), hangTimeout)
}
