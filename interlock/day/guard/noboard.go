package guard

import (
	"context"

	"downhaul/hw"
)

// noBoard is the board of a pad without pins, which can only watch.
type noBoard struct{}

type noOutput struct{}

func (noOutput) Set(bool) error { return nil }

func (noBoard) Relay() hw.Output                                   { return noOutput{} }
func (noBoard) Heartbeat() hw.Output                               { return noOutput{} }
func (noBoard) Buzzer() hw.Output                                  { return noOutput{} }
func (noBoard) Lamp() hw.Output                                    { return noOutput{} }
func (noBoard) Levels() (uint32, error)                            { return 0, nil }
func (noBoard) Waits() []int                                       { return nil }
func (noBoard) Passed() (low, high uint32)                         { return 0, 0 }
func (noBoard) Edges(dst []hw.Edge) ([]hw.Edge, error)             { return dst, nil }
func (noBoard) Counts(ctx context.Context, _ func(hw.Count)) error { <-ctx.Done(); return nil }
func (noBoard) Inert() error                                       { return nil }
func (noBoard) Close() error                                       { return nil }
