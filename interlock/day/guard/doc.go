// Package guard is the live loop: one goroutine owns the engine, takes raw
// chunks from a bounded inbox, drives relay, heartbeat, buzzer and lamp, and
// hands records to a writer that can never hold it up.
//
// It promises: the relay is written before anything is logged; old data gives
// way to new; a heartbeat edge comes only from a loop that runs; after a stall
// nothing closes again by itself. It has no network listener and sends nothing
// to the craft.
//
// Readers and loop share the inbox under one lock, which is held for the copy of one
// chunk and for nothing else. A line of the kill chain that could not be written is
// tried again in its safe level, the relay always off, and each answers for itself.
//
// It trusts the engine to say when the relay opens, the clock to run on, the hooks
// that take records and pictures not to block, and the external watchdog to let go
// where a turn never ends.
package guard
