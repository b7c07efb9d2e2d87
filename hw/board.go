package hw

import (
	"context"
	"errors"
)

// ErrClosed is the error of everything asked of a board after Close.
var ErrClosed = errors.New("the board is closed; open it again")

// Output is an output line.
type Output interface {
	// Set drives the line. On is energised: relay coil supplied, buzzer
	// sounding, lamp lit. The line is never read back. An error means that
	// the level is unknown; the caller must treat the chain as failed.
	Set(on bool) error
}

// MostInputs is how many input lines a board has: the bits of Levels.
const MostInputs = 32

// Board is the pad's pins. Only one goroutine may call its methods, and none waits but
// Counts, which runs in a goroutine of its own.
//
// Inert means: relay de-energised, heartbeat without edges, buzzer silent,
// lamp dark. A board is inert when opened, after Inert, after Close, and (by
// the external watchdog that needs the heartbeat) soon after its process dies.
type Board interface {
	Relay() Output
	Heartbeat() Output
	Buzzer() Output
	Lamp() Output
	// Levels reads every input line now: bit i is the electrical level of
	// Config.Inputs[i]. An error means that no level is known.
	Levels() (uint32, error)
	// Waits are the descriptors that report an edge of an input line, for whoever waits.
	Waits() []int
	// Passed takes what they report: bit i of low, of high, is set where input i is one whose
	// every edge counts (GPIOInput.Every) and had that level since the last call, by its
	// edges, or may have had it, as the kernel dropped edges because nobody read in time.
	Passed() (low, high uint32)
	// Edges appends to dst the anemometer's edges since the last call, the oldest first. After
	// an error none comes any more.
	Edges(dst []Edge) ([]Edge, error)
	// Counts calls fn for every conversion until ctx ends; it returns nil
	// then, else why it stopped. A board without a converter returns at ctx end.
	Counts(ctx context.Context, fn func(Count)) error
	// Inert makes the board inert; it tries every line and joins the errors.
	Inert() error
	// Close makes the board inert and lets the lines go.
	Close() error
}
