package bench

import (
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/intake"
)

// Ours. A batch is long enough that to wake a core that sleeps is little beside it (of 256
// turns it took longer than they did) and short enough to stay in
// a cache; one is filled while one is judged, and one waits.
const (
	batchTurns = 2048
	batches    = 3
)

// turn is one chunk. The next so many inputs of its batch are what the intake made of it;
// bytes are those that are shown to who looks on, see Look.
type turn struct {
	at     time.Duration
	source intake.Source
	inputs int
	bytes  []byte
}

// said is a frame with words of the craft.
type said struct {
	at      time.Duration
	payload []byte
}

// batch is what was read of a recording and is to be judged.
type batch struct {
	turns  []turn
	inputs []interlock.Input
	bytes  []byte
	said   []said
	err    error // why nothing comes behind it
}

// ahead reads a recording while what was read of it is judged: all that is made of its bytes
// up to the inputs hangs on nothing that is decided, so that a second core can do it. When it
// returns nothing is read any more.
func (p *pass) ahead(next func() (*intake.Chunk, error), judge func(b *batch) error) (err error) {
	full, empty := make(chan *batch, batches), make(chan *batch, batches)
	for range batches {
		empty <- &batch{}
	}
	go func() {
		defer close(full)
		for b := range empty {
			p.fill(b, next)
			full <- b
			if b.err != nil {
				return
			}
		}
	}()
	for b := range full {
		if err != nil {
			continue
		}
		if err = judge(b); err != nil {
			close(empty)
		} else {
			empty <- b
		}
	}
	return err
}

// fill reads a batch.
func (p *pass) fill(b *batch, next func() (*intake.Chunk, error)) {
	p.filled = b
	b.turns, b.inputs, b.bytes, b.said = b.turns[:0], b.inputs[:0], b.bytes[:0], b.said[:0]
	for len(b.turns) < batchTurns {
		c, err := next()
		if err != nil {
			b.err = err
			return
		}
		from := len(b.inputs)
		b.inputs = p.in.Append(b.inputs, c)
		if p.faults != nil {
			p.faults.Inputs(c.At, b.inputs[from:])
		}
		b.turns = append(b.turns, turn{at: c.At, source: c.Source, inputs: len(b.inputs) - from})
		if p.look != nil && (c.Source == intake.Decisions || c.Source == intake.HostEvent) {
			b.bytes = append(b.bytes, c.Bytes...)
			b.turns[len(b.turns)-1].bytes = b.bytes[len(b.bytes)-len(c.Bytes):]
		}
	}
}
