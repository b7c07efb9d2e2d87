package rehearsed

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/pad"
	"downhaul/interlock/records/ledger"
	"downhaul/interlock/records/numbered"
	"downhaul/interlock/records/prooftest"
	"downhaul/interlock/records/session"
	"downhaul/interlock/records/stopping"
)

// Rehearsal is one that is under way. Its methods belong to one goroutine, and nobody
// else may write to the ledger meanwhile: the log folder is held (session.Hold).
type Rehearsal struct {
	// Dir is its folder, made and empty.
	Dir  string
	logs string
	book *ledger.Book
	as   record
}

// Begin makes the folder of a rehearsal and holds starts back from here on.
func Begin(logFolder string, book *ledger.Book, now time.Time, software, initials string, of stopping.Of) (*Rehearsal, error) {
	dir := FolderAt(logFolder, now)
	name, err := filepath.Rel(logFolder, dir)
	if err != nil {
		return nil, err
	}
	r := &Rehearsal{Dir: dir, logs: logFolder, book: book,
		as: record{Made: now, Software: software, Folder: name, By: initials, Of: of}}
	if err := os.MkdirAll(Folder(logFolder), 0o755); err != nil {
		return nil, fmt.Errorf("make the folder of the rehearsal: %w", err)
	}
	if err := os.Mkdir(r.Dir, 0o755); err != nil {
		return nil, fmt.Errorf("make the folder of the rehearsal: %w", err)
	}
	item, err := book.Note(now, fmt.Sprintf("a rehearsal on the real board has no end on record (%s): end the guard and have it read (downhaul defect --pad FILE)", name), "downhaul rehearse")
	if err == nil {
		r.as.Item = item.Number
		err = write(logFolder, &r.as)
	}
	if err != nil {
		return nil, errors.Join(err, os.Remove(r.Dir))
	}
	return r, nil
}

// Took puts a real fault of the chain into the ledger. at is the time in the rehearsal's
// session, reason and from are those of the decision.
func (r *Rehearsal) Took(now time.Time, session string, at time.Duration, reason interlock.Reason, from interlock.State) error {
	_, err := r.book.Took(now, filepath.Join(r.as.Folder, session), at, reason.String(), from.String())
	return err
}

// End puts the end on record, with every opening of the contactor, and lets starts go on
// unless the chain holds them back. It returns how many openings there were.
func (r *Rehearsal) End(now time.Time, how string) (openings int, err error) {
	return end(r.logs, r.book, &r.as, now, how)
}

// end writes the record last but one: were the defect closed before, a kill between would
// lose the openings.
func end(logFolder string, book *ledger.Book, begun *record, now time.Time, how string) (openings int, err error) {
	e := *begun
	e.Made, e.Begun, e.How = now, begun.Number, how
	items, _ := book.Items(now, untested)
	faulty := func(session string) bool {
		return slices.ContainsFunc(items, func(it ledger.Item) bool { return it.What == ledger.Fault && it.Session == session })
	}
	if e.Openings, err = takeOpenings(logFolder, begun, faulty); err == nil {
		err = write(logFolder, &e)
	}
	if err == nil {
		err = closeItem(book, now, &e)
	}
	return e.Openings, err
}

// takeOpenings puts the openings of a rehearsal, which its guard kept in its own folder,
// among those of the pad. They count for the contactor alone, and prove no craft's stop;
// one behind which the mirror contact stayed closed voids that of the craft, where it was
// no guard that ended before it had seen the contactor open.
func takeOpenings(logFolder string, begun *record, faulty func(session string) bool) (n int, err error) {
	read := func(dir string) ([]*stopping.Record, error) {
		records, trouble, err := numbered.Read(stopping.Folder(dir), stopping.Schema, func(r *stopping.Record) (schema, number int) { return r.Schema, r.Number })
		return records, errors.Join(append(trouble, err)...)
	}
	there, err := read(logFolder)
	if err != nil {
		return 0, err
	}
	opened, err := read(dirOf(logFolder, begun))
	if err != nil {
		return 0, err
	}
	for _, o := range opened {
		if o.Kind != stopping.Opening {
			continue
		}
		n++
		r := &stopping.Record{Schema: stopping.Schema, Made: o.Made, Software: o.Software, Session: filepath.Join(begun.Folder, o.Session), Kind: stopping.Opening,
			Of: begun.Of, AtS: o.AtS, Output: -1, Mirror: o.Mirror, MirrorS: o.MirrorS, Why: "the craft was a model, in a rehearsal"}
		if o.Mirror != "closed" || !faulty(r.Session) {
			r.Of.Craft = stopping.NoCraft
		}
		if slices.ContainsFunc(there, func(t *stopping.Record) bool { return t.Session == r.Session && t.AtS == r.AtS }) {
			continue // it was killed behind this one
		}
		if err := r.Write(logFolder); err != nil {
			return n, err
		}
	}
	return n, nil
}

func untested(prooftest.Test, int) bool { return false }

// closeItem closes the defect, unless somebody did.
func closeItem(book *ledger.Book, now time.Time, e *record) error {
	items, _ := book.Items(now, untested)
	if !slices.ContainsFunc(items, func(it ledger.Item) bool { return it.Number == e.Item && !strings.HasPrefix(it.Done, "closed") }) {
		return nil
	}
	if _, err := book.Close(now, e.Item, fmt.Sprintf("%s; openings of the contactor: %d", e.How, e.Openings), e.By, "downhaul rehearse"); err != nil {
		return fmt.Errorf("close the rehearsal in the ledger: %w", err)
	}
	return nil
}

// Settle reads what rehearsals that broke off left: every fault of the chain goes into
// the ledger, the openings on record, and starts are no longer held back for that. Where
// the records of one are gone or cannot be read, its defect stands.
func Settle(logFolder string, book *ledger.Book, now time.Time) error {
	records, trouble, err := records(logFolder)
	if err = errors.Join(append(trouble, err)...); err != nil {
		return err
	}
	for _, r := range records {
		ended := slices.IndexFunc(records, func(e *record) bool { return e.Begun == r.Number })
		switch {
		case r.Begun > 0:
		case ended >= 0:
			err = closeItem(book, now, records[ended]) // it was killed between the two
		default:
			err = settle(logFolder, book, r, now)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// settle reads the sessions of one that broke off. Where they are gone or cannot be read,
// nobody knows what they held, and its defect stands until somebody has looked into it.
func settle(logFolder string, book *ledger.Book, r *record, now time.Time) error {
	dir := dirOf(logFolder, r)
	if _, err := os.Lstat(dir); err != nil {
		return nil
	}
	sessions, broken, err := session.Earlier(dir, mark)
	if err != nil || len(broken) > 0 {
		return err
	}
	for _, s := range sessions {
		s.Info.Session = filepath.Join(r.Folder, s.Info.Session)
	}
	if err := book.TakeOver(sessions); err != nil {
		return err
	}
	_, err = end(logFolder, book, r, now, "it broke off, and its records were read later")
	return err
}

// mark is that of the sessions of such rehearsals.
var mark = (&pad.Pad{Board: pad.Board{Kind: pad.Rehearsal}}).Mark()

func dirOf(logFolder string, r *record) string {
	return filepath.Join(logFolder, filepath.Clean("/"+r.Folder))
}
