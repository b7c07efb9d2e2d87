package signing

import (
	"crypto/sha256"
	"crypto/subtle"
	"time"

	"downhaul/interlock/day/telemetry"
)

// Stamp is the standard's timestamp of a signature: units of 10 µs since
// 1 January 2015, UTC, in 48 bits.
type Stamp uint64

const (
	stampUnit = 10 * time.Microsecond
	stampEnd  = Stamp(1) << 48
	// stampMinute is how far behind the clock a frame may be by the standard
	// (MAVLink, message signing, "Timestamp handling": 6,000,000 units). That
	// one may not be further ahead is ours: a stamp of the far future would
	// lock out every later frame.
	stampMinute = Stamp(time.Minute / stampUnit)
)

// stampZero is when stamps begin.
var stampZero = time.Date(2015, 1, 1, 0, 0, 0, 0, time.UTC)

// StampOf is the stamp of a wall clock's time; 0 for one before stamps begin,
// as a clock that nobody has set shows.
func StampOf(wall time.Time) Stamp {
	if d := wall.Sub(stampZero); d > 0 {
		return min(Stamp(d/stampUnit), stampEnd-1)
	}
	return 0
}

// The layout of the 13 bytes behind a frame's checksum: link number, stamp and
// signature.
const (
	tailSize      = 13
	signatureSize = 6
	// idRadioStatus is RADIO_STATUS, which the radios put in and cannot sign;
	// the standard lets it pass. It carries no word of the craft.
	idRadioStatus = 109
)

// streamsMost bounds how many link numbers of the craft are told apart.
const streamsMost = 16

// Counts are the frames under the craft's name by what became of them.
type Counts struct {
	Passed   uint64 `json:"passed"`
	Unsigned uint64 `json:"unsigned"`  // version 1 or without a signature
	WrongKey uint64 `json:"wrong_key"` // the signature does not fit
	Repeated uint64 `json:"repeated"`  // not newer than the last of its stream
	Behind   uint64 `json:"behind"`    // over a minute behind the clock
	Ahead    uint64 `json:"ahead"`     // over a minute ahead of it
	Streams  uint64 `json:"streams"`   // of one link number too many
}

// stream is the last stamp under one link number of the craft.
type stream struct {
	Link byte  `json:"link"`
	Last Stamp `json:"last"`
}

// Door lets the craft's signed frames in. It belongs to one goroutine; CopyTo is for the
// others.
type Door struct {
	key               Key
	system, component uint8
	base              Stamp              // the clock's at engine time 0
	lines             []telemetry.Stream // by link number, of streams
	Passed
}

// Passed is what passed a door, and what became of all that came.
type Passed struct {
	Newest  Stamp // of any frame that passed
	Streams []stream
	Counts  Counts
}

// CopyTo copies what passed so far; dst keeps its room.
func (d *Door) CopyTo(dst *Passed) {
	*dst = Passed{d.Newest, append(dst.Streams[:0], d.Streams...), d.Counts}
}

// NewDoor makes the door for links 0 to links−1. wall is the host's clock at
// engine time 0, read once: a clock that is stepped later changes nothing. seen
// is what passed before, from Door.Seen; its zero value is nothing.
func NewDoor(key Key, system, component uint8, links int, wall time.Time, seen Seen) *Door {
	d := &Door{key: key, system: system, component: component, lines: make([]telemetry.Stream, links), base: StampOf(wall)}
	if seen.Key == key.mark() {
		d.Newest = seen.Newest
		d.Streams = append(d.Streams, seen.Streams...)
	}
	return d
}

// Datagram appends to dst the frames of one datagram that pass, as they came.
func (d *Door) Datagram(dst []byte, at time.Duration, b []byte) []byte {
	var s telemetry.Scanner
	var f telemetry.Frame
	for used, ok := s.NextInto(&f, b, true); ok; used, ok = s.NextInto(&f, b, true) {
		b = b[used:]
		dst = d.pass(dst, at, &f)
	}
	return dst
}

// Stream appends to dst the frames that a piece of a stream completes and that
// pass. link is under the number given to NewDoor.
func (d *Door) Stream(dst []byte, at time.Duration, link uint8, piece []byte) []byte {
	s := &d.lines[link]
	s.Feed(piece)
	for f, ok := s.Next(); ok; f, ok = s.Next() {
		dst = d.pass(dst, at, &f)
	}
	return dst
}

// Unsigned reports whether a frame passes under any name without a signature.
func Unsigned(f *telemetry.Frame) bool { return f.ID == idRadioStatus }

func (d *Door) pass(dst []byte, at time.Duration, f *telemetry.Frame) []byte {
	named := f.System == d.system && f.Component == d.component
	if !named || Unsigned(f) {
		return append(dst, f.Raw...)
	}
	if n := d.judge(at, f); n != &d.Counts.Passed {
		*n++
		return dst
	}
	d.Counts.Passed++
	return append(dst, f.Raw...)
}

// judge returns under what a frame of the craft counts, and notes its stamp when it
// passes.
func (d *Door) judge(at time.Duration, f *telemetry.Frame) *uint64 {
	if !f.Signed {
		return &d.Counts.Unsigned
	}
	body, tail := f.Raw[:len(f.Raw)-signatureSize], f.Raw[len(f.Raw)-tailSize:]
	if !d.key.signed(body, tail[tailSize-signatureSize:]) {
		return &d.Counts.WrongKey
	}
	link, stamp := tail[0], Stamp(0)
	for i := range 6 {
		stamp |= Stamp(tail[1+i]) << (8 * i)
	}
	now := max(d.base+Stamp(max(0, at)/stampUnit), d.Newest)
	switch {
	case stamp > now+stampMinute:
		return &d.Counts.Ahead
	case stamp+stampMinute < now:
		return &d.Counts.Behind
	}
	k := 0
	for k < len(d.Streams) && d.Streams[k].Link != link {
		k++
	}
	switch {
	case k == streamsMost:
		return &d.Counts.Streams
	case k == len(d.Streams):
		d.Streams = append(d.Streams, stream{Link: link})
	case stamp <= d.Streams[k].Last:
		return &d.Counts.Repeated
	}
	d.Streams[k].Last = stamp
	d.Newest = max(d.Newest, stamp)
	return &d.Counts.Passed
}

// signed reports whether the signature is that of the standard: the first 48 bits
// of SHA-256 over the key and the frame from its first byte to the stamp.
func (k *Key) signed(body, signature []byte) bool {
	h := sha256.New()
	h.Write(k[:])
	h.Write(body)
	var sum [sha256.Size]byte
	return subtle.ConstantTimeCompare(h.Sum(sum[:0])[:signatureSize], signature) == 1
}
