// Package commission tests a pad's real outputs and inputs with its crew, one
// plain sentence at a time, and keeps the dated record on which a guard starts.
//
// It promises: the relay is off whenever a question waits for its answer and
// when a run ends, however it ends; nothing counts as passed that was skipped,
// failed or broken off; a record is whole or not there. It never flies
// anything, never sends a byte to the craft, and never runs beside a guard.
package commission
