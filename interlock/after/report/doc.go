// Package report says afterwards what happened: it reads sessions and makes a
// terminal summary, one page that opens anywhere, an object for scripts, and
// tables of any channel.
//
// It promises: what it says of decisions is what the trip log says, and what it
// says of channels is what the recording gives through the guard's own intake
// and calculators; what is missing or doubtful is said where it matters, and
// the rest is still reported; its memory does not grow with the length of a
// recording, but for lists that are bounded; and the same sessions give the
// same report, byte for byte.
//
// It never writes a file, never decides anything, and never asks a
// network for anything: the page carries all that it shows.
package report
