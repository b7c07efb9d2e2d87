// Package signing is the door of a telemetry link where the pad has a key: only
// MAVLink 2 frames of the craft that bear a good, new signature pass it.
//
// It promises: a frame under the craft's name that is unsigned, of version 1,
// signed with another key, heard before, older than its stream, a minute and
// more behind or ahead of the clock is refused and counted by its reason; what
// was heard before a restart is not heard again after it. Frames of others pass
// unsigned, because nothing is decided by them. What is refused never reaches
// the recording, so that a session replays without the key.
//
// It never signs and never sends. A signature keeps others out; it does not
// hide anything, and does not help where the key is known.
package signing
