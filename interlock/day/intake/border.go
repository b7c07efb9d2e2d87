package intake

import "downhaul/interlock"

// Decoder is what reads links and sensors for an Intake. It may be wrong: the Intake
// lets through only what a decoder has to say.
type Decoder interface {
	// Append adds the samples and signs of life of one chunk to dst, for Step at c.At.
	Append(dst []interlock.Input, c *Chunk) []interlock.Input
	// CountsTo puts what came in so far into dst, whose slice is used again.
	CountsTo(dst *Counts)
}

// Intake turns chunks into inputs. It is one session's: all its state comes
// from the chunks it was given, in their order.
type Intake struct {
	lines    [interlock.LineCount]LineConfig
	decoder  Decoder
	n        Counts
	chunk    Chunk       // a copy of the one at hand: the decoder gets this, and may spoil it
	broken   bool        // the decoder has panicked, and is asked nothing any more
	panicked func(p any) // is told of it; nil is nobody
}

// Around makes the intake of a pad with those lines that has d read the rest.
func Around(lines [interlock.LineCount]LineConfig, d Decoder) *Intake {
	return &Intake{lines: lines, decoder: d}
}

// WhenBroken has f told, in the very call, what the decoder panicked with.
func (in *Intake) WhenBroken(f func(p any)) { in.panicked = f }

// Append adds the inputs of one chunk to dst, all for Step at c.At, in the
// order they are to be stepped. A lost chunk is told before what came after
// it. c stays as it is, and neither it nor its bytes are kept.
func (in *Intake) Append(dst []interlock.Input, c *Chunk) []interlock.Input {
	if c.Source == Decisions {
		return dst
	}
	if c.Lost > 0 {
		in.n.LostChunks += uint64(c.Lost)
		dst = append(dst, interlock.Input{Kind: interlock.HostInput, Host: interlock.HostLost, On: true, Seq: c.Lost})
	}
	switch c.Source {
	case HostEvent:
		return in.appendHost(dst, c.Bytes)
	case Pins:
		dst = in.appendPins(dst, c.Bytes)
	case Telemetry, Wind, LoadCell:
	default:
		in.n.BadRecords++
		return dst
	}
	in.chunk = *c
	return in.decoded(dst)
}

// decoded adds what the decoder says of a chunk, where that is a decoder's to say:
// samples, signs of life and clashes of identity. Lines and the host's words are never
// taken from it. Where it panics, that is all that this chunk says.
func (in *Intake) decoded(dst []interlock.Input) (out []interlock.Input) {
	if in.broken {
		return dst
	}
	defer func() {
		if p := recover(); p != nil {
			in.broken = true
			out = append(dst, interlock.Input{Kind: interlock.HostInput, Host: interlock.HostBroken, On: true})
			if in.panicked != nil {
				in.panicked(p)
			}
		}
	}()
	// It gets the room behind dst, and so cannot touch what stands there.
	said := in.decoder.Append(dst[len(dst):], &in.chunk)
	n := 0
	for i := range said {
		switch x := &said[i]; {
		case x.Kind == interlock.SampleInput, x.Kind == interlock.FrameInput, x.Kind == interlock.HostInput && x.Host == interlock.HostClash:
			if n < i {
				said[n] = *x
			}
			n++
		}
	}
	if len(dst) == 0 {
		return said[:n]
	}
	return append(dst, said[:n]...)
}
