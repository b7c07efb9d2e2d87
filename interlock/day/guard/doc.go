// Package guard is the live loop: one goroutine owns the engine, reads the links and
// takes what others left in bounded lanes, drives relay, heartbeat, buzzer and lamp, and
// hands records to a writer that can never hold it up.
//
// It promises: the relay is written before anything is logged; a word of the craft waits
// for no other goroutine; what is older than a stall is thrown away and counted; a
// heartbeat edge comes only from a loop that runs; after a stall nothing closes again by
// itself. It has no network listener and sends nothing to the craft.
//
// The loop shares no lock, channel or timer with any other thread: those who leave something
// share a lock of their own, what is shown is a copy, and what others do for it goes by a
// ring (TestTheLoopSharesNoLock in rules/architecture). The load cell has a goroutine of its
// own: to read its converter is to wait for a conversion, up to 100 ms. A line of the kill
// chain that could not be written is tried again in its safe level, the relay always off,
// and each answers for itself.
//
// It trusts the engine to say when the relay opens, the clock to run on, reads and
// writes of descriptors not to wait, the hooks that take records and pictures not to
// block, and the external watchdog to let go where a turn never ends.
package guard
