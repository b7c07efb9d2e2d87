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

	"downhaul/interlock/dated"
	"downhaul/interlock/plain"
	"downhaul/interlock/triplog"
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
	reportedName = "reported.json"
	// removing is put before the name of a folder that goes: a removal that a
	// power cut breaks off leaves no half session behind.
	removing = ".removing-"
)

// reported is what stands in a session's folder once somebody has reported on it.
type reported struct {
	V     int       `json:"v"`
	Trips int       `json:"trips"`
	At    time.Time `json:"at"`
}

// tripCount counts the trips in the log. Only a log that nothing is wrong with
// can be counted.
func (s *Session) tripCount() (int, error) {
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

// MarkReported notes that somebody has reported on every trip in the log as it
// stands: from then on the session may go by age or size.
func (s *Session) MarkReported(at time.Time) error {
	n, err := s.tripCount()
	if err != nil && !errors.Is(err, triplog.ErrBroken) {
		return err
	}
	text, err := json.Marshal(reported{V: 1, Trips: n, At: at.UTC().Round(0)})
	if err != nil {
		return err
	}
	name := filepath.Join(s.Dir, reportedName)
	if err := dated.WriteWhole(name, append(text, '\n'), 0o644); err != nil {
		return fmt.Errorf("note that session %s is reported on: %w", s.Info.Session, err)
	}
	return nil
}

// mustStay says why a session may not go, whatever its age; empty when it may.
func (s *Session) mustStay() string {
	text, err := plain.Read(filepath.Join(s.Dir, reportedName), plain.Note)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err.Error()
	}
	var r reported
	if err == nil && (json.Unmarshal(text, &r) != nil || r.V != 1) {
		return reportedName + " is damaged"
	}
	done := err == nil
	n, err := s.tripCount()
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

// Retain removes sessions that are too old or too many, the oldest first, and
// says in words what went and what had to stay. It never removes a session with
// a trip that nobody has reported on, one that did not end in order and was not
// reported on, one that cannot be read, any of the latest, or the last one that
// held a relay: the next start asks how that ended. Call it only while the
// folder is held (between sessions, by the guard that begins one).
func Retain(logFolder string, keep Keep, now time.Time) (says []string, err error) {
	if err := sweep(logFolder); err != nil {
		return nil, err
	}
	if keep == (Keep{}) {
		return nil, nil
	}
	sessions, _, err := all(logFolder)
	if err != nil {
		return nil, err
	}
	slices.SortFunc(sessions, func(a, b *Session) int { return a.Info.Number - b.Info.Number })
	lastGuard := -1
	sizes, total := make([]int64, len(sessions)), int64(0)
	for i, s := range sessions {
		if s.Info.Duty != DutyWatch {
			lastGuard = i
		}
		sizes[i] = s.size()
		total += sizes[i]
	}
	for i, s := range sessions {
		why := ""
		switch age := now.Sub(s.Info.Wall); {
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
		if stay := s.mustStay(); stay != "" {
			says = append(says, fmt.Sprintf("session %s stays, though %s: %s", s.Info.Session, why, stay))
			continue
		}
		gone := filepath.Join(logFolder, removing+s.Info.Session)
		if err := errors.Join(os.Rename(s.Dir, gone), os.RemoveAll(gone)); err != nil {
			return says, explain("remove an old session", logFolder, err)
		}
		total -= sizes[i]
		says = append(says, fmt.Sprintf("session %s was removed: %s", s.Info.Session, why))
	}
	return says, nil
}

// sweep finishes removals that were broken off.
func sweep(logFolder string) error {
	entries, err := plain.List(logFolder)
	if err != nil {
		return explain("look for earlier sessions", logFolder, err)
	}
	for _, entry := range entries {
		if strings.HasPrefix(entry.Name(), removing) {
			if err := os.RemoveAll(filepath.Join(logFolder, entry.Name())); err != nil {
				return explain("remove an old session", logFolder, err)
			}
		}
	}
	return nil
}
