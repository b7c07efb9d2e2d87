package numbered

import (
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"downhaul/interlock/records/plain"
)

// Write keeps a record in a folder: whole or not at all. It numbers it, from 1, and
// returns the path.
func Write(dir string, made time.Time, number *int, record any) (string, error) {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return "", fmt.Errorf("make the folder of records: %w", err)
	}
	*number = 1
	if err := plain.Names(dir, func(name string) { *number = max(*number, numberOf(name)+1) }); err != nil {
		return "", fmt.Errorf("look for records: %w", err)
	}
	text, err := Encode(record)
	if err != nil {
		return "", err
	}
	path := filepath.Join(dir, Name(*number, made))
	if err := WriteWhole(path, text, 0o644); err != nil {
		return "", fmt.Errorf("keep the record: %w", err)
	}
	return path, nil
}

// Name returns the name of a record's file.
func Name(number int, made time.Time) string {
	return fmt.Sprintf("%04d-%s.json", number, made.UTC().Format("2006-01-02T150405Z"))
}

// WriteWhole writes a file beside its place and moves it there once it is on
// disk: a power cut leaves the old file or the new one.
func WriteWhole(path string, text []byte, mode fs.FileMode) (err error) {
	dir := filepath.Dir(path)
	f, err := os.CreateTemp(dir, ".unfinished-*")
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			_ = os.Remove(f.Name())
		}
	}()
	_, err = f.Write(text)
	if err = errors.Join(err, f.Chmod(mode), f.Sync(), f.Close()); err != nil {
		return err
	}
	if err = os.Rename(f.Name(), path); err != nil {
		return err
	}
	return plain.SyncFolder(dir)
}

// recordNames are the names of records from that number on, by number.
func recordNames(dir string, from int) (names []string, err error) {
	err = plain.Names(dir, func(name string) {
		if n := numberOf(name); n > 0 && n >= from {
			names = append(names, name)
		}
	})
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("look for records: %w", err)
	}
	slices.SortFunc(names, func(a, b string) int { return cmp.Or(numberOf(a)-numberOf(b), strings.Compare(a, b)) })
	return names, nil
}

// numberOf is the number in the name of a record, 0 for another file.
func numberOf(name string) int {
	digits, _, ok := strings.Cut(strings.TrimSuffix(name, ".json"), "-")
	if !ok || !strings.HasSuffix(name, ".json") {
		return 0
	}
	n, err := strconv.Atoi(digits)
	if err != nil || n < 1 {
		return 0
	}
	return n
}

// Lost is a record that cannot be read.
type Lost struct {
	Path   string
	Number int // by the file's name
	Err    error
}

func (l *Lost) Error() string { return fmt.Sprintf("%s does not count: %v", l.Path, l.Err) }

// Unwrap is why.
func (l *Lost) Unwrap() error { return l.Err }

// LostSince reports whether a record newer than that number is among the trouble that
// Read told: where one is, the newest that could be read is not the last word.
func LostSince(trouble []error, number int) bool {
	return slices.ContainsFunc(trouble, func(err error) bool {
		var lost *Lost
		return errors.As(err, &lost) && lost.Number > number
	})
}

// Read reads every record of a folder, oldest first; stands gives a record's
// own schema and number, and schema is the one that is read. What cannot be
// read is left out, and told as a Lost. Where an older record may not count in
// the place of a newer one that was lost, that is the caller's to see to.
func Read[T any](dir string, schema int, stands func(*T) (schema, number int)) (records []*T, trouble []error, err error) {
	return ReadFrom(dir, 0, schema, stands)
}

// ReadFrom is Read of the records from that number on.
func ReadFrom[T any](dir string, from, schema int, stands func(*T) (schema, number int)) (records []*T, trouble []error, err error) {
	names, err := recordNames(dir, from)
	if err != nil {
		return nil, nil, err
	}
	one := func(path string, number int) (*T, error) {
		text, err := plain.Read(path, plain.Record)
		if err != nil {
			return nil, err
		}
		r := new(T)
		if err := Decode(text, r); err != nil {
			return nil, err
		}
		switch s, n := stands(r); {
		case s != schema:
			return nil, fmt.Errorf("the record has schema %d; this software reads %d", s, schema)
		case n != number:
			return nil, fmt.Errorf("%w: it is number %d by its contents", ErrDamaged, n)
		}
		return r, nil
	}
	for _, name := range names {
		path := filepath.Join(dir, name)
		r, err := one(path, numberOf(name))
		if err != nil {
			trouble = append(trouble, &Lost{path, numberOf(name), err})
			continue
		}
		records = append(records, r)
	}
	return records, trouble, nil
}

// ReadLast is Read where the newest record has the last word: what stands before one
// that cannot be read, damaged or of a newer version, does not count, because that
// one may take it back.
func ReadLast[T any](dir string, schema int, stands func(*T) (schema, number int)) (records []*T, trouble []error, err error) {
	records, trouble, err = Read(dir, schema, stands)
	before := len(records)
	records = slices.DeleteFunc(records, func(r *T) bool {
		_, number := stands(r)
		return LostSince(trouble, number)
	})
	if n := before - len(records); n > 0 {
		trouble = append(trouble, fmt.Errorf("so %d older records in %s do not count either: they may have been taken back; do it again, or use the newer program", n, dir))
	}
	return records, trouble, err
}
