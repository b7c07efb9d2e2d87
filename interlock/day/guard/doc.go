// Package guard is the live loop: one goroutine owns the engine, reads the links and
// takes what others left in bounded lanes, drives relay, heartbeat, buzzer and lamp, and
// hands records to a writer that can never hold it up.
//
// It promises: the relay is written before anything is logged; a word of the craft waits
// for no other goroutine; what is older than a stall is thrown away and counted; a
// heartbeat edge comes only from a loop that runs; after a stall nothing closes again by
// itself. It has no network listener and sends nothing to the craft.
//
// The loop waits for no lock: those who leave something share one of their own, and what
// is shown is left out while somebody copies it. A line of the kill chain that could not
// be written is tried again in its safe level, the relay always off, and each answers
// for itself.
//
// It trusts the engine to say when the relay opens, the clock to run on, reads and
// writes of descriptors not to wait, the hooks that take records and pictures not to
// block, and the external watchdog to let go where a turn never ends.
package guard
