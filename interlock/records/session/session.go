package session

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"iter"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"time"

	"downhaul/interlock/records/plain"
	"downhaul/interlock/records/recorder"
	"downhaul/interlock/records/triplog"
)

// Version is the schema version of session.json.
const Version = 1

// Names of the files in a session's folder.
const (
	infoName = "session.json"
	Envelope = "envelope.toml"
	Pad      = "pad.toml"
	Card     = "card.toml"
)

// defaultRoom is the free room that Create asks for unless Meta says
// otherwise: ours, a long day of telemetry at 50 kB/s with as much again.
const defaultRoom = 1 << 30

// DutyWatch is the duty of a session that holds no relay.
const DutyWatch = "watch"

// Meta is what the guard says of itself and of its clock.
type Meta struct {
	Software string
	Arch     string    // empty: the architecture of this program
	Wall     time.Time // wall clock at engine time 0, read once
	// Clock states in plain words how far the wall clock can be trusted.
	Clock string
	// Duty is DutyWatch for a session that holds no relay.
	Duty string
	// Mark is set where no real relay was worked, and says so.
	Mark string
	// Room is how many bytes must be free; 0 takes defaultRoom.
	Room uint64
	// Keep states which old sessions go at the end of this one.
	Keep Keep
	// Disk, where it is set, puts a disk that may fail in the trip log's place.
	Disk func(triplog.Disk) triplog.Disk
}

// File is one of the files that the session runs on, as read.
type File struct {
	Name string // Envelope, Pad or Card
	From string // where it was read
	Text []byte
}

// Info is session.json.
type Info struct {
	V       int    `json:"v"`
	Session string `json:"session"`
	// Number counts the sessions of a log folder from 1. It tells which one is
	// the latest where the wall clock cannot.
	Number   int        `json:"number"`
	Software string     `json:"software"`
	Arch     string     `json:"arch"`
	Wall     time.Time  `json:"wall_start"`
	Duty     string     `json:"duty,omitempty"`
	Mark     string     `json:"mark,omitempty"`
	Clocks   Clocks     `json:"clocks"`
	Files    []FileInfo `json:"files"`
}

// Clocks states what the times in the folder mean.
type Clocks struct {
	Engine string `json:"engine"`
	Wall   string `json:"wall"`
}

// FileInfo is one of the files kept in the folder.
type FileInfo struct {
	Name   string `json:"name"`
	From   string `json:"from"`
	Bytes  int    `json:"bytes"`
	SHA256 string `json:"sha256"` // hex
}

// Session is one session's folder.
type Session struct {
	Dir  string
	Info Info
	// Trips and Recording are open for writing after Create, nil after Open.
	Trips     *triplog.Log
	Recording *recorder.Writer
	// Retained states which old sessions went, and which had to stay.
	Retained []string
	keep     Keep
	lock     *os.File
	before   memory
	facts    json.RawMessage // what the next start is to know of the sessions before this one
	places   []triplog.Place // of the recording's files, and of the lock
}

// Before returns what earlier sessions left that this one must come up by: how the latest
// that did not only watch ended, and whatever is missing or does not match what was noted
// of it outside its folder. It is empty when that ended in order, or when there was none.
func (s *Session) Before() []Ending { return s.before.found }

// Create begins a session in the log folder. It checks that the folder can be
// written and has room, and holds it against a second guard until Close.
func Create(logFolder string, meta Meta, files []File) (*Session, error) {
	if err := checkFolder(logFolder); err != nil {
		return nil, err
	}
	if meta.Room == 0 {
		meta.Room = defaultRoom
	}
	if meta.Arch == "" {
		meta.Arch = runtime.GOARCH
	}
	meta.Wall = meta.Wall.Round(0).UTC()
	lock, err := takeLock(logFolder)
	if err != nil {
		return nil, err
	}
	s := &Session{lock: lock, keep: meta.Keep}
	if err := s.begin(logFolder, meta, files); err != nil {
		_ = s.Close()
		if s.Dir != "" {
			_ = os.RemoveAll(s.Dir) // holds nothing but what was made just now
		}
		return nil, err
	}
	return s, nil
}

