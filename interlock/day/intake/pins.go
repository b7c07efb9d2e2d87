package intake

import (
	"encoding/binary"

	"downhaul/interlock"
)

// LineConfig is the wiring of one input line.
type LineConfig struct {
	Fitted bool // false when the pad has no such line; it then gives nothing
	// Invert is true when the electrical high level means Off. On is always
	// the meaning that interlock.Line gives: for a contact that opens when
	// pressed and pulls the line high while closed, On is high.
	Invert bool
}

// pinsSize is the length in bytes of a pins chunk: flags, then the levels
// (uint32, little-endian), bit i the electrical level of interlock.Line i.
const pinsSize = 5

const pinsFailed = 1

// AppendPins adds the payload of a pins chunk to dst. With failed the
// lines could not be read: levels are 0 then, and nothing is fed, so that the
// lines grow stale. A failed read is never a level.
func AppendPins(dst []byte, levels uint32, failed bool) []byte {
	var flags byte
	if failed {
		flags, levels = pinsFailed, 0
	}
	dst = append(dst, flags)
	return binary.LittleEndian.AppendUint32(dst, levels)
}

// DecodePins reads a pins payload. ok is false when it is none.
func DecodePins(b []byte) (levels uint32, failed, ok bool) {
	if len(b) != pinsSize || b[0] > pinsFailed {
		return 0, false, false
	}
	return binary.LittleEndian.Uint32(b[1:]), b[0] == pinsFailed, true
}

// pinOrder is the order in which one reading of the lines is told: what opens
// the relay before what ends a run, and that before what readies or starts one.
var pinOrder = [interlock.LineCount]interlock.Line{
	interlock.EStopA, interlock.EStopB, interlock.Readback, interlock.Gate,
	interlock.Hold, interlock.End, interlock.Reset, interlock.Start,
}

// appendPins adds one input for every fitted line of one pins chunk.
func (in *Intake) appendPins(dst []interlock.Input, b []byte) []interlock.Input {
	levels, failed, ok := DecodePins(b)
	if !ok {
		in.n.BadRecords++
		return dst
	}
	if failed {
		in.n.FailedReads++
		return dst
	}
	for _, l := range pinOrder {
		c := &in.lines[l]
		if !c.Fitted {
			continue
		}
		on := levels>>l&1 == 1
		dst = append(dst, interlock.Input{Kind: interlock.LineInput, Line: l, On: on != c.Invert})
	}
	return dst
}
