package intake

import (
	"encoding/binary"
	"time"

	"downhaul/interlock"
	"downhaul/rules"
)

// LoadCellConfig is the load cell at the anchor and its converter.
type LoadCellConfig struct {
	// Fitted is false when the pad has none; its chunks then give nothing.
	Fitted bool
	// Zero is the count at no load.
	Zero int32
	// NewtonsPerCount is the calibration, not 0; negative when the count
	// falls as tension grows.
	NewtonsPerCount float64
	// Low and High are the counts at which the bridge or amplifier is at the
	// end of its range, both included; both 0 leaves the converter's own ends.
	Low, High int32
}

// Published: a 24-bit converter's two's complement output clips at 800000h and
// 7FFFFFh (data sheet of the HX711 converter, p. 4, as quoted in public sources).
const (
	countHigh = 0x7FFFFF
	countLow  = -0x800000
)

// allOnes is what a converter with its data line held high reads: common
// practice, no source. A true −1 is given up with it.
const allOnes = -1

// Count is one record of a load cell chunk.
type Count struct {
	// At is the engine time of the conversion.
	At time.Duration
	// Value is the converter's count, its sign already extended from 24 bits.
	Value int32
	// Failed reports whether the conversion could not be read.
	Failed bool
}

// CountSize is the length in bytes of one record of a load cell chunk: count
// (int32), engine time in ns (int64), failed, little-endian.
const CountSize = 13

// AppendCounts adds the records of counts to dst: the payload of a load cell
// chunk.
func AppendCounts(dst []byte, counts []Count) []byte {
	for _, c := range counts {
		dst = binary.LittleEndian.AppendUint32(dst, uint32(c.Value))
		dst = binary.LittleEndian.AppendUint64(dst, uint64(c.At))
		var failed byte
		if c.Failed {
			failed = 1
		}
		dst = append(dst, failed)
	}
	return dst
}

// decodeCount reads the first record of b. ok is false, and nothing is read,
// when b is too short or its flag is neither 0 nor 1.
func decodeCount(b []byte) (c Count, ok bool) {
	if len(b) < CountSize || b[12] > 1 {
		return Count{}, false
	}
	return Count{
		Value:  int32(binary.LittleEndian.Uint32(b)),
		At:     time.Duration(binary.LittleEndian.Uint64(b[4:])),
		Failed: b[12] == 1,
	}, true
}

// tension is the sample of one conversion: F = (count − zero)·scale.
func (c *LoadCellConfig) tension(r Count) interlock.Sample {
	const id = rules.Tension
	switch v := r.Value; {
	case r.Failed:
		return missing(id, rules.SensorFailed)
	case v <= countLow || v >= countHigh || v == allOnes:
		return missing(id, rules.Saturated)
	case (c.Low != 0 || c.High != 0) && (v <= c.Low || v >= c.High):
		return missing(id, rules.Saturated)
	default:
		return measured(id, float64(float64(int64(v)-int64(c.Zero))*c.NewtonsPerCount))
	}
}

// append takes one load cell chunk; a record cut short ends it.
func (c *LoadCellConfig) append(dst []interlock.Input, b []byte, n *Counts) []interlock.Input {
	if !c.Fitted {
		return dst
	}
	for len(b) > 0 {
		r, ok := decodeCount(b)
		if !ok {
			n.BadRecords++
			return append(dst, sampleInput(missing(rules.Tension, rules.SensorFailed)))
		}
		if r.Failed {
			n.FailedReads++
		}
		dst = append(dst, sampleInput(c.tension(r)))
		b = b[CountSize:]
	}
	return dst
}
