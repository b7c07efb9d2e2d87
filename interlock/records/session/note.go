package session

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc64"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"downhaul/interlock"
	"downhaul/interlock/records/numbered"
	"downhaul/interlock/records/plain"
	"downhaul/interlock/records/triplog"
)

// noteName is the file of the log folder that holds what stands between
// sessions, outside every session's own folder: so a session that is edited,
// moved or deleted does not take with it how it ended. Its name begins with a dot,
// so that whoever clears the folder with a shell's * leaves it.
const noteName = ".last-session.json"

// noteVersion is that of the note that is written. 1 carried nothing, 2 did not say
// for which program and mark; of both only how the last session ended counts.
const noteVersion = 3

// numbersGone is how far numbers jump where nobody knows the highest that was given; ours.
const numbersGone = 1000

// note is that file.
type note struct {
	V int `json:"v"`
	// Number is the highest of any session.
	Number int `json:"number"`
	// Last is the latest session, Guard the latest that held a relay: one that
	// only watched must not hide how that ended.
	Last  noted  `json:"last"`
	Guard *noted `json:"guard"`
	// Owed is what a session that only watched found wrong; the next that holds
	// a relay comes up by it.
	Owed []owed `json:"owed,omitempty"`
	// Carried is what a start need not read in the sessions before the last; nil
	// has it read all.
	Carried *carried `json:"carried,omitempty"`
	SHA256  string   `json:"sha256"` // of the rest: finds accident, not an edit with care
}

// noted is one session as it stood when it was noted last.
type noted struct {
	Session string `json:"session"`
	Number  int    `json:"number"`
	Duty    string `json:"duty"`
	State   string `json:"state"`
	Lines   uint64 `json:"lines"` // number of the last line that was on disk
	Head    string `json:"head"`  // its chain value, hex
	Ended   bool   `json:"ended"` // nothing may follow
	Mark    string `json:"mark,omitempty"`
}

type owed struct {
	How  How    `json:"how"`
	Says string `json:"says"`
}

// carried is what the sessions before the last left to a start, besides how the latest
// ended.
type carried struct {
	// Software and Mark are those that the facts count for.
	Software string          `json:"software,omitempty"`
	Mark     string          `json:"mark,omitempty"`
	Folders  uint64          `json:"folders"` // that stood there, the last too: the sum of their names
	Facts    json.RawMessage `json:"facts"`
	// Going may be gone and are not in Folders: the facts have what they held.
	Going []string `json:"going,omitempty"`
}

// errNewer is wrapped where a newer program wrote the note: written anew it would lose what that carried.
var errNewer = errors.New("of a newer version")

// sumOf is the part of a name in carried.Folders.
func sumOf(name string) uint64 { return crc64.Checksum([]byte(name), crc64.MakeTable(crc64.ECMA)) }

func (n note) sum() (string, error) {
	n.SHA256 = ""
	text, err := json.Marshal(n)
	if err != nil {
		return "", err
	}
	sum := sha256.Sum256(text)
	return hex.EncodeToString(sum[:]), nil
}

// readNote reads the note of a log folder. The error wraps fs.ErrNotExist where
// there is none, and says why where there is one that cannot count.
func readNote(logFolder string) (*note, error) {
	text, err := plain.Read(filepath.Join(logFolder, noteName), plain.Note)
	if err != nil {
		return nil, err
	}
	var n note
	err = json.Unmarshal(text, &n)
	if n.V > noteVersion {
		return nil, fmt.Errorf("the note of the last session (%s) is %w (form %d; this program reads %d): start the newer program; or move the note away, and this one reads all sessions and comes up tripped",
			filepath.Join(logFolder, noteName), errNewer, n.V, noteVersion)
	}
	if err != nil {
		return nil, fmt.Errorf("it is damaged (%w)", err)
	}
	want, err := n.sum()
	if err != nil || n.V < 1 || n.SHA256 != want || n.Number < 1 || n.Number > mostNumber || !n.Last.sound() || n.Guard != nil && !n.Guard.sound() {
		return nil, errors.New("it is damaged or was edited")
	}
	return &n, nil
}

