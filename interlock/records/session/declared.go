package session

import (
	"encoding/json"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"downhaul/interlock/records/triplog"
)

// What is the kind of a declaration.
type What string

// The declarations.
const (
	DeclaredStep       What = "step"
	DeclaredPacks      What = "packs"
	DeclaredWind       What = "wind"
	DeclaredAir        What = "air"
	DeclaredInspection What = "inspection" // or the result of a ground step
	DeclaredStop       What = "stop"       // how long the rotors took at the last opening
	DeclaredConfirm    What = "confirm"    // one person's initials to the declared step
	DeclaredBallast    What = "ballast"    // that of the declared step, as it was weighed
	DeclaredSafe       What = "safe"       // the packs are out
)

// Declaration is what somebody at the pad declared. Values are SI.
type Declaration struct {
	What What `json:"what"`
	// Step is the step, for DeclaredStep and DeclaredInspection.
	Step  string   `json:"step,omitempty"`
	Packs []string `json:"packs,omitempty"`
	// Wind is a reading by hand, m/s: declared, not measured. Value is the
	// reading, the air or the inspection's value as it was typed.
	Wind     *float64 `json:"wind_m_s,omitempty"`
	Value    string   `json:"value,omitempty"`
	Passed   bool     `json:"passed,omitempty"`
	Initials string   `json:"initials,omitempty"`
	// BallastKg is the ballast as it was weighed. LiveS is how long power had been on, over
	// all sessions, when an inspection was told: with Packs in the craft, where it is of one.
	BallastKg *float64 `json:"ballast_kg,omitempty"`
	LiveS     float64  `json:"live_s,omitempty"`
	// By is the local user who did it, as the system knows him.
	By string `json:"by"`

	// At is the engine time, Wall the wall clock's reading beside it; both come
	// from the record.
	At   time.Duration `json:"-"`
	Wall time.Time     `json:"-"`
}

// Run is one start to its end. A run that the record breaks off in has no end.
type Run struct {
	Number   int      `json:"run"`
	Step     string   `json:"step"`
	Packs    []string `json:"packs"`
	Envelope string   `json:"envelope_sha256"`
	Card     string   `json:"card_sha256"`
	// Trips counts those recorded from start to end. How is the state of the
	// latch after the end.
	Trips int    `json:"trips"`
	How   string `json:"how,omitempty"`
	// Fell reports whether power went off in the air.
	Fell  bool `json:"fell,omitempty"`
	Ended bool `json:"ended"`
	// After is how many declarations stand on record before it.
	After int `json:"-"`
	// Begin and End are engine times, Wall the wall clock's reading at Begin.
	Begin time.Duration `json:"-"`
	End   time.Duration `json:"-"`
	Wall  time.Time     `json:"-"`
}

const (
	declaredMark = "declared "
	beginMark    = "run begins "
	endMark      = "run ends "
)

// Text is the declaration as it stands on record.
func (d *Declaration) Text() string { return marked(declaredMark, d) }

// BeginText and EndText are a run as it stands on record.
func (r *Run) BeginText() string { return marked(beginMark, r) }

// EndText is the run after its end.
func (r *Run) EndText() string { return marked(endMark, r) }

func marked(mark string, v any) string {
	text, err := json.Marshal(v)
	if err != nil {
		panic(err) // plain texts and numbers
	}
	return mark + string(text)
}

// ParseDeclaration reads a declaration from a text on record.
func ParseDeclaration(text string) (d Declaration, ok bool) {
	return d, unmarked(declaredMark, text, &d)
}

func unmarked(mark, text string, v any) bool {
	rest, ok := strings.CutPrefix(text, mark)
	return ok && json.Unmarshal([]byte(rest), v) == nil
}

// Story is what was declared and run in a session, each in order.
type Story struct {
	Declarations []Declaration
	Runs         []Run
}

// Story reads the declarations and runs from the session's trip log. A log that breaks off
// gives what stands before; so does a damaged one, and the error wraps triplog.ErrBroken.
func (s *Session) Story() (Story, error) {
	var out Story
	for line, err := range s.Lines() {
		if err != nil {
			return out, err
		}
		out.take(line.Kind, line.Text, line.At(), s.Info.Wall.Add(line.At()))
	}
	return out, nil
}

// take adds a line of the log. Only lines of the right kind count: a mark holds
// whatever somebody typed.
func (o *Story) take(kind triplog.Kind, text string, at time.Duration, wall time.Time) {
	var r Run
	switch {
	case kind == triplog.KindHost:
		if d, ok := ParseDeclaration(text); ok {
			d.At, d.Wall = at, wall
			o.Declarations = append(o.Declarations, d)
		}
	case kind != triplog.KindNote:
	case unmarked(beginMark, text, &r):
		r.Begin, r.Wall, r.After = at, wall, len(o.Declarations)
		o.Runs = append(o.Runs, r)
	case unmarked(endMark, text, &r):
		for i := range o.Runs {
			if open := &o.Runs[i]; open.Number == r.Number && !open.Ended {
				r.Begin, r.Wall, r.After, r.End = open.Begin, open.Wall, open.After, at
				*open = r
			}
		}
	}
}

// Earlier opens all sessions of a log folder that still can be read and count on a pad
// with that mark, oldest first; broken tells of those that could not.
func Earlier(logFolder, mark string) (sessions []*Session, broken []Ending, err error) {
	if sessions, broken, err = all(logFolder); err != nil {
		return nil, nil, err
	}
	sessions = slices.DeleteFunc(sessions, func(s *Session) bool { return !counts(s.Info.Mark, mark) })
	slices.SortStableFunc(sessions, func(a, b *Session) int { return a.Info.Number - b.Info.Number })
	return sessions, broken, nil
}

// Since returns what was handed on from the sessions before the last, and those from the
// last on that count here, to be read on top. Without facts all are (Earlier); why is
// empty for a first start.
func (s *Session) Since() (facts json.RawMessage, top []*Session, why string) {
	if s.before.facts == nil {
		return nil, nil, s.before.why
	}
	for _, name := range s.before.top {
		o, err := Open(filepath.Join(filepath.Dir(s.Dir), name))
		if err != nil || o.Info.Session != name {
			return nil, nil, "session " + name + " cannot be opened"
		}
		if counts(o.Info.Mark, s.Info.Mark) {
			top = append(top, o)
		}
	}
	return s.before.facts, top, ""
}

// mostFacts bounds what is handed on; ours. The note is written anew with each trip.
const mostFacts = 256 << 10

// HandOn has the note carry facts of the sessions before this one to the next start.
// What is too much is left out: that start then reads all of them.
func (s *Session) HandOn(facts any) error {
	text, err := json.Marshal(facts)
	if err == nil && len(text) <= mostFacts {
		s.facts = text
	}
	return err
}

// Spoken refuses what does not belong on record as one line.
func Spoken(what, text string, most int) error {
	if n := utf8.RuneCountInString(text); n == 0 || n > most {
		return fmt.Errorf("%s is one line of 1 to %d characters (got %d)", what, most, n)
	}
	// Beside control characters, those that turn the direction of writing or
	// show nothing: a log must read the way it is.
	if strings.ContainsFunc(text, func(r rune) bool { return !unicode.IsPrint(r) }) {
		return fmt.Errorf("%s is one line of printable characters; leave out what cannot be seen", what)
	}
	return nil
}
