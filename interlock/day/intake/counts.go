package intake

import (
	"slices"
	"unicode/utf8"
)

// What is asked of an intake, and of its chunks, beside the inputs.

// CountsTo puts what came in so far into dst, whose slice is used again: for a loop that
// must not allocate.
func (in *Intake) CountsTo(dst *Counts) {
	in.decoderCounts(dst)
	dst.LostChunks += in.n.LostChunks
	dst.BadRecords += in.n.BadRecords
	dst.FailedReads += in.n.FailedReads
}

// decoderCounts puts the decoder's counts into dst, none where it panics.
func (in *Intake) decoderCounts(dst *Counts) {
	defer func() {
		if recover() != nil {
			*dst = Counts{Links: dst.Links[:0]}
		}
	}()
	in.decoder.CountsTo(dst)
}

// DecodeHost reads the payload of a host chunk. ok is false when it is too
// short, or names an event, a flag or a channel that does not exist, or its
// text is not UTF-8.
func DecodeHost(b []byte) (m HostMessage, ok bool) {
	in, ok := hostInput(b)
	if !ok || !utf8.Valid(b[hostSize:]) {
		return HostMessage{}, false
	}
	return HostMessage{Host: in.Host, On: in.On, Seq: in.Seq, Channel: in.Sample.Channel, Text: string(b[hostSize:])}, true
}

// Clone returns a second intake in the same state, for a proof or a search that goes
// on from one point in several ways. It shares the field table and the room for a
// frame's samples, which are used within a call only: the two must not be used by two
// goroutines at once. Call it between chunks.
func (in *Intake) Clone() *Intake {
	c := *in
	d := *in.decoder.(*decoder)
	d.links = slices.Clone(d.links)
	c.decoder = &d
	return &c
}
