package triplog

import (
	"encoding/hex"
	"errors"
	"fmt"
	"time"
)

// Ours. maxLine bounds a line, so that a reader needs no more memory than that.
// maxHeld bounds what is kept in memory while no file takes it: some thousand
// lines, and four times that for durable ones; trips are far fewer. syncAt bounds what waits for a sync on a good
// file when the caller forgets to ask. retry is how long a broken log waits
// before lines that need not be durable try a new file.
const (
	maxLine = 1 << 20
	maxHeld = 4 << 20
	syncAt  = 1 << 20
	retry   = time.Second
)

// ErrDropped is wrapped where a line was not taken at all: no later sync keeps it.
var ErrDropped = errors.New("the line is not taken")

// errEnded is returned for a line after the `ended` line or after Close.
var errEnded = fmt.Errorf("trip log has ended: nothing may follow: %w", ErrDropped)

// Log is a trip log that is being written.
type Log struct {
	disk Disk
	head Head
	out  chainWriter

	file File // nil while no file takes lines
	part int
	n    uint64 // number of the last line written to file

	goodPart  int // where the last line known to be on disk stands
	goodN     uint64
	goodChain link

	held    []Line // lines since the last good sync
	arena   []byte // their decisions
	size    int    // rough bytes of held
	lost    uint64 // lines dropped because memory was full too
	lastTry time.Duration
	cause   error // why file is nil, or why the last file was given up
	ended   bool
	closed  bool
}

// Create starts the log of a session on a disk, such as a Folder, with its head line,
// synced. It fails if the disk already holds one.
func Create(disk Disk, head Head) (*Log, error) {
	head.Wall = head.Wall.Round(0).UTC()
	l := &Log{
		disk: disk, head: head, part: 1,
		held: make([]Line, 0, 256), arena: make([]byte, 0, 1<<16),
	}
	l.out.buf = make([]byte, 0, 4096)
	if err := l.open(nil); err != nil {
		return nil, fmt.Errorf("start trip log: %w", err)
	}
	return l, nil
}

// open makes the file of number l.part, writes its head and whatever is held,
// and syncs. On failure nothing of the new file stands and l.file is nil.
func (l *Log) open(c *Continues) (err error) {
	name := PartName(l.part)
	l.n, l.out.head = l.goodN, l.goodChain
	f, err := l.disk.Create(name)
	if err != nil {
		return fmt.Errorf("create %s: %w", name, err)
	}
	defer func() {
		if err != nil {
			l.file, l.out.file = nil, nil
			_ = f.Close()
			if l.disk.Remove(name) != nil {
				l.part++ // the name stays taken
			}
		}
	}()
	l.file, l.out.file = f, f
	head, err := l.headJSON(c)
	if err != nil {
		return fmt.Errorf("render head: %w", err)
	}
	at := time.Duration(0)
	if len(l.held) > 0 {
		at = l.held[0].At
	}
	if err := l.put(&Line{At: at, Kind: KindHead}, head); err != nil {
		return fmt.Errorf("write %s: %w", name, err)
	}
	for i := range l.held {
		if err := l.put(&l.held[i], nil); err != nil {
			return fmt.Errorf("write %s: %w", name, err)
		}
	}
	if l.lost > 0 {
		if err := l.put(&Line{At: l.held[len(l.held)-1].At, Kind: KindLost, Count: l.lost, Text: "lines of this log"}, nil); err != nil {
			return fmt.Errorf("write %s: %w", name, err)
		}
	}
	if err := f.Sync(); err != nil {
		return fmt.Errorf("sync %s: %w", name, err)
	}
	if err := l.disk.SyncFolder(); err != nil {
		return fmt.Errorf("sync folder of %s: %w", name, err)
	}
	l.lost = 0
	l.kept()
	return nil
}

// kept notes that all that was written is on disk.
func (l *Log) kept() {
	l.goodPart, l.goodN, l.goodChain = l.part, l.n, l.out.head
	clear(l.held)
	l.held, l.arena, l.size = l.held[:0], l.arena[:0], 0
}

