package bench

import (
	"time"

	"downhaul/interlock/day/intake"
	"downhaul/interlock/day/telemetry"
	"downhaul/interlock/day/telemetry/words"
)

// Words keeps what a craft says in words over a recording. It decides nothing.
type Words struct {
	Craft intake.Craft
	// Said are the first mostSaid texts in order; More counts those beyond.
	Said []words.Said
	More int

	joiner  words.Joiner
	scan    telemetry.Scanner
	streams map[uint8]*telemetry.Stream
}

// mostSaid bounds the texts that are kept. Ours.
const mostSaid = 2000

// See takes a chunk of the recording.
func (w *Words) See(c *intake.Chunk) {
	switch {
	case c.Source != intake.Telemetry:
	case c.Checked != nil:
		for i := range c.Checked {
			w.hear(c.At, &c.Checked[i])
		}
	case c.From.IsValid():
		var f telemetry.Frame
		for b := c.Bytes; len(b) > 0; {
			used, ok := w.scan.NextInto(&f, b, true)
			if !ok {
				return
			}
			b = b[used:]
			w.hear(c.At, &f)
		}
	default:
		s := w.streams[c.Link]
		if s == nil {
			if w.streams == nil {
				w.streams = map[uint8]*telemetry.Stream{}
			}
			s = &telemetry.Stream{}
			w.streams[c.Link] = s
		}
		s.Feed(c.Bytes)
		for f, ok := s.Next(); ok; f, ok = s.Next() {
			w.hear(c.At, &f)
		}
	}
}

func (w *Words) hear(at time.Duration, f *telemetry.Frame) {
	if f.ID == words.ID && f.System == w.Craft.System && f.Component == w.Craft.Component {
		w.joiner.Hear(at, f, w.say)
	}
}

// End hands over a text whose end did not come.
func (w *Words) End() { w.joiner.End(w.say) }

func (w *Words) say(s words.Said) {
	if len(w.Said) == mostSaid {
		w.More++
		return
	}
	w.Said = append(w.Said, s)
}
