// Package link reads raw telemetry bytes from a UDP socket, a TCP server or a
// serial line and hands them over as they come.
//
// It promises: it is passive, not one byte is ever sent; it never decodes and
// never keeps data back; a datagram arrives whole, up to the largest there is;
// every loss and return of a stream is said; it ends soon after its context.
//
// It never waits for what became of the bytes: the callbacks run on the reading
// goroutine and must only copy and go. While a callback dawdles the kernel's
// own queue fills, and then drops what is newest. A line that is merely silent
// is no event: the engine sees silence by the age of the last frame.
package link
