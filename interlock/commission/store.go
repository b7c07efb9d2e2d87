package commission

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
)

// Folder is where the records of a log folder stand, beside its sessions.
func Folder(logFolder string) string { return filepath.Join(logFolder, "commission") }

// CanWrite says whether a record could be kept: better asked before the crew
// works for half an hour.
func CanWrite(logFolder string) error {
	dir := Folder(logFolder)
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return fmt.Errorf("make the folder of records: %w", err)
	}
	f, err := os.CreateTemp(dir, ".unfinished-*")
	if err != nil {
		return fmt.Errorf("the record could not be kept: %w", err)
	}
	return errors.Join(f.Close(), os.Remove(f.Name()))
}

// Write numbers the record and keeps it in the log folder: whole or not at
// all. It gives the path.
func (r *Record) Write(logFolder string) (string, error) {
	dir := Folder(logFolder)
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return "", fmt.Errorf("make the folder of records: %w", err)
	}
	names, err := recordNames(dir)
	if err != nil {
		return "", err
	}
	r.Number = 1
	if n := len(names); n > 0 {
		r.Number = numberOf(names[n-1]) + 1
	}
	text, err := r.encode()
	if err != nil {
		return "", err
	}
	path := filepath.Join(dir, fmt.Sprintf("%04d-%s.json", r.Number, r.Made.UTC().Format("2006-01-02T150405Z")))
	if err := writeWhole(dir, path, text); err != nil {
		return "", fmt.Errorf("keep the record: %w", err)
	}
	return path, nil
}

// writeWhole writes beside the place and moves there what is on disk.
func writeWhole(dir, path string, text []byte) (err error) {
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
	if err = errors.Join(err, f.Chmod(0o644), f.Sync(), f.Close()); err != nil {
		return err
	}
	if err = os.Rename(f.Name(), path); err != nil {
		return err
	}
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

// recordNames are the names of records, by number.
func recordNames(dir string) ([]string, error) {
	entries, err := os.ReadDir(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("look for records: %w", err)
	}
	var names []string
	for _, e := range entries {
		if numberOf(e.Name()) > 0 {
			names = append(names, e.Name())
		}
	}
	slices.SortFunc(names, func(a, b string) int { return numberOf(a) - numberOf(b) })
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

// Records reads every record of a log folder, oldest first. What can not be
// read is left out, and told: a record is only ever worth less by being lost.
func Records(logFolder string) (records []*Record, trouble []error, err error) {
	dir := Folder(logFolder)
	names, err := recordNames(dir)
	if err != nil {
		return nil, nil, err
	}
	for _, name := range names {
		path := filepath.Join(dir, name)
		text, err := os.ReadFile(path)
		if err == nil {
			var r *Record
			if r, err = decode(text); err == nil && r.Number != numberOf(name) {
				err = fmt.Errorf("%w: it is number %d by its contents", ErrDamaged, r.Number)
			} else if err == nil {
				records = append(records, r)
				continue
			}
		}
		trouble = append(trouble, fmt.Errorf("%s does not count: %w", path, err))
	}
	return records, trouble, nil
}