// sound reports whether the name is one of this folder's.
func (n *noted) sound() bool {
	return n.Session != "" && n.Session == filepath.Base(n.Session) && !strings.HasPrefix(n.Session, ".") && n.Number >= 1
}

// Remember notes outside the session's folder in which state the latch is and
// how far the trip log is on the disk: at the start, when a trip or a fault is
// kept, and at the end. A power cut leaves the old note or the new one. Whoever
// writes the trip log calls it; it takes no lock.
func (s *Session) Remember(state string, ended bool) error {
	status := s.Trips.Status()
	n := note{V: noteVersion, Number: s.Info.Number, Last: noted{Session: s.Info.Session, Number: s.Info.Number, Duty: s.Info.Duty,
		State: state, Lines: status.Kept, Head: status.Head, Ended: ended, Mark: s.Info.Mark}}
	// A rehearsal on a real pad's folder clears no more than a watch does.
	if was := s.before.guard; s.Info.Duty != DutyWatch && (was == nil || s.Info.Mark == "" || s.Info.Mark == was.Mark) {
		n.Guard = &n.Last
	} else {
		n.Guard, n.Owed = was, s.before.owed
	}
	if s.facts != nil {
		n.Carried = &carried{Software: s.Info.Software, Mark: s.Info.Mark, Folders: s.before.folders, Facts: s.facts, Going: s.before.going}
	}
	return n.write(filepath.Dir(s.Dir))
}

// counts reports whether what has a mark counts on a pad with another: a rehearsal counts
// in its like alone.
func counts(mark, pad string) bool { return mark == "" || mark == pad }

func (n *note) write(logFolder string) (err error) {
	if n.SHA256, err = n.sum(); err != nil {
		return err
	}
	text, err := json.MarshalIndent(n, "", "  ")
	if err == nil {
		err = numbered.WriteWhole(filepath.Join(logFolder, noteName), append(text, '\n'), 0o644)
	}
	if err != nil {
		return fmt.Errorf("note how session %s stands: %w", n.Last.Session, err)
	}
	return nil
}

// memory is what earlier sessions leave to the next one.
type memory struct {
	highest int // number of any session
	found   []Ending
	guard   *noted // the latest that held a relay
	owed    []owed // of found: what a later look would not find again
	folders uint64 // that stand there, as in carried
	going   []string
	top     []string // the latest session and later ones, behind those that facts are of
	facts   json.RawMessage
	why     string // there are no facts
	broke   bool   // the latest session did not end in order
	ran     bool   // records stand there that only sessions make
}

const mend = "look into it; if nobody knows why, treat it as a trip that nobody reported. Then reset"

