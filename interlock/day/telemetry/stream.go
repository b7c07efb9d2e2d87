package telemetry

// Stream finds frames in a stream of bytes that comes in pieces of any size.
// It keeps at most one unfinished frame between pieces, and gives the same
// frames and the same counts however the stream is split. The zero Stream is
// ready: Feed it a piece, then ask Next until it says false.
type Stream struct {
	Scanner

	rest []byte // of the piece at hand; the caller's own
	held int    // bytes kept from earlier pieces, at kept[from:]
	from int
	// kept holds an unfinished frame (at most longestFrame-1 bytes) and enough
	// room behind it for any start inside it to be finished.
	kept [2 * longestFrame]byte
}

// Feed gives the next piece. It must not change until Next has said false; if
// Next was not asked that often, what it left of the piece before is lost and
// counted in BadBytes.
func (s *Stream) Feed(piece []byte) {
	s.Counts.BadBytes += uint64(len(s.rest))
	s.rest = piece
}

// Next is the next frame; false means that another piece is needed. The frame
// is valid until the next call of Next, Feed or Drop.
func (s *Stream) Next() (f Frame, ok bool) {
	for s.held > 0 {
		copy(s.kept[:], s.kept[s.from:s.from+s.held])
		s.from = 0
		lent := copy(s.kept[s.held:], s.rest)
		used, ok := s.NextInto(&f, s.kept[:s.held+lent], false)
		switch {
		case used >= s.held:
			s.rest, s.held = s.rest[used-s.held:], 0
		case !ok:
			// The start at used reaches past everything there is: a start in
			// the kept bytes has room for the longest frame behind it.
			s.from, s.held = used, s.held+lent-used
			s.rest = nil
			return Frame{}, false
		default:
			s.from, s.held = used, s.held-used
		}
		if ok {
			return f, true
		}
	}
	used, ok := s.NextInto(&f, s.rest, false)
	s.rest = s.rest[used:]
	if !ok {
		s.from, s.held = 0, copy(s.kept[:], s.rest)
		s.rest = nil
	}
	return f, ok
}

// Drop throws the unfinished frame away: the line was broken, and what comes
// next does not belong to it. The counts stay.
func (s *Stream) Drop() {
	s.Counts.BadBytes += uint64(s.held + len(s.rest))
	s.rest, s.held, s.from = nil, 0, 0
}
