//go:build !linux

package commission

import "time"

// Sleep waits as well as the runtime can.
func Sleep(d time.Duration) { time.Sleep(d) }