// recall looks at the note and at what it points to. It reads the names in the
// log folder and the sessions that the note speaks of or does not know, not all.
func recall(logFolder string, meta *Meta) (memory, error) {
	n, noNote := readNote(logFolder)
	if errors.Is(noNote, errNewer) {
		return memory{}, noNote
	}
	var m memory
	later := map[string]int{}
	var young uint64
	err := plain.Names(logFolder, func(name string) {
		m.ran = m.ran || name == "shown"
		whole, gone := strings.CutPrefix(name, removing)
		number, ok := numberIn(whole)
		if !ok {
			return
		}
		m.highest = max(m.highest, number)
		switch {
		case gone:
		case n != nil && number > n.Number: // it ran later, if it got as far as a log
			young += sumOf(name)
			if _, err := os.Lstat(filepath.Join(logFolder, name, triplog.PartName(1))); err == nil {
				later[name] = number
			}
		case n != nil && n.Carried != nil && slices.Contains(n.Carried.Going, name):
			m.going = append(m.going, name)
		default:
			m.folders += sumOf(name)
		}
	})
	if err != nil {
		return m, explain("look for earlier sessions", logFolder, err)
	}
	if noNote != nil {
		return recallWithout(logFolder, m, meta, noNote)
	}
	m.highest, m.guard, m.owed, m.broke = max(m.highest, n.Number), n.Guard, n.Owed, !n.Last.Ended
	for _, o := range n.Owed {
		m.found = append(m.found, Ending{Dir: logFolder, How: o.How, Says: o.Says})
	}
	off := false
	if n.Guard != nil {
		e := n.Guard.look(logFolder)
		if off = e.off; e.How != Clean {
			m.found = append(m.found, e)
		}
	}
	if n.Guard == nil || n.Guard.Session != n.Last.Session {
		if e := n.Last.look(logFolder); e.off {
			off = true
			m.owe(e)
		}
	}
	m.top = slices.SortedFunc(maps.Keys(later), func(a, b string) int { return later[a] - later[b] })
	for _, name := range m.top {
		e := Ending{Session: name, Dir: filepath.Join(logFolder, name)}
		if s, err := Open(e.Dir); err == nil {
			e, _ = s.Ending() // whatever it says, it is a mismatch at the least
		}
		e.mismatch("it ran after the last one that was noted", nil)
		m.owe(e)
	}
	m.top = slices.Insert(m.top, 0, n.Last.Session)
	switch c := n.Carried; {
	case off:
		// It may be of another folder: the sessions that stand here have their say.
		m.why = "the note of the last session does not match"
		_, err = m.bySessions(logFolder, meta)
	case c != nil && c.Folders != m.folders:
		m.why = "session folders were put in or taken away by hand"
		m.owe(Ending{Dir: logFolder, How: Mismatch, Says: m.why + ": what was declared and flown in one that is gone counts no more; " + mend})
	case c == nil || c.Software != meta.Software || c.Mark != meta.Mark:
		m.why = "the note of the last session carries nothing of them for this version and this pad"
	default:
		m.facts = c.Facts
	}
	m.folders += young
	return m, err
}

func (m *memory) owe(e Ending) {
	if e.Session != "" && slices.ContainsFunc(m.found, func(o Ending) bool { return o.Session == e.Session }) {
		return
	}
	m.found = append(m.found, e)
	m.owed = append(m.owed, owed{e.How, e.Says})
}

// recallWithout decides by the sessions themselves, and by the safe side: with
// sessions but no note that counts, nobody knows which was the last.
func recallWithout(logFolder string, m memory, meta *Meta, why error) (memory, error) {
	none := errors.Is(why, fs.ErrNotExist)
	says := fmt.Sprintf("the note of the last session (%s) cannot be used: %v", noteName, why)
	if none {
		says = fmt.Sprintf("there are sessions in the log folder, or records of some, but no note of the last one (%s): it was removed, or they are from an older version of this program", noteName)
	}
	m.owe(Ending{Dir: logFolder, How: Mismatch, Says: says + "; " + mend})
	if n, err := m.bySessions(logFolder, meta); err != nil || none && n == 0 && !m.ran {
		return memory{}, err // the first start in this folder
	}
	m.why, m.broke = "there is no note of the last session that can be used", true
	m.highest += numbersGone
	return m, nil
}

// bySessions takes what the n sessions themselves say, where no note can be believed: how
// the latest that held a relay ended, with those before it as long as they broke off
// without having said a state.
func (m *memory) bySessions(logFolder string, meta *Meta) (n int, err error) {
	sessions, broken, err := all(logFolder)
	n = len(sessions) + len(broken)
	for _, s := range sessions {
		m.highest = max(m.highest, s.Info.Number)
	}
	sessions = slices.DeleteFunc(sessions, func(s *Session) bool { return s.Info.Duty == DutyWatch || !counts(s.Info.Mark, meta.Mark) })
	slices.SortFunc(sessions, func(a, b *Session) int { return b.Info.Number - a.Info.Number })
	for _, s := range sessions {
		e, err := s.Ending()
		if err != nil {
			e.How, e.Says = Unreadable, fmt.Sprintf("nobody can tell how session %s ended (%v); %s", s.Info.Session, err, mend)
		}
		if e.How != Clean {
			m.owe(e)
		}
		if e.How == Clean || e.State != "" {
			break
		}
		// It broke off before it had said its state: what the one before it
		// left stands still.
	}
	for _, e := range broken {
		m.owe(e)
	}
	return n, err
}

