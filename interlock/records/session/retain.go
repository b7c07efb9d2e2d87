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

// Keep states how long sessions stay. The zero value keeps everything.
type Keep struct {
	// Age is how old a session may become by the wall clock; 0 is any.
	Age time.Duration
	// Bytes is how much all sessions together may take; 0 is any.
	Bytes int64
}

// leastSessions stay whatever their age and size: a clock that stands in the far
// future must not empty the folder. Ours, no source.
const leastSessions = 5

// mostGoing go at one time, so that the note of them stays small; ours.
const mostGoing = 2000

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
	Lines uint64    `json:"lines"` // of the trip log, as far as it was read
	At    time.Time `json:"at"`
}

// mustStay returns why a session may not go, whatever its age; empty when it may.
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
	switch e, err := s.Ending(); {
	case err != nil:
		return fmt.Sprintf("its trip log cannot be read (%v)", err)
	case e.Log.Verdict == triplog.Tampered && !done:
		return fmt.Sprintf("its trip log cannot be read to the end (%s), and nobody has reported on it", e.Log.Reason)
	case e.Trips > r.Trips:
		return fmt.Sprintf("%d trips that nobody has reported on", e.Trips-r.Trips)
	case e.How != Clean && (!done || e.Log.Lines > r.Lines): // one reported on under way may have ended otherwise
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

// Retain removes what may go at the end of this session, which is noted.
func (s *Session) Retain(now time.Time) { s.retain(filepath.Dir(s.Dir), now, s.Info.Mark) }

// retain removes sessions that are too old or too many, the oldest first, and
// says in words what went and what had to stay. It never removes a session with
// a trip that nobody has reported on, one that did not end in order and was not
// reported on, one that cannot be read, any of the latest, or the last one that
// held a relay: the next start asks how that ended. Where an older one stays, a later one
// goes but for its log, which may take back what the older one says. Nothing goes before
// the note says which do: a removal may break off anywhere, and what they held is handed
// on, or nothing goes. A fault here keeps nobody from guarding.
func (s *Session) retain(logFolder string, now time.Time, mark string) {
	keep := s.keep
	if keep == (Keep{}) {
		return
	}
	n, err := readNote(logFolder)
	if err != nil || n.Carried == nil || s.facts == nil && s.before.facts == nil {
		s.Retained = append(s.Retained, "no old session was removed: what they hold is not handed on yet")
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
		if o.Info.Duty != DutyWatch && (o.Info.Mark == "" || lastGuard < 0 || sessions[lastGuard].Info.Mark != "") {
			lastGuard = i
		}
		sizes[i] = o.size()
		total += sizes[i]
	}
	var going, says []string
	gone, behind := uint64(0), false
	for i, o := range sessions {
		why := ""
		switch age := now.Sub(o.Info.Wall); {
		case keep.Age > 0 && age > keep.Age:
			why = fmt.Sprintf("%d days old", int(age.Hours()/24))
		case keep.Bytes > 0 && total > keep.Bytes:
			why = fmt.Sprintf("all together take %d MB", total>>20)
		}
		if why == "" || i == lastGuard || i >= len(sessions)-leastSessions || o.Info.Mark != mark {
			behind = true
			continue
		}
		if stay := o.mustStay(); stay != "" {
			s.Retained = append(s.Retained, fmt.Sprintf("session %s stays, though %s: %s", o.Info.Session, why, stay))
			behind = true
			continue
		}
		if len(going) == mostGoing {
			break // the next end goes on
		}
		if behind {
			_ = plain.Names(o.Dir, func(name string) {
				if strings.HasPrefix(name, "recording") {
					_ = os.Remove(filepath.Join(o.Dir, name))
				}
			})
			if freed := sizes[i] - o.size(); freed > 0 {
				total -= freed
				s.Retained = append(s.Retained, fmt.Sprintf("the recording of session %s was removed: %s; its log stays, since an older session does", o.Info.Session, why))
			}
			continue
		}
		total -= sizes[i]
		going, says = append(going, o.Info.Session), append(says, fmt.Sprintf("session %s was removed: %s", o.Info.Session, why))
		if c := n.Carried; !slices.Contains(c.Going, o.Info.Session) {
			gone += sumOf(o.Info.Session)
			c.Going = append(c.Going, o.Info.Session)
		}
	}
	if len(going) == 0 {
		return
	}
	n.Carried.Folders -= gone
	s.before.folders, s.before.going = s.before.folders-gone, n.Carried.Going
	if err := n.write(logFolder); err != nil {
		s.Retained = append(s.Retained, "no old session was removed: "+err.Error())
		return
	}
	for i, name := range going {
		away := filepath.Join(logFolder, removing+name)
		if err := errors.Join(os.Rename(filepath.Join(logFolder, name), away), os.RemoveAll(away)); err != nil {
			s.Retained = append(s.Retained, explain("remove an old session", logFolder, err).Error())
			return
		}
		s.Retained = append(s.Retained, says[i])
	}
}