func (s *Session) begin(logFolder string, meta Meta, files []File) error {
	// Without the lock's file a second guard would find nothing in its way.
	place, err := triplog.PlaceOf(s.lock, filepath.Join(logFolder, lockName))
	if err != nil {
		return explain("lock", logFolder, err)
	}
	s.places = append(s.places, place)
	if s.before, err = recall(logFolder, &meta); err != nil {
		return fmt.Errorf("look at the last session: %w", err)
	}
	// The end of the last session has seen to it, unless it broke off.
	short := checkRoom(logFolder, meta.Room)
	if s.before.broke || short != nil {
		s.retain(logFolder, meta.Wall, meta.Mark)
		short = checkRoom(logFolder, meta.Room)
	}
	if short != nil {
		return fmt.Errorf("%w%s", short, strings.Join(append([]string{""}, s.Retained...), "; "))
	}
	s.Info = Info{
		V: Version, Number: s.before.highest + 1, Software: meta.Software, Arch: meta.Arch, Wall: meta.Wall, Duty: meta.Duty, Mark: meta.Mark,
		Clocks: Clocks{Engine: "nanoseconds since wall_start, by a monotonic clock; nothing else decides", Wall: meta.Clock},
	}
	if err := s.makeFolder(logFolder); err != nil {
		return explain("make session folder", logFolder, err)
	}
	if err := s.fill(files, meta.Disk); err != nil {
		return explain("begin session", logFolder, err)
	}
	if err := plain.SyncFolder(logFolder); err != nil {
		return explain("begin session", logFolder, err)
	}
	return nil
}

// makeFolder names the session by its start and its number, and makes its
// folder. The number tells without a look inside which session was the latest.
func (s *Session) makeFolder(logFolder string) error {
	for ; ; s.Info.Number++ {
		name := fmt.Sprintf("%s-s%04d", s.Info.Wall.Format(nameTime), s.Info.Number)
		dir := filepath.Join(logFolder, name)
		err := os.Mkdir(dir, 0o755)
		if errors.Is(err, fs.ErrExist) {
			continue
		}
		if err == nil {
			s.Info.Session, s.Dir = name, dir
			s.before.folders += sumOf(name)
		}
		return err
	}
}

// fill writes everything that stands in a session's folder from the start.
func (s *Session) fill(files []File, failing func(triplog.Disk) triplog.Disk) error {
	head := triplog.Head{Session: s.Info.Session, Wall: s.Info.Wall, Software: s.Info.Software, Arch: s.Info.Arch, Mark: s.Info.Mark}
	s.Info.Files = []FileInfo{}
	for _, f := range files {
		switch f.Name {
		case Envelope, Pad, Card:
		default:
			return fmt.Errorf("file %q: want %s, %s or %s", f.Name, Envelope, Pad, Card)
		}
		if err := writeNew(filepath.Join(s.Dir, f.Name), f.Text); err != nil {
			return err
		}
		sum := sha256.Sum256(f.Text)
		hash := hex.EncodeToString(sum[:])
		s.Info.Files = append(s.Info.Files, FileInfo{Name: f.Name, From: f.From, Bytes: len(f.Text), SHA256: hash})
		head.Files = append(head.Files, triplog.FileHash{Name: f.Name, SHA256: hash})
	}
	text, err := json.MarshalIndent(s.Info, "", "  ")
	if err != nil {
		return err
	}
	if err := writeNew(filepath.Join(s.Dir, infoName), append(text, '\n')); err != nil {
		return err
	}
	disk := triplog.Folder(s.Dir)
	if failing != nil {
		disk = failing(disk)
	}
	if s.Trips, err = triplog.Create(disk, head); err != nil {
		return err
	}
	first, err := s.recordingFile(1)
	if err != nil {
		return err
	}
	s.Recording, err = recorder.Create(first, recorder.Start{
		Session: s.Info.Session, Software: s.Info.Software, Mark: s.Info.Mark, Wall: s.Info.Wall, Next: s.recordingFile,
	})
	if err != nil {
		_ = first.Close()
		return err
	}
	if err := s.Recording.Sync(); err != nil {
		return err
	}
	return plain.SyncFolder(s.Dir)
}

