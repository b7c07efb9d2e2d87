package stopping

import (
	"os"
	"path/filepath"
	"slices"

	"downhaul/interlock/records/numbered"
	"downhaul/interlock/records/plain"
)

// Tally is what the records of a log folder come to, taken one after the other: with it
// a start reads those that were made since, and not all.
type Tally struct {
	Through int    // number of the last record that is in it
	File    string // and its name
	Stands  string // the folder as it was read then; see plain.Stamp
	Stops   []Stop // in the order in which they were last opened
	Packs   []PackWorn
}

// Stop is what the records prove of one stop; Worn is its own here.
type Stop struct {
	Of Of
	Proof
}

// Take adds the next record.
func (t *Tally) Take(r *Record) {
	i := slices.IndexFunc(t.Stops, func(s Stop) bool { return s.Of == r.Of })
	if r.Kind == Reading {
		t.read(r, i)
	}
	if r.Kind != Opening {
		return
	}
	s := Stop{Of: r.Of}
	if i >= 0 {
		s = t.Stops[i]
		t.Stops = slices.Delete(t.Stops, i, i+1)
	}
	s.Worn.add(r)
	for _, name := range r.Packs {
		k := slices.IndexFunc(t.Packs, func(p PackWorn) bool { return p.Name == name && p.Model == r.Of.Model })
		if k < 0 {
			k, t.Packs = len(t.Packs), append(t.Packs, PackWorn{Name: name, Model: r.Of.Model})
		}
		t.Packs[k].add(r)
	}
	if r.Loaded {
		s.Loaded++
	}
	s.Last, s.Waits, s.At = r.Number, 0, Ended{Output: r.Output}
	switch {
	case r.Mirror == "closed":
		// No stop at all: begin anew, behind what mended it.
		s.Low, s.Half, s.Full = false, false, nil
	case r.Traced:
		s.At = Ended{r.Output, seconds(r.StandingS), seconds(r.ThrustS), true}
		s.end(s.At)
		s.take(r.Output)
	default:
		s.Waits = r.Number
	}
	t.Stops = append(t.Stops, s)
}

// read takes a reading. One that came behind the next opening counts as of an output that
// nobody knows, which makes no time shorter.
func (t *Tally) read(r *Record, of int) {
	at := Ended{Output: -1}
	if last := slices.IndexFunc(t.Stops, func(s Stop) bool { return s.Last == r.Opening }); last >= 0 {
		of, at = last, t.Stops[last].At
	}
	if of < 0 {
		return
	}
	s := &t.Stops[of]
	if s.Waits == r.Opening {
		s.Waits = 0
		s.take(at.Output)
	}
	if took := seconds(r.ReadS) + ReadError; took > at.Standing {
		s.end(Ended{Output: at.Output, Standing: took})
	}
}

// Prove returns what the records prove of that stop. What wears is counted over all
// stops of its craft, and of its contactor.
func (t *Tally) Prove(of Of) *Proof {
	p := new(Proof)
	if i := slices.IndexFunc(t.Stops, func(s Stop) bool { return s.Of == of }); i >= 0 {
		*p = t.Stops[i].Proof
	}
	p.Full, p.Ended, p.Loaded, p.Worn = slices.Clone(p.Full), slices.Clone(p.Ended), 0, Worn{}
	p.Packs = slices.DeleteFunc(slices.Clone(t.Packs), func(w PackWorn) bool { return w.Model != of.Model })
	for i := range t.Stops {
		s := &t.Stops[i]
		if s.Of.Craft == of.Craft && s.Of.Model == of.Model {
			p.Worn.Starts += s.Worn.Starts
			p.Worn.Live += s.Worn.Live
			p.Worn.Full += s.Worn.Full
		}
		if s.Of.Contactor == of.Contactor && s.Of.Model == of.Model {
			p.Worn.Openings += s.Worn.Openings
			p.Loaded += s.Loaded
		}
	}
	return p
}

// UpToDate reports, at a start, whether no record came or went since the last that is in it.
func (t *Tally) UpToDate(logFolder string) bool {
	return t.Stands != "" && t.Stands == plain.Stamp(Folder(logFolder))
}

// ReadOn returns it with the records of a log folder that were made since. Where the last
// that is in it does not stand there any more, all that do are read anew. What cannot be
// read is told, and may have been the longest: then it is for now, and Unproven.
func (t Tally) ReadOn(logFolder string) (_ Tally, trouble []error) {
	dir, from := Folder(logFolder), t.Through+1
	if _, err := os.Lstat(filepath.Join(dir, t.File)); err != nil {
		t, from = Tally{}, 1
	}
	t.Stops, t.Packs, t.Stands = slices.Clone(t.Stops), slices.Clone(t.Packs), plain.Stamp(dir)
	for i := range t.Stops {
		s := &t.Stops[i]
		s.Full, s.Ended = slices.Clone(s.Full), slices.Clone(s.Ended)
	}
	records, trouble, err := numbered.ReadFrom(dir, from, Schema, func(r *Record) (schema, number int) { return r.Schema, r.Number })
	if err != nil {
		trouble = append(trouble, err)
	}
	for _, r := range records {
		t.Take(r)
		t.Through, t.File = r.Number, numbered.Name(r.Number, r.Made)
	}
	return t, trouble
}

// Unproven returns what counts where a record is lost: times, and wear.
func (t *Tally) Unproven() *Tally {
	for i := range t.Stops {
		s := &t.Stops[i]
		s.Low, s.Half, s.Full = false, false, nil
	}
	return t
}
