// Package plain opens what the daemon and the crew's tool read: regular files of
// a kind with a stated largest size. A pipe or a log of the kernel's would hold a
// start up for ever, a device or a file of zeros would be read until memory ran
// out, and opening some devices acts (a hardware watchdog is armed by it).
//
// Every file and folder is read through here; a test in rules/architecture finds
// whatever does not.
package plain

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
)

// Kind is a kind of file with its largest size in bytes.
type Kind struct {
	What string
	Most int64
}

// The kinds and their largest sizes: ours, no source; each is at least ten times
// what a long day or a large pad makes of it.
var (
	Setup      = Kind{"a pad file, an envelope or a test card", 1 << 20}
	Key        = Kind{"a signing key", 4 << 10}
	Signatures = Kind{"the record of the last signatures", 1 << 20}
	Record     = Kind{"a record of tests or reports", 16 << 20}
	Heard      = Kind{"what listen --json prints", 16 << 20}
	Note       = Kind{"a note of a session", 1 << 20} // session.json and its like
	TripLog    = Kind{"a trip log", 1 << 30}          // read as a stream
	Recording  = Kind{"a recording", 16 << 30}        // read as a stream
	Number     = Kind{"a machine's number", 4 << 10}
)

// mostEntries bounds the names in a folder.
const mostEntries = 200_000

// Open opens a regular file of that kind for reading. It follows links, and
// refuses whatever else they lead to without opening it.
func Open(name string, kind Kind) (*os.File, error) {
	info, err := os.Stat(name)
	if err != nil {
		return nil, err
	}
	if err := kind.check(name, info); err != nil {
		return nil, err
	}
	// Another may stand under the name by now: nothing here waits for a pipe's
	// other end, and what was opened is looked at again.
	f, err := os.OpenFile(name, os.O_RDONLY|nonblock, 0)
	if err != nil {
		return nil, err
	}
	if info, err = f.Stat(); err == nil {
		err = kind.check(name, info)
	}
	if err == nil && info.Size() == 0 && onNoDisk(f) {
		// Regular by its mode: but some such files never end, and reading others
		// waits for something to happen.
		err = fmt.Errorf("%s is made up by the kernel and no file on a disk, and this must be %s: name that file itself", name, kind.What)
	}
	if err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return f, nil
}

// Read reads a regular file of that kind whole.
func Read(name string, kind Kind) ([]byte, error) {
	f, err := Open(name, kind)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return kind.whole(name, f)
}

// whole reads an open file to its end. The size that was told binds nobody: a
// file can grow.
func (k Kind) whole(name string, f io.Reader) ([]byte, error) {
	text, err := io.ReadAll(io.LimitReader(f, k.Most+1))
	if err != nil {
		return nil, err
	}
	if int64(len(text)) > k.Most {
		return nil, k.tooLarge(name, "more than that")
	}
	return text, nil
}

func (k Kind) check(name string, info fs.FileInfo) error {
	if mode := info.Mode(); !mode.IsRegular() {
		return fmt.Errorf("%s is %s; want a regular file, since this must be %s: name that file itself", name, typeOf(mode), k.What)
	}
	if n := info.Size(); n > k.Most {
		return k.tooLarge(name, Size(n))
	}
	return nil
}

func (k Kind) tooLarge(name, got string) error {
	return fmt.Errorf("%s is too large for %s: at most %s (got %s); name another file, or move this one away", name, k.What, Size(k.Most), got)
}

// typeOf returns what a file is that is no regular one.
func typeOf(mode fs.FileMode) string {
	switch {
	case mode.IsDir():
		return "a folder"
	case mode&fs.ModeNamedPipe != 0:
		return "a pipe"
	case mode&fs.ModeSocket != 0:
		return "a socket"
	case mode&fs.ModeDevice != 0:
		return "a device"
	}
	return "no file of bytes"
}

// Size is a number of bytes for people.
func Size(n int64) string {
	unit, v := "bytes", float64(n)
	for _, larger := range []string{"KB", "MB", "GB", "TB"} {
		if v < 1024 {
			break
		}
		unit, v = larger, v/1024
	}
	if unit == "bytes" || v == float64(int64(v)) {
		return fmt.Sprintf("%.0f %s", v, unit)
	}
	return fmt.Sprintf("%.1f %s", v, unit)
}

// Names hands over the names in a folder in no order, at most mostEntries of them, and
// holds no more than a chunk of them at a time.
func Names(dir string, take func(name string)) error {
	f, err := openFolder(dir)
	if err != nil {
		return err
	}
	defer f.Close()
	for n := 0; ; {
		some, err := f.Readdirnames(512)
		for _, name := range some {
			take(name)
		}
		if n += len(some); n > mostEntries {
			return fmt.Errorf("folder %s: over %d names in it; move the oldest elsewhere", dir, mostEntries)
		}
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
	}
}

// SyncFolder returns when the names in the folder are on the disk.
func SyncFolder(dir string) error {
	f, err := openFolder(dir)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}

func openFolder(dir string) (*os.File, error) {
	return os.OpenFile(dir, os.O_RDONLY|nonblock|onlyFolder, 0)
}
