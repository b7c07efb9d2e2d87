package signing

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"downhaul/interlock/records/numbered"
	"downhaul/interlock/records/plain"
)

// Seen is what must outlive a restart: the last stamp of every stream.
type Seen struct {
	Schema  int      `json:"schema"`
	Key     string   `json:"key"` // a mark of the key, from which it cannot be told
	Newest  Stamp    `json:"newest"`
	Streams []stream `json:"streams"`
}

const seenSchema = 1

// mark tells keys apart without telling one.
func (k Key) mark() string {
	sum := sha256.Sum256(append([]byte("downhaul signing key "), k[:]...))
	return hex.EncodeToString(sum[:8])
}

// Seen is what passed by then. Any goroutine. ahead is added to every stamp: kept while frames
// still come, it must cover what comes until it is kept again, or what was heard
// last before a crash could be heard once more.
func (d *Door) Seen(p *Passed, ahead time.Duration) Seen {
	s := Seen{Schema: seenSchema, Key: d.key.mark(), Newest: p.Newest, Streams: []stream{}}
	for _, v := range p.Streams {
		v.Last += Stamp(ahead / stampUnit)
		s.Streams = append(s.Streams, v)
		s.Newest = max(s.Newest, v.Last)
	}
	return s
}

// ReadSeen reads what Write kept. A file that is not there is an empty one; one
// that cannot be read is an error, because without it yesterday's frames would
// pass.
func ReadSeen(name string) (Seen, error) {
	var s Seen
	text, err := plain.Read(name, plain.Signatures)
	if errors.Is(err, fs.ErrNotExist) {
		return s, nil
	}
	if err == nil {
		err = json.Unmarshal(text, &s)
	}
	if err == nil && (s.Schema != seenSchema || len(s.Streams) > streamsMost || s.Newest >= stampEnd) {
		err = fmt.Errorf("its contents are none of this program's (schema %d, %d streams)", s.Schema, len(s.Streams))
	}
	if err != nil {
		return Seen{}, fmt.Errorf("read the last signatures: %s: %w; if it is damaged, move it away: frames of the last minute before may then pass once more", name, err)
	}
	return s, nil
}

// Write keeps it so that a power cut leaves the old file or the new one.
func (s Seen) Write(name string) error {
	text, err := json.Marshal(s)
	if err == nil {
		err = os.MkdirAll(filepath.Dir(name), 0o750)
	}
	if err == nil {
		err = numbered.WriteWhole(name, append(text, '\n'), 0o600)
	}
	if err != nil {
		return fmt.Errorf("keep the last signatures: %w", err)
	}
	return nil
}