func (l *Log) put(line *Line, head []byte) error {
	if err := l.render(l.n+1, line, head); err != nil {
		return err
	}
	l.n++
	return nil
}

// hold copies the line so that it can be written anew.
func (l *Log) hold(line Line, durable bool) bool {
	if l.size > maxHeld && (!durable || l.size > 4*maxHeld) {
		l.lost++
		return false
	}
	if line.Decision != nil {
		start := len(l.arena)
		l.arena = append(l.arena, line.Decision...)
		line.Decision = l.arena[start:len(l.arena):len(l.arena)]
	}
	l.held = append(l.held, line)
	l.size += len(line.Decision) + len(line.Text) + 128
	return true
}

// Append adds one line. With durable it returns nil only when the line, and
// all before it, are on the disk. After an error the line is not safely
// kept yet; it waits in memory, and a later Append or Sync that returns nil has
// kept it, unless the error wraps ErrDropped. Without durable the line is synced by the next Sync.
//
// A line that breaks the form, or comes after the end, is refused and not kept.
func (l *Log) Append(line Line, durable bool) error {
	if l.ended || l.closed {
		return errEnded
	}
	if err := line.check(); err != nil {
		return fmt.Errorf("%w: %w", ErrDropped, err)
	}
	l.ended = line.Kind == KindEnded
	if !l.hold(line, durable || l.ended) {
		return fmt.Errorf("trip log: %w, %d so far: no file takes lines: %w", ErrDropped, l.lost, l.cause)
	}
	if l.file == nil {
		if !durable && !l.ended && line.At-l.lastTry < retry {
			return fmt.Errorf("trip log line waits in memory: %w", l.cause)
		}
		return l.next(line.At, l.cause)
	}
	if err := l.put(&line, nil); err != nil {
		return l.next(line.At, fmt.Errorf("write %s: %w", PartName(l.part), err))
	}
	if durable || l.size > syncAt {
		return l.Sync()
	}
	return nil
}

// Sync returns nil when every line given so far is on the disk, in files that stand
// under their names; ErrGone when they do not. Call it at least once a second.
func (l *Log) Sync() error {
	if len(l.held) == 0 {
		return l.disk.Standing()
	}
	at := l.held[len(l.held)-1].At
	if l.file == nil {
		return l.next(at, l.cause)
	}
	if err := l.file.Sync(); err != nil {
		return l.next(at, fmt.Errorf("sync %s: %w", PartName(l.part), err))
	}
	l.kept()
	return l.disk.Standing()
}

// next gives the present file up for good and writes all that is not known to
// be on disk to a new one.
func (l *Log) next(at time.Duration, cause error) error {
	if l.file != nil {
		_ = l.file.Close()
		l.file, l.out.file = nil, nil
		l.part++
	}
	l.cause, l.lastTry = cause, at
	c := &Continues{File: PartName(l.goodPart), N: l.goodN, Chain: hex.EncodeToString(l.goodChain[:])}
	if err := l.open(c); err != nil {
		l.cause = err
		return fmt.Errorf("trip log: %w (after: %w)", err, cause)
	}
	return l.disk.Standing()
}

// Close syncs and closes. It adds no `ended` line: only the session knows
// whether it ended in order.
func (l *Log) Close() error {
	if l.closed {
		return nil
	}
	l.closed = true
	err := l.Sync()
	if l.file != nil {
		if cerr := l.file.Close(); err == nil && cerr != nil {
			err = fmt.Errorf("close %s: %w", PartName(l.part), cerr)
		}
		l.file, l.out.file = nil, nil
	}
	return err
}

// Status is the state of the log.
type Status struct {
	Part  int    // number of the file in use; more than 1 after a failure
	Lines uint64 // lines written, the heads included
	Kept  uint64 // number of the last line known to be on disk
	Head  string // chain of that line, hex
	Lost  uint64 // lines dropped for want of memory, not yet noted in the log
	Cause error  // why a file was given up, nil if none was
}

// Status returns the state of the log.
func (l *Log) Status() Status {
	return Status{Part: l.part, Lines: l.n, Kept: l.goodN, Head: hex.EncodeToString(l.goodChain[:]), Lost: l.lost, Cause: l.cause}
}
