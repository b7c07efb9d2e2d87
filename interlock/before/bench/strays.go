package bench

import (
	"slices"

	"downhaul/interlock/day/intake"
	"downhaul/interlock/records/recording"
	"downhaul/interlock/records/strays"
)

// unknownID is what a guard can say of a message that nobody here knows: it counts
// every start that looks like one, in noise too.
const unknownID = "of a message that is not known here, so that nothing checks it"

// Sort reads a recording that left bad bytes once more, and tells good frames that are
// none of ours and frames whose checksum fails from them: bad bytes are what is left.
func (r *Result) Sort(parts []string, options ...recording.Option) error {
	if r.BadBytes == 0 {
		return nil
	}
	t, err := straysOf(parts, options...)
	if err != nil {
		return err
	}
	r.IgnoredWhy = slices.DeleteFunc(r.IgnoredWhy, func(i Ignored) bool {
		if i.What == unknownID {
			r.Ignored -= i.Count
		}
		return i.What == unknownID
	})
	for _, row := range t.Rows() {
		if row.Kind == strays.Damaged {
			r.Damaged = &row
			continue
		}
		r.Ignored += row.Count
		r.IgnoredWhy = append(r.IgnoredWhy, Ignored{row.Count, row.What})
	}
	r.BadBytes = t.Left
	return nil
}

// straysOf reads the recording for what is in no good frame of ours.
func straysOf(parts []string, options ...recording.Option) (*strays.Tally, error) {
	rec, err := recording.OpenParts(parts, append([]recording.Option{recording.PastDamage()}, options...)...)
	if err != nil {
		return nil, err
	}
	defer rec.Close()
	all := map[uint8]*strays.Tally{}
	whole := &strays.Tally{}
	_, err = rec.Each(func(c *intake.Chunk) error {
		switch {
		case c.Source != intake.Telemetry:
		case c.Checked == nil && !c.From.IsValid():
			if all[c.Link] == nil {
				all[c.Link] = &strays.Tally{}
			}
			if c.Lost > 0 {
				all[c.Link].End()
			}
			all[c.Link].Stream(c.Bytes)
		default:
			whole.Whole(c.Bytes)
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	for _, t := range all {
		t.End()
		whole.Add(t)
	}
	return whole, nil
}
