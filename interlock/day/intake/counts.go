package intake

import "unicode/utf8"

// What is asked of an intake, and of its chunks, beside the inputs.

// Counts returns what came in so far. The slice is the caller's own.
func (in *Intake) Counts() Counts {
	var n Counts
	in.CountsTo(&n)
	return n
}

// CountsTo is Counts into dst, whose slice is used again: for a loop that
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
	if !ok || !utf8.Valid(b[HostSize:]) {
		return HostMessage{}, false
	}
	return HostMessage{Host: in.Host, On: in.On, Seq: in.Seq, Channel: in.Sample.Channel, Text: string(b[HostSize:])}, true
}
