// Package link opens a UDP socket, a TCP server or a serial line for whoever reads raw
// telemetry bytes.
//
// It promises: it is passive, not one byte is ever sent; it never decodes and
// never keeps data back; a datagram arrives whole, up to the largest there is;
// every loss and return of a stream is said; a read never waits.
//
// On Linux the reader has the kernel's own descriptors, and waits for them all in one
// call (Waiter): between a datagram and its reader stands nobody. Opening, connecting and
// trying again, which may wait, are the work of a helper. While nobody reads, the
// kernel's queue fills, and then drops what is newest; that is counted. A line that is
// merely silent is no event: the engine sees silence by the age of the last frame.
package link
