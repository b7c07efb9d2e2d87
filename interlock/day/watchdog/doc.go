// Package watchdog is what watches over the guard's own process: the service
// manager's watchdog, the computer's hardware watchdog, and the memory and the
// thread that a loop in time needs.
//
// It promises: only a loop that turns feeds a watchdog, never a goroutine of
// its own; nothing here waits for anybody; the hardware watchdog is disarmed
// by one call alone, and by no crash, kill or exit. It never touches relay,
// heartbeat or engine.
package watchdog
