package ledger

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"downhaul/interlock/records/numbered"
	"downhaul/interlock/records/prooftest"
	"downhaul/interlock/records/session"
	"downhaul/rules"
)

// Bounds of what people write; ours.
const (
	mostText     = 200
	mostInitials = 10
	// longestWatch is the longest that a defect may wait without another look.
	longestWatch = 90 * 24 * time.Hour
)

// Book is the ledger of one log folder. One process at a time writes to it, and in it
// one goroutine: it takes no lock, because a write waits for the disk.
type Book struct {
	dir      string
	software string

	entries []*Entry
	lost    map[int]string // by number, why
}

// Read reads the ledger of a log folder.
func Read(logFolder, software string) (*Book, error) {
	b := &Book{dir: Folder(logFolder), software: software, lost: map[int]string{}}
	entries, trouble, err := numbered.Read(b.dir, Schema, func(e *Entry) (schema, number int) { return e.Schema, e.Number })
	if err != nil {
		return nil, fmt.Errorf("read the ledger: %w", err)
	}
	b.entries = entries
	for _, t := range trouble {
		if l := new(numbered.Lost); errors.As(t, &l) {
			b.lost[l.Number] = "cannot be read"
		}
	}
	there := map[int]bool{}
	for _, e := range entries {
		there[e.Number] = true
	}
	for n := 1; n < b.Newest(); n++ {
		if _, damaged := b.lost[n]; !there[n] && !damaged {
			b.lost[n] = "is gone"
		}
	}
	return b, nil
}

// Newest returns the highest number, 0 without any: the place on record of what is written now.
func (b *Book) Newest() int {
	n := 0
	if len(b.entries) > 0 {
		n = b.entries[len(b.entries)-1].Number
	}
	for l := range b.lost {
		n = max(n, l)
	}
	return n
}

// Note opens a defect.
func (b *Book) Note(made time.Time, text, by string) (*Entry, error) {
	text = strings.TrimSpace(text)
	if err := session.Spoken("a defect", text, mostText); err != nil {
		return nil, err
	}
	return b.write(&Entry{Made: made, What: Defect, Text: text, By: by})
}

// Close records what was mended or done about an item, and who answers for it.
func (b *Book) Close(made time.Time, of int, text, initials, by string) (*Entry, error) {
	e := &Entry{Made: made, What: Closed, Of: of, Text: strings.TrimSpace(text), Initials: strings.TrimSpace(initials), By: by}
	if err := errors.Join(session.Spoken("what was done", e.Text, mostText), session.Spoken("the initials", e.Initials, mostInitials), b.open(of)); err != nil {
		return nil, err
	}
	return b.write(e)
}

// Watch lets a defect wait for a time, with the reason and who answers for it. A
// fault of the chain, and an entry that is lost, cannot wait.
func (b *Book) Watch(made time.Time, of int, text, initials string, lasts time.Duration, by string) (*Entry, error) {
	e := &Entry{Made: made, What: Watched, Of: of, Text: strings.TrimSpace(text), Initials: strings.TrimSpace(initials), By: by}
	err := errors.Join(session.Spoken("the reason", e.Text, mostText), session.Spoken("the initials", e.Initials, mostInitials), b.open(of))
	if err == nil && b.kind(of) != Defect {
		err = fmt.Errorf("number %d is no defect that can wait: note what was mended (downhaul defect close %d)", of, of)
	}
	if err == nil && (lasts <= 0 || lasts > longestWatch) {
		err = fmt.Errorf(`a watch lasts more than 0 and at most 90 d (got %s): write such as "3 d"`, rules.FormatDuration(lasts))
	}
	if err != nil {
		return nil, err
	}
	// A clock that stands before the newest entry must not make a watch longer.
	until := made.Add(lasts)
	e.Until = &until
	return b.write(e)
}

// open refuses a number that stands for no open item.
func (b *Book) open(of int) error {
	if _, lost := b.lost[of]; !lost && b.find(of) == nil {
		return fmt.Errorf("nothing open has the number %d (downhaul defect lists them)", of)
	}
	for _, e := range b.entries {
		if e.What == Closed && e.Of == of {
			return fmt.Errorf("number %d is closed already", of)
		}
	}
	return nil
}

// find finds the entry that opened an item, nil for none.
func (b *Book) find(of int) *Entry {
	for _, e := range b.entries {
		if e.Number == of && (e.What == Fault || e.What == Defect) {
			return e
		}
	}
	return nil
}

// kind returns what opened an item.
func (b *Book) kind(of int) What {
	if e := b.find(of); e != nil {
		return e.What
	}
	return ""
}

// Took writes a fault of the chain down, unless it stands there already.
func (b *Book) Took(made time.Time, session string, at time.Duration, reason, from string) (added bool, err error) {
	text, tests, ok := FaultOf(reason, from)
	if !ok || b.Has(session, at, reason) {
		return false, nil
	}
	_, err = b.write(&Entry{Made: made, What: Fault, Text: text, Session: session, AtNS: int64(at), Reason: reason, Tests: tests})
	return err == nil, err
}

// Has reports whether that fault stands in the ledger.
func (b *Book) Has(session string, at time.Duration, reason string) bool {
	return slices.ContainsFunc(b.entries, func(e *Entry) bool {
		return e.What == Fault && e.Session == session && e.AtNS == int64(at) && e.Reason == reason
	})
}

// Lost opens a defect, once, for a session or a record that cannot be read whole.
func (b *Book) Lost(made time.Time, name string) error {
	text := fmt.Sprintf("%.60q cannot be read whole: what it holds may be missing here; look into it", name)
	if slices.ContainsFunc(b.entries, func(e *Entry) bool { return e.What == Defect && e.Text == text }) {
		return nil
	}
	_, err := b.Note(made, text, "downhauld")
	return err
}