// recordingFile makes the recording's file of that number.
func (s *Session) recordingFile(part int) (recorder.File, error) {
	path := filepath.Join(s.Dir, recorder.FileName(part))
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_APPEND|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return nil, err
	}
	place, err := triplog.PlaceOf(f, path)
	if err != nil {
		return nil, errors.Join(err, f.Close(), os.Remove(path))
	}
	s.places = append(s.places, place)
	if part > 1 {
		_ = plain.SyncFolder(s.Dir)
	}
	return dataFile{f}, nil
}

// dataFile syncs the data, not the times.
type dataFile struct{ *os.File }

func (f dataFile) Sync() error { return plain.SyncData(f.File) }

// Standing returns nil while every file of the recording, and the lock, is the one that
// stands under its name; triplog.ErrGone is wrapped otherwise. The log itself tells of its own files.
// It belongs to the goroutine that writes the recording.
func (s *Session) Standing() error {
	for _, p := range s.places {
		if err := p.Stands(); err != nil {
			return err
		}
	}
	return nil
}

// Close closes trip log and recording and lets the log folder go. It adds no
// `ended` record: the guard does, once it has ended in order.
func (s *Session) Close() error {
	var errs []error
	if s.Trips != nil {
		errs = append(errs, s.Trips.Close())
	}
	if s.Recording != nil {
		errs = append(errs, s.Recording.Close())
	}
	if s.lock != nil {
		errs = append(errs, dropLock(s.lock))
		s.lock = nil
	}
	return errors.Join(errs...)
}

// Open opens a session's folder for reading.
func Open(dir string) (*Session, error) {
	text, err := plain.Read(filepath.Join(dir, infoName), plain.Note)
	if err != nil {
		if errors.Is(err, fs.ErrNotExist) {
			return nil, fmt.Errorf("open session %s: no %s in it; name a session's own folder, such as LOGS/2026-05-30T18-04-11Z-s0001", dir, infoName)
		}
		return nil, fmt.Errorf("open session: %w", err)
	}
	s := &Session{Dir: dir}
	if err := json.Unmarshal(text, &s.Info); err != nil {
		return nil, fmt.Errorf("open session %s: %s is damaged: %w", dir, infoName, err)
	}
	if s.Info.V != Version {
		return nil, fmt.Errorf("open session %s: schema version %d; this program reads %d", dir, s.Info.V, Version)
	}
	if n := s.Info.Number; n < 1 || n > mostNumber {
		// Which session is the latest goes by it.
		return nil, fmt.Errorf("open session %s: %s is damaged: its number is %d, want 1 to %d", dir, infoName, n, mostNumber)
	}
	return s, nil
}

// mostNumber is more sessions than anybody begins; ours.
const mostNumber = 1_000_000_000

// Text is the text of one of the three files as it was read on the day. An
// error says when it is not there or is no longer what it was.
func (s *Session) Text(name string) ([]byte, error) {
	for _, f := range s.Info.Files {
		if f.Name != name {
			continue
		}
		text, err := plain.Read(filepath.Join(s.Dir, filepath.Base(name)), plain.Setup)
		if err != nil {
			return nil, fmt.Errorf("session %s: %w", s.Info.Session, err)
		}
		sum := sha256.Sum256(text)
		if got := hex.EncodeToString(sum[:]); got != f.SHA256 {
			return text, fmt.Errorf("session %s: %s was changed since: SHA-256 is %s, session.json says %s", s.Info.Session, name, got, f.SHA256)
		}
		return text, nil
	}
	return nil, fmt.Errorf("session %s: has no %s: %w", s.Info.Session, name, fs.ErrNotExist)
}

// TripParts names the files of the trip log, in order.
func (s *Session) TripParts() ([]string, error) { return triplog.Parts(s.Dir) }

// Lines gives the lines of the trip log as triplog.FileLines does; one that is gone is broken.
func (s *Session) Lines() iter.Seq2[triplog.Record, error] {
	return func(yield func(triplog.Record, error) bool) {
		names, err := s.TripParts()
		if err == nil && len(names) == 0 {
			err = fmt.Errorf("session %s has no trip log: %w", s.Info.Session, triplog.ErrBroken)
		}
		if err != nil {
			yield(triplog.Record{}, err)
			return
		}
		triplog.FileLines(names...)(yield)
	}
}
