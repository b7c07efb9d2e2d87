// Package triplog is the trip log: one JSON line for each decision and event,
// appended to trips.jsonl and chained by SHA-256, so that a line changed, cut
// out or moved afterwards is found and named.
//
// It promises: a line given as durable is on the disk when Append returns nil;
// a failed write or sync is never tried again on the same file, but everything
// since the last good sync is written anew to the next one (trips-2.jsonl and
// on), whose first line carries the chain on; and Verify works on the raw bytes
// and tells a tail torn by a power cut from a change made by hand.
//
// The chain has no key. It finds accident and careless editing, not somebody
// who writes the whole log anew: for that the last head also stands in the
// recording and on the report.
//
// It never decides anything, never starts a goroutine and never reads a clock.
// A Log belongs to one goroutine.
package triplog
