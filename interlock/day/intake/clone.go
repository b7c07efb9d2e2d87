package intake

import "slices"

// Clone returns a second intake in the same state, for a proof or a search that goes
// on from one point in several ways. It shares the field table, whose memory
// is used within a call only: the two must not be used by two goroutines at
// once. Call it between chunks.
func (in *Intake) Clone() *Intake {
	c := *in
	d := *in.decoder.(*decoder)
	d.links = slices.Clone(d.links)
	d.samples = nil
	c.decoder = &d
	return &c
}
