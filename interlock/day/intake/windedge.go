package intake

import (
	"encoding/binary"
	"time"
)

// WindEdge is one record of a wind chunk.
type WindEdge struct {
	// At is the engine time of the edge.
	At time.Duration
	// Rise is true for a change to the electrical high level.
	Rise bool
	// Failed reports whether the line could not be watched; it is no edge.
	Failed bool
	// Lost counts edges known to be lost just before this record; larger
	// counts are written as 65535.
	Lost uint16
}

// WindEdgeSize is the length in bytes of one record of a wind chunk: engine
// time in ns (int64), flags, lost (uint16), little-endian.
const WindEdgeSize = 11

const (
	windRise   = 1
	windFailed = 2
)

// AppendWindEdges adds the records of edges to dst: the payload of a wind
// chunk. The guard sends one chunk every 250 ms, with no record at all when
// nothing turned.
func AppendWindEdges(dst []byte, edges []WindEdge) []byte {
	for _, e := range edges {
		var flags byte
		if e.Rise {
			flags |= windRise
		}
		if e.Failed {
			flags |= windFailed
		}
		dst = binary.LittleEndian.AppendUint64(dst, uint64(e.At))
		dst = append(dst, flags)
		dst = binary.LittleEndian.AppendUint16(dst, e.Lost)
	}
	return dst
}

// DecodeWindEdge reads the first record of b. ok is false, and nothing is
// read, when b is too short or the flags are none of ours.
func DecodeWindEdge(b []byte) (e WindEdge, ok bool) {
	if len(b) < WindEdgeSize || b[8] > windRise|windFailed {
		return WindEdge{}, false
	}
	return WindEdge{
		At:     time.Duration(binary.LittleEndian.Uint64(b)),
		Rise:   b[8]&windRise != 0,
		Failed: b[8]&windFailed != 0,
		Lost:   binary.LittleEndian.Uint16(b[9:]),
	}, true
}
