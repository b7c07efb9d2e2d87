package triplog

import (
	"fmt"
	"io"
	"iter"
	"math"

	"downhaul/interlock/records/plain"
)

// FileLines gives the lines of one log kept in several files, in order, as if
// it were one: lines that a later file has written anew, and files that none
// continues, are left out. Heads of further files come too. It stops as Lines
// does.
func FileLines(names ...string) iter.Seq2[Record, error] {
	return func(yield func(Record, error) bool) {
		limits, err := limitsOf(names)
		if err != nil {
			yield(Record{}, err)
			return
		}
		for i, name := range names {
			if limits[i] == 0 {
				continue
			}
			if !fileLines(name, limits[i], yield) {
				return
			}
		}
	}
}

// fileLines gives the lines up to a number; false when the sequence is over.
func fileLines(name string, limit uint64, yield func(Record, error) bool) bool {
	f, err := plain.Open(name, plain.TripLog)
	if err != nil {
		yield(Record{}, fmt.Errorf("read trip log: %w", err))
		return false
	}
	defer f.Close()
	last := uint64(0)
	for rec, err := range Lines(f) {
		if err == nil && rec.N > limit || err != nil && last == limit {
			return true // what stands here was written anew elsewhere
		}
		last = rec.N
		if err != nil {
			err = fmt.Errorf("%s: %w", name, err)
		}
		if !yield(rec, err) || err != nil {
			return false
		}
	}
	return true
}

// limitsOf is the number of the last line that counts in each file; 0 when none
// does.
func limitsOf(names []string) ([]uint64, error) {
	limits := make([]uint64, len(names))
	limit := uint64(math.MaxUint64)
	for i := len(names) - 1; i >= 0; i-- {
		first, err := firstLine(names[i])
		if err != nil {
			return nil, err
		}
		if first == nil && i > 0 {
			continue // begun and given up, or torn before its head was whole
		}
		limits[i] = limit
		if i == 0 || first.Head == nil || first.Head.Continues == nil {
			continue
		}
		limit = first.Head.Continues.N
		for i > 1 && PartName(i) != first.Head.Continues.File {
			i-- // a file between that none continues
		}
	}
	return limits, nil
}

// firstLine is the first line of a file, nil when there is no whole one.
func firstLine(name string) (*Record, error) {
	f, err := plain.Open(name, plain.TripLog)
	if err != nil {
		return nil, fmt.Errorf("read trip log: %w", err)
	}
	defer f.Close()
	for rec, err := range Lines(io.LimitReader(f, maxLine)) {
		if err != nil {
			return nil, nil // Lines on the whole file says what is wrong
		}
		return &rec, nil
	}
	return nil, nil
}
