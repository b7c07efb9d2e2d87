package hw

import "time"

// Edge is one change of the anemometer's line.
type Edge struct {
	Rise bool          // true for a change to the electrical high level
	At   time.Duration // the monotonic time of the edge since the board was opened
	Lost int           // counts edges known to be lost just before this one
}

// Count is one conversion of the load cell's converter.
type Count struct {
	Value  int32
	At     time.Duration // monotonic time since the board was opened
	Failed bool          // reports whether the conversion could not be read; Value is 0 then
}
