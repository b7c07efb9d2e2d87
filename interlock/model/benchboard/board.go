// Package benchboard makes the virtual board of a pad file, for the bench, the demo
// and rehearsals. The packaged daemon does not carry it.
package benchboard

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"downhaul/hw"
	"downhaul/hw/virtual"
	"downhaul/interlock"
	"downhaul/interlock/pad"
)

// converterBits is the width of the bridge converters in common use.
const converterBits = 24

// Open opens the virtual board of a pad; now is the monotonic time since.
func Open(p *pad.Pad, now func() time.Duration) (hw.Board, error) {
	if p.Board.Kind != pad.Virtual {
		return nil, errors.New("the pad file is the copy of a rehearsal on a real board: downhaul rehearse --real-board alone runs it, on the pad's own file")
	}
	b, err := virtual.Open(Config(p, now))
	if err != nil {
		return nil, fmt.Errorf("open the virtual board: %w", err)
	}
	return b, nil
}

// Config returns how the virtual board of a pad is set up.
func Config(p *pad.Pad, now func() time.Duration) virtual.Config {
	c := virtual.Config{Inputs: inputOrder(), Now: now, Socket: p.Board.Socket}
	if p.Board.Line("wind_loop").Fitted {
		c.Inputs = append(c.Inputs, "wind_loop") // intake.LoopBit
	}
	c.Chain.LongestGap = p.LongestGap
	c.Chain.Bounce = virtual.SignalBounce // as real contacts do: a guard that cannot bear it shows here first
	for _, name := range c.Inputs {
		l := p.Board.Line(name)
		if l.NormallyClosed && slices.Contains([]string{"hold", "reset", "start", "end"}, name) {
			c.NormallyClosed = append(c.NormallyClosed, name)
		}
		if l.ClosedLow {
			c.ClosedLow = append(c.ClosedLow, name)
		}
	}
	c.Converter.Absent = !p.LoadCell.Fitted
	if p.LoadCell.Fitted {
		c.Converter = virtual.ConverterConfig{Zero: p.LoadCell.Zero, CountsPerNewton: 1 / p.LoadCell.NewtonsPerCount, Bits: converterBits, Rate: p.LoadCell.Rate}
	}
	return c
}

// inputOrder is the names of the board's input lines in the order in which its
// levels come: every line of the interlock by its number, fitted or not, so
// that a level's bit is its line's number; then the anemometer.
func inputOrder() []string {
	var names []string
	for l := range interlock.LineCount {
		names = append(names, l.String())
	}
	return append(names, "anemometer")
}
