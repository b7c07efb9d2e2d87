// Package words takes what a craft says in words (STATUSTEXT), its parts joined. It
// never decides anything.
package words

import (
	"bytes"
	"strconv"
	"strings"
	"time"
	"unicode"
)

// Said is one text of a craft, of its own words: printable characters alone, others as
// escapes, at most mostText bytes of both.
type Said struct {
	At       time.Duration
	Severity uint8 // of RFC 5424: 0 emergency to 7 debug
	Text     string
}

// mostText bounds a text; ID is the message, MostPayload its size and Warning a severity
// (MAVLink common set).
const mostText, ID, MostPayload, Warning = 300, 253, full + 3, 4

var severities = [...]string{"emergency", "alert", "critical", "error", "warning", "notice", "info", "debug"}

// Word is the severity in words.
func (s Said) Word() string {
	if int(s.Severity) < len(severities) {
		return severities[s.Severity]
	}
	return "severity " + strconv.Itoa(int(s.Severity))
}

// Remark is the text as a line of the trip log.
func (s Said) Remark() string { return Mark + s.Word() + ": " + s.Text }

// Mark begins a line of the trip log that holds words of the craft.
const Mark = "the craft says, "

// Joiner joins the parts of one sender's texts. The zero Joiner is ready.
type Joiner struct {
	id   uint16 // of the text that is being joined, or was last
	next uint8
	said Said
	raw  []byte // nil: none is being joined
}

// Payload of STATUSTEXT: severity, 50 characters, then id and number of the part
// (MAVLink common set). A part that is not full ends its text.
const full = 51

// Hear takes the payload of a frame that was heard at that time, and hands over each text
// that is whole.
func (j *Joiner) Hear(at time.Duration, payload []byte, say func(Said)) {
	var p [MostPayload]byte // zeros at the end are not sent
	copy(p[:], payload)
	id, part := uint16(p[full])|uint16(p[full+1])<<8, p[full+2]
	text, _, ended := bytes.Cut(p[1:full], []byte{0})
	switch {
	case id == 0:
		say(Said{at, p[0], shown(text)})
		return
	case id != j.id || part == 0 && j.raw == nil: // numbers may come again after a restart
		j.End(say)
		j.id, j.next, j.said, j.raw = id, 0, Said{At: at, Severity: p[0]}, nil
	}
	if part < j.next {
		return // said before
	}
	if len(j.raw) <= mostText {
		if part > j.next {
			j.raw = append(j.raw, " [...] "...)
		}
		j.raw = append(j.raw, text...)
	}
	j.next = part + 1
	if ended {
		j.End(say)
	}
}

// Overdue hands over a text whose end did not come within waitsFor.
func (j *Joiner) Overdue(now time.Duration, say func(Said)) {
	if now-j.said.At > waitsFor {
		j.End(say)
	}
}

// waitsFor is how long the parts of a text may take, over a slow radio as well; ours.
const waitsFor = 10 * time.Second

// End hands over a text whose end did not come.
func (j *Joiner) End(say func(Said)) {
	if len(j.raw) > 0 {
		j.said.Text = shown(j.raw)
		say(j.said)
	}
	j.raw = nil
}

// shown is the text with everything escaped that is not for people's eyes. Marks that are
// drawn over other characters, and could cover what stands beside them, are left out.
func shown(b []byte) string {
	quoted := strconv.QuoteToGraphic(string(bytes.TrimSpace(b)))
	text := strings.NewReplacer(`\"`, `"`, `\\`, `\`).Replace(quoted[1 : len(quoted)-1])
	text = strings.Map(func(r rune) rune {
		if unicode.Is(unicode.M, r) {
			return -1
		}
		return r
	}, text)
	if len(text) > mostText {
		text = strings.ToValidUTF8(text[:mostText-len(cut)], "") + cut
	}
	return text
}

// cut ends a text that is longer than is shown.
const cut = " [...]"
