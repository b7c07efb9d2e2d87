// Package recording reads recordings as chunks: the guard's own (see recorder),
// pcapng and pcap captures of a telemetry link made by any capture tool, and raw
// MAVLink bytes with anything between the frames.
//
// It promises: a chunk that recorder wrote comes back with the same time, number,
// source, link, losses, addresses and bytes; the engine times that a Reader gives
// never decrease, and where a clock was set it is said; a torn end is told apart from a damaged middle; memory is bounded whatever the
// file says; and a file that is none of the three is refused with what it looks
// like and what to do.
//
// Damaged bytes within a block mostly go unseen: pcapng and pcap have no checksum.
// With PastDamage a capture is read on behind a damaged block or record, and what
// was left out is told. Datagrams that were split on their way are put together.
// Integrity comes from the frames' own checksums and from the trip log.
//
// It never decides anything, never starts a goroutine and never reads a clock.
package recording