// look returns how a noted session ended, held against the note.
func (n *noted) look(logFolder string) Ending {
	dir := filepath.Join(logFolder, n.Session)
	e := Ending{Session: n.Session, Dir: dir, State: n.State}
	info, err := os.Lstat(dir)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		e.mismatch("it was the last that held the relay, and its folder is gone: moved, renamed or deleted", n)
		return e
	case err != nil:
		e.mismatch(err.Error(), n)
		return e
	case !info.IsDir():
		e.mismatch("what stands in its place is no folder", n)
		return e
	}
	s, err := Open(dir)
	if err != nil {
		e.mismatch(err.Error(), n)
		return e
	}
	if e, err = s.ending(n.Lines, n.Head); err != nil {
		e.State = n.State
		e.mismatch(err.Error(), n)
		return e
	}
	if e.State == "" {
		e.State = n.State // it broke off before it had said one
	}
	duty := func(d string) string {
		if d == "" {
			return "guard"
		}
		return d
	}
	switch {
	case s.Info.Session != n.Session || s.Info.Number != n.Number:
		e.mismatch(fmt.Sprintf("by its %s it is session %s, number %d, and number %d was noted", infoName, s.Info.Session, s.Info.Number, n.Number), n)
	case s.Info.Duty != n.Duty:
		e.mismatch(fmt.Sprintf("its %s says duty %s, and duty %s was noted", infoName, duty(s.Info.Duty), duty(n.Duty)), n)
	case !e.noted:
		e.mismatch(fmt.Sprintf("line %d of its trip log does not stand there as it was noted: lines were cut off, or the log was written anew", n.Lines), n)
	case n.Ended && e.Log.Lines != n.Lines:
		e.mismatch("its trip log goes on after the end that was noted", n)
	case !n.Ended && e.Log.Verdict == triplog.Whole:
		e.mismatch("its trip log has an end, but the guard never noted one: it was killed in its last moment, or the log was written on", n)
	case n.State == interlock.Fault.String() && !n.Ended && !e.mended && e.How != InFault:
		// The log did not get as far: it broke off, or its disk took no more.
		e.How, e.Says = InFault, fmt.Sprintf("session %s was in a fault when it broke off; mend it and run the failed test again", e.Session)
	}
	return e
}

// mismatch makes the ending one that does not fit what was noted: the next
// session comes up tripped, or in the fault that either of them tells.
func (e *Ending) mismatch(why string, n *noted) {
	e.off = true
	if e.How != InFault {
		e.How = Mismatch
	}
	if n != nil && n.State == interlock.Fault.String() {
		e.How = InFault
	}
	e.Says = fmt.Sprintf("session %s does not match the note of it: %s; %s", filepath.Base(e.Dir), why, mend)
}

// nameTime is how a session's name begins: with its start. Its number stands behind it.
const nameTime = "2006-01-02T15-04-05Z"

// numberIn is the number in a session's name.
func numberIn(name string) (int, bool) {
	start, digits, ok := strings.Cut(name, "-s")
	if !ok || len(start) != len(nameTime) || start[len(start)-1] != 'Z' || len(digits) < 4 || len(digits) > 10 {
		return 0, false
	}
	n, err := strconv.ParseUint(digits, 10, 63)
	return int(n), err == nil && n >= 1 && n <= mostNumber
}
