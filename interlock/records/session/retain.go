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

	"downhaul/interlock/records/plain"
	"downhaul/interlock/records/triplog"
)

// Keep says how long sessions stay. The zero value keeps everything.
type Keep struct {
	// Age is how old a session may become by the wall clock; 0 is any.
	Age time.Duration
	// Bytes is how much all sessions together may take; 0 is any.
	Bytes int64
}

// leastSessions stay whatever their age and size: a clock that stands in the far
// future must not empty the folder. Ours, no source.
const leastSessions = 5

const (
	// ReportedName is the file that holds Reported.
	ReportedName = "reported.json"
	// removing is put before the name of a folder that goes: a removal that a
	// power cut breaks off leaves no half session behind.
	removing = ".removing-"
)

// Reported is what stands in a session's folder once somebody has reported on it.
type Reported struct {
	V     int       `json:"v"`
	Trips int       `json:"trips"`
	At    time.Time `json:"at"`
}

// TripCount counts the trips in the log. Only a log that nothing is wrong with
// can be counted.
func (s *Session) TripCount() (int, error) {
	names, err := s.TripParts()
	if err != nil {
		return 0, err
	}
	n := 0
	for rec, err := range triplog.FileLines(names...) {
		if err != nil {
			return n, err
		}
		var d struct{ Trip int }
		if rec.Kind == triplog.KindDecision && json.Unmarshal(rec.Decision, &d) == nil && d.Trip > 0 {
			n++
		}
	}
	return n, nil
}

// mustStay says why a session may not go, whatever its age; empty when it may.
func (s *Session) mustStay() string {
	text, err := plain.Read(filepath.Join(s.Dir, ReportedName), plain.Note)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err.Error()
	}
	var r Reported
	if err == nil && (json.Unmarshal(text, &r) != nil || r.V != 1) {
		return ReportedName + " is damaged"
	}
	done := err == nil
	n, err := s.TripCount()
	switch {
	case err != nil && !done:
		return fmt.Sprintf("its trip log cannot be read to the end (%v), and nobody has reported on it", err)
	case n > r.Trips:
		return fmt.Sprintf("%d trips that nobody has reported on", n-r.Trips)
	}
	if e, err := s.Ending(); !done && (err != nil || e.How != Clean) {
		return fmt.Sprintf("it %s, and nobody has reported on it", e.How)
	}
	return ""
}

// size is what a session's folder takes, in bytes of its files.
func (s *Session) size() (n int64) {
	_ = filepath.WalkDir(s.Dir, func(_ string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return nil
		}
		if info, err := d.Info(); err == nil {
			n += info.Size()
		}
		return nil
	})
	return n
}

// Retain removes what may go at the end of this session, in that state, and notes what
// stays: the next start need not look.
func (s *Session) Retain(now time.Time, state string) error {
	was := s.before.folders
	if s.retain(filepath.Dir(s.Dir), now); s.before.folders == was {
		return nil
	}
	return s.Remember(state, true)
}

// retain removes sessions that are too old or too many, the oldest first, and
// says in words what went and what had to stay. It never removes a session with
// a trip that nobody has reported on, one that did not end in order and was not
// reported on, one that cannot be read, any of the latest, or the last one that
// held a relay: the next start asks how that ended. A fault here keeps nobody from
// guarding.
func (s *Session) retain(logFolder string, now time.Time) {
	keep := s.keep
	if keep == (Keep{}) {
		return
	}
	sessions, _, err := all(logFolder)
	if err == nil {
		err = plain.Names(logFolder, func(name string) {
			if strings.HasPrefix(name, removing) {
				_ = os.RemoveAll(filepath.Join(logFolder, name)) // broken off
			}
		})
	}
	if err != nil {
		s.Retained = append(s.Retained, err.Error())
		return
	}
	slices.SortFunc(sessions, func(a, b *Session) int { return a.Info.Number - b.Info.Number })
	lastGuard := -1
	sizes, total := make([]int64, len(sessions)), int64(0)
	for i, o := range sessions {
		if o.Info.Duty != DutyWatch {
			lastGuard = i
		}
		sizes[i] = o.size()
		total += sizes[i]
	}
	for i, o := range sessions {
		why := ""
		switch age := now.Sub(o.Info.Wall); {
		case keep.Age > 0 && age > keep.Age:
			why = fmt.Sprintf("%d days old", int(age.Hours()/24))
		case keep.Bytes > 0 && total > keep.Bytes:
			why = fmt.Sprintf("all together take %d MB", total>>20)
		default:
			continue
		}
		if i == lastGuard || i >= len(sessions)-leastSessions {
			continue
		}
		if stay := o.mustStay(); stay != "" {
			s.Retained = append(s.Retained, fmt.Sprintf("session %s stays, though %s: %s", o.Info.Session, why, stay))
			continue
		}
		gone := filepath.Join(logFolder, removing+o.Info.Session)
		if err := errors.Join(os.Rename(o.Dir, gone), os.RemoveAll(gone)); err != nil {
			s.Retained = append(s.Retained, explain("remove an old session", logFolder, err).Error())
			return
		}
		total -= sizes[i]
		s.before.folders -= sumOf(filepath.Base(o.Dir))
		s.Retained = append(s.Retained, fmt.Sprintf("session %s was removed: %s", o.Info.Session, why))
	}
}
