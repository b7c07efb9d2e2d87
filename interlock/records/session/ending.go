package session

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/records/plain"
	"downhaul/interlock/records/triplog"
)

// How is how a session ended.
type How string

// The ways to end.
const (
	Clean      How = "ended in order"
	NotEnded   How = "broke off"      // without its `ended` record
	InTrip     How = "in a trip"      // latched and not reset, ended in order or not
	InFault    How = "in a fault"     // a self-test had failed
	Mismatch   How = "not as noted"   // it does not match what was noted outside its folder
	Unreadable How = "not to be read" // so nobody knows
)

// Ending is how one session ended.
type Ending struct {
	Session string
	Dir     string
	How     How
	State   string        // last state of the latch in its log, empty if none
	At      time.Duration // engine time of the last line
	Log     triplog.Report
	Trips   int    // in its good lines, with those behind another
	Says    string // one plain sentence, with what to do where there is something
	noted   bool   // the line asked for stands in the log
	mended  bool   // behind it the latch left a fault
	off     bool   // it does not match what was noted
}

// ComesUp is the latch state that the next session starts in: "tripped",
// "fault", or empty for a start as on any power-up.
func (e Ending) ComesUp() string {
	switch e.How {
	case Clean:
		return ""
	case InFault:
		return interlock.Fault.String()
	}
	return interlock.Tripped.String()
}

// all opens every session of the log folder; broken are those whose session.json
// cannot be read, or is another session's, although they got as far as a trip log.
func all(logFolder string) (sessions []*Session, broken []Ending, err error) {
	var names []string
	if err := plain.Names(logFolder, func(name string) { names = append(names, name) }); err != nil {
		return nil, nil, explain("look for earlier sessions", logFolder, err)
	}
	slices.Sort(names)
	has := map[int]string{}
	for _, name := range names {
		dir := filepath.Join(logFolder, name)
		if info, err := os.Lstat(dir); err != nil || !info.IsDir() || strings.HasPrefix(name, removing) {
			continue
		}
		s, err := Open(dir)
		if err == nil {
			is, twin := s.Info.Number, has[s.Info.Number]
			switch number, numbered := numberIn(name); {
			case s.Info.Session != name || numbered && number != is:
				err = fmt.Errorf("by its %s it is session %s, number %d: it was copied, swapped or renamed", infoName, s.Info.Session, is)
			case twin != "":
				err = fmt.Errorf("it has number %d, and so has session %s: one of them was copied, or taken away and brought back", is, twin)
			default:
				has[is], sessions = name, append(sessions, s)
				continue
			}
		}
		if _, serr := os.Stat(filepath.Join(dir, triplog.PartName(1))); errors.Is(serr, fs.ErrNotExist) {
			continue // no session, or one that never got as far as to run
		}
		broken = append(broken, Ending{
			Session: name, Dir: dir, How: Unreadable,
			Says: fmt.Sprintf("nobody can tell how session %s ended (%v); look into it, then move it out of the log folder", name, err),
		})
	}
	return sessions, broken, nil
}

// Ending reads the trip log to its end. The error is that of reading.
func (s *Session) Ending() (Ending, error) { return s.ending(0, "") }

// ending is Ending, and looks whether the line of that number has that chain
// value.
func (s *Session) ending(line uint64, chain string) (Ending, error) {
	e := Ending{Session: s.Info.Session, Dir: s.Dir}
	names, err := s.TripParts()
	if err != nil {
		return e, err
	}
	e.Log, err = triplog.WalkFiles(names, func(rec *triplog.Record) bool {
		var d struct {
			Kind, From, State string
			Trip              int
		}
		if rec.Kind == triplog.KindDecision && json.Unmarshal(rec.Decision, &d) == nil && d.Trip > 0 {
			e.Trips++
		}
		moved := d.Kind == "state"
		e.At = rec.At()
		e.noted = e.noted || rec.N == line && rec.Chain == chain
		e.mended = e.mended || rec.N > line && moved && d.From == interlock.Fault.String() && d.State != d.From
		switch {
		case rec.State != "":
			e.State = rec.State
		case moved && d.State != "":
			e.State = d.State
		}
		return true
	})
	if err != nil {
		return e, err
	}
	switch {
	case e.State == interlock.Fault.String():
		e.How = InFault
		e.Says = fmt.Sprintf("session %s ended in a fault; mend it and run the failed test again", e.Session)
	case e.State == interlock.Tripped.String():
		e.How = InTrip
		e.Says = fmt.Sprintf("session %s ended in a trip that was not reset", e.Session)
	case e.Log.Verdict != triplog.Whole:
		e.How = NotEnded
		e.Says = fmt.Sprintf("session %s broke off after %.1f s without its end record (trip log %s: %s)", e.Session, e.At.Seconds(), e.Log.Verdict, e.Log.Reason)
	default:
		e.How = Clean
		e.Says = fmt.Sprintf("session %s ended in order", e.Session)
	}
	return e, nil
}
