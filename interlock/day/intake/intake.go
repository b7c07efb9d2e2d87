package intake

import (
	"fmt"

	"downhaul/interlock"
	"downhaul/interlock/day/telemetry"
)

// decoder reads links and sensors: it turns their chunks into samples and signs of
// life. All its state comes from the chunks it was given, in their order.
type decoder struct {
	cfg   Config
	links []link
	craft craft
	// controllers joins what the craft tells of its motor controllers in turn.
	controllers controllers
	currents    currents
	table       *telemetry.Fields
	wind        wind
	n           Counts
}

// Counts is what came in so far.
type Counts struct {
	// Links has one row for every telemetry link.
	Links []LinkCounts
	// Clashes counts the clashes of identity that were said.
	Clashes uint64
	// Bounces counts anemometer pulses that came within the bounce time,
	// LostEdges edges that the board knew to be lost.
	Bounces, LostEdges uint64
	// FailedReads counts readings that the board could not make: edges,
	// conversions, levels.
	FailedReads uint64
	// BadRecords counts chunks and records that are not in their form: bugs
	// of the writer, or a damaged recording.
	BadRecords uint64
	// LostChunks sums Chunk.Lost.
	LostChunks uint64
}

// LinkCounts is what came in on one telemetry link.
type LinkCounts struct {
	Frames       uint64 // accepted as the craft's
	Radio        uint64 // accepted from the link's radios
	Others       uint64 // of other senders
	WrongAddress uint64 // of the craft's identity, from elsewhere
	Repeated     uint64 // of the craft, said before, or its boot clock did not move on
	Late         uint64 // of the craft, overtaken by younger ones
	Restarts     uint64 // of the craft, boot clock back by 1 s and more
	UnknownIDs   uint64 // starts of a message whose checksum nobody knows
	BadBytes     uint64 // in no good frame
}

// New makes an intake. What can be wrong with a pad its reader has refused; the error is
// one of the field table itself.
func New(cfg Config) (*Intake, error) {
	table, err := telemetry.NewFields(cfg.Fields)
	if err != nil {
		return nil, fmt.Errorf("intake: %w", err)
	}
	d := &decoder{
		cfg: cfg, table: table, wind: newWind(cfg.Anemometer),
		links: make([]link, len(cfg.Links)),
	}
	d.controllers.declared = (cfg.Fields.Motors + 3) / 4
	for i := range d.links {
		d.links[i].cfg = cfg.Links[i]
	}
	return Around(cfg.Lines, d), nil
}

// Append is the Decoder's: it takes links and sensors, and of the pins what shows
// whether the anemometer's wire is whole.
func (in *decoder) Append(dst []interlock.Input, c *Chunk) []interlock.Input {
	switch c.Source {
	case Telemetry:
		return in.appendTelemetry(dst, c)
	case Wind:
		return in.wind.append(dst, c, &in.n)
	case LoadCell:
		return in.cfg.LoadCell.append(dst, c.Bytes, &in.n)
	case Pins:
		if levels, failed, ok := DecodePins(c.Bytes); ok && !failed {
			in.wind.loop(c.At, levels)
		}
	}
	return dst
}

// CountsTo is the Decoder's.
func (in *decoder) CountsTo(dst *Counts) {
	links := dst.Links[:0]
	for i := range in.links {
		l := &in.links[i]
		n := l.n
		n.UnknownIDs = l.whole.Counts.UnknownID + l.stream.Counts.UnknownID
		n.BadBytes = l.whole.Counts.BadBytes + l.stream.Counts.BadBytes
		links = append(links, n)
	}
	*dst = in.n
	dst.Links = links
}
