package triplog

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"strconv"
	"time"
)

// Version is the schema version in every line.
const Version = 1

// Kind states what a line is about.
type Kind string

// The kinds of line.
const (
	KindHead     Kind = "head"     // first line of every file: what runs
	KindDecision Kind = "decision" // the engine decided something
	KindHost     Kind = "host"     // the host told something
	KindLost     Kind = "lost"     // Count lines or chunks could not be kept
	KindNote     Kind = "note"     // somebody or something left a remark
	KindEnded    Kind = "ended"    // the session ended in order; nothing follows
)

// Line is one line to be kept.
type Line struct {
	// At is the engine time. The wall time beside it in the log is the head's
	// wall start plus At, so a stepped clock moves nothing.
	At   time.Duration
	Kind Kind
	// State is the state of the latch after this line, in its own word
	// ("tripped"); empty where it is not known or did not change.
	State string
	// Decision is one JSON object without line breaks, kept byte for byte. Nil
	// leaves the field out.
	Decision []byte
	// Text is a plain remark; empty leaves it out.
	Text string
	// Count goes with KindLost; 0 leaves it out.
	Count uint64
}

// FileHash is one of the files that the session runs on.
type FileHash struct {
	Name   string `json:"name"`
	SHA256 string `json:"sha256"` // hex
}

// Head states what the session is. It is the first line of every file.
type Head struct {
	Session  string     `json:"session"`
	Files    []FileHash `json:"files"`
	Wall     time.Time  `json:"wall_start"` // wall clock at engine time 0, read once
	Software string     `json:"software"`
	Arch     string     `json:"arch"`
	// Mark is set where no real relay was worked, and says so.
	Mark string `json:"mark,omitempty"`
	// Continues is set by the log itself in trips-2.jsonl and on.
	Continues *Continues `json:"continues,omitempty"`
}

// Continues names the line that a further file carries on from: the last that
// was safely on disk. Later lines of the file before are superseded.
type Continues struct {
	File  string `json:"file"`
	N     uint64 `json:"n"`
	Chain string `json:"hash"` // hex; not "chain", which ends every line
}

// check refuses what would break the form of the log.
func (l *Line) check() error {
	switch l.Kind {
	case KindDecision, KindHost, KindLost, KindNote, KindEnded:
	default:
		return fmt.Errorf("trip log line of kind %q: want one of decision, host, lost, note, ended", string(l.Kind))
	}
	if l.At < 0 {
		return fmt.Errorf("trip log line at %v: engine time starts at 0", l.At)
	}
	if len(l.Decision)+len(l.Text)+len(l.State) > maxLine/8 {
		return fmt.Errorf("trip log line of %d bytes: at most %d", len(l.Decision)+len(l.Text), maxLine/8)
	}
	if d := l.Decision; d != nil {
		if len(d) < 2 || d[0] != '{' || d[len(d)-1] != '}' {
			return errors.New("trip log decision: want one JSON object from { to }")
		}
		for _, c := range d {
			if c < 0x20 {
				return errors.New("trip log decision: holds a control character; want one line of JSON")
			}
		}
		if bytes.Contains(d, []byte(chainKey)) {
			return errors.New("trip log decision: has a key \"chain\", which belongs to the log")
		}
	}
	return nil
}

// wallForm is RFC 3339 with milliseconds.
const wallForm = "2006-01-02T15:04:05.000Z07:00"

// render writes the line with its chain. It does not allocate.
func (l *Log) render(n uint64, line *Line, head []byte) error {
	b := append(l.out.begin(), `{"v":`...)
	b = strconv.AppendInt(b, Version, 10)
	b = append(b, `,"n":`...)
	b = strconv.AppendUint(b, n, 10)
	b = append(b, `,"at_ns":`...)
	b = strconv.AppendInt(b, int64(line.At), 10)
	b = append(b, `,"wall":"`...)
	b = l.head.Wall.Add(line.At).AppendFormat(b, wallForm)
	b = appendText(append(b, `","kind":`...), string(line.Kind))
	if line.State != "" {
		b = appendText(append(b, `,"state":`...), line.State)
	}
	if line.Decision != nil {
		b = append(append(b, `,"decision":`...), line.Decision...)
	}
	if head != nil {
		b = append(append(b, `,"head":`...), head...)
	}
	if line.Text != "" {
		b = appendText(append(b, `,"text":`...), line.Text)
	}
	if line.Count != 0 {
		b = strconv.AppendUint(append(b, `,"count":`...), line.Count, 10)
	}
	return l.out.write(b)
}

// appendText appends a text as JSON. Most texts hold nothing that must be escaped.
func appendText(dst []byte, text string) []byte {
	for i := range len(text) {
		if c := text[i]; c < 0x20 || c > 0x7E || c == '"' || c == '\\' {
			quoted, _ := json.Marshal(text) // a string always has a form
			return append(dst, quoted...)
		}
	}
	return append(append(append(dst, '"'), text...), '"')
}

func (l *Log) headJSON(c *Continues) ([]byte, error) {
	h := l.head
	h.Continues = c
	if h.Files == nil {
		h.Files = []FileHash{}
	}
	return json.Marshal(h)
}