// write keeps an entry: on disk before it counts.
func (b *Book) write(e *Entry) (*Entry, error) {
	e.Schema, e.Software = Schema, b.software
	_, err := numbered.Write(b.dir, e.Made, &e.Number, e)
	if err != nil {
		return nil, fmt.Errorf("keep it in the ledger: %w", err)
	}
	b.entries = append(b.entries, e)
	return e, nil
}

// Item is a fault or a defect, or an entry that is lost, with what became of it.
type Item struct {
	Number int       `json:"number"`
	What   What      `json:"what"`
	Text   string    `json:"text"`
	Made   time.Time `json:"made"`
	By     string    `json:"by"`
	// Session is that of a fault, AtS the engine time in it.
	Session string  `json:"session,omitempty"`
	AtS     float64 `json:"at_s,omitempty"`
	// Done states what was mended or done, or why it may wait, and by whom; empty
	// while nobody has said anything.
	Done string `json:"done"`
	// Tests are those that a fault still calls for.
	Tests []prooftest.Test `json:"tests_due"`
	// Holds is why it holds the next start back, in one sentence; empty where it
	// does not. Wants is the part of it that says what is to be done.
	Holds string `json:"holds"`
	Wants string `json:"wants"`
}

// Tested reports whether a proof test was passed on record behind that entry, and
// not failed since.
type Tested func(test prooftest.Test, after int) bool

// Items lists all faults and defects by number. next is the first instant after
// now at which one more holds back because its watch ends; zero without one. A
// clock that stands before the newest entry counts as that one's time.
func (b *Book) Items(now time.Time, tested Tested) (items []Item, next time.Time) {
	for _, e := range b.entries {
		if e.Made.After(now) {
			now = e.Made
		}
	}
	items = []Item{}
	for _, e := range b.entries {
		if e.What != Fault && e.What != Defect {
			continue
		}
		it := Item{Number: e.Number, What: e.What, Text: e.Text, Made: e.Made, By: e.By, Session: e.Session,
			AtS: time.Duration(e.AtNS).Seconds(), Tests: []prooftest.Test{}}
		closed, watched := b.about(e.Number)
		for _, t := range e.Tests {
			if !tested(t, e.Number) {
				it.Tests = append(it.Tests, t)
			}
		}
		switch {
		case e.What == Fault:
			it.fault(closed)
		case closed != nil:
			it.Done = closed.says("closed")
		case watched != nil && now.Before(*watched.Until):
			it.Done = watched.says("watched until " + day(*watched.Until))
			if next.IsZero() || watched.Until.Before(next) {
				next = *watched.Until
			}
		case watched != nil:
			it.Done = watched.says("watched until " + day(*watched.Until))
			it.wants(fmt.Sprintf("defect %d, %s", e.Number, e.Text), fmt.Sprintf("its watch has ended: close it (downhaul defect close %d WHAT INITIALS) or watch it anew", e.Number))
		default:
			it.wants(fmt.Sprintf("defect %d, %s", e.Number, e.Text), fmt.Sprintf("close it (downhaul defect close %d WHAT INITIALS) or watch it", e.Number))
		}
		items = append(items, it)
	}
	for n, why := range b.lost {
		it := Item{Number: n, What: "lost", Text: "entry " + why, Tests: []prooftest.Test{}}
		if closed, _ := b.about(n); closed != nil {
			it.Done = closed.says("closed")
		} else {
			it.wants(fmt.Sprintf("entry %d of the ledger %s", n, why), fmt.Sprintf("it may have been a fault; look into it (downhaul defect close %d WHAT INITIALS)", n))
		}
		items = append(items, it)
	}
	slices.SortFunc(items, func(a, b Item) int { return a.Number - b.Number })
	return items, next
}

// fault works out what a fault of the chain still wants.
func (it *Item) fault(closed *Entry) {
	var wants []string
	if len(it.Tests) > 0 {
		only := ""
		for _, t := range it.Tests {
			only += " --only " + t.Key()
		}
		wants = append(wants, "test it again (downhaul commission"+only+")")
	}
	if closed != nil {
		it.Done = closed.says("mended")
	} else {
		wants = append(wants, fmt.Sprintf("note what was mended (downhaul defect close %d WHAT INITIALS)", it.Number))
	}
	if len(wants) > 0 {
		it.wants(fmt.Sprintf("fault %d of the chain, %s, on %s", it.Number, it.Text, day(it.Made)), strings.Join(wants, " and "))
	}
}

// wants has an item hold the next start back until that is done.
func (it *Item) wants(name, what string) { it.Holds, it.Wants = name+": "+what, what }

// about returns the closing of an item and its newest watch, nil for none.
func (b *Book) about(n int) (closed, watched *Entry) {
	for _, e := range b.entries {
		switch {
		case e.Of != n:
		case e.What == Closed:
			closed = e
		case e.What == Watched && e.Until != nil:
			watched = e
		}
	}
	return closed, watched
}

func (e *Entry) says(how string) string {
	return fmt.Sprintf("%s: %s (%s, %s)", how, e.Text, e.Initials, day(e.Made))
}

func day(t time.Time) string {
	if t.Year() < 2024 { // before any guard of ours: a clock that was never set
		return "a day that no clock told"
	}
	return t.Local().Format("2006-01-02 15:04")
}

// Holding lists why the next start is held back, empty for nothing.
func Holding(items []Item) []string {
	out := []string{}
	for i := range items {
		if items[i].Holds != "" {
			out = append(out, items[i].Holds)
		}
	}
	return out
}
