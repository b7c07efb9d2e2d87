// Package words takes what a craft says in words (STATUSTEXT), its parts joined. It
// never decides anything.
package words

import (
	"bytes"
	"strconv"
	"strings"
	"time"

	"downhaul/interlock/day/telemetry"
)

// Said is one text of a craft, of its own words: printable characters alone, others as
// escapes, at most MostText bytes.
type Said struct {
	At       time.Duration
	Severity uint8 // of RFC 5424: 0 emergency to 7 debug
	Text     string
}

// MostText bounds a text; ID is the message (MAVLink common set).
const MostText, ID = 300, 253

var severities = [...]string{"emergency", "alert", "critical", "error", "warning", "notice", "info", "debug"}

// Word is the severity in words.
func (s Said) Word() string {
	if int(s.Severity) < len(severities) {
		return severities[s.Severity]
	}
	return "severity " + strconv.Itoa(int(s.Severity))
}

// Joiner joins the parts of one sender's texts. The zero Joiner is ready.
type Joiner struct {
	id   uint16 // of the text that is being joined; 0: none
	next uint8
	said Said
	raw  []byte
}

// Payload of STATUSTEXT: severity, 50 characters, then id and number of the part
// (MAVLink common set). A part that is not full ends its text.
const full = 51

// Hear takes a frame of the sender at that time, and hands over each text that is whole.
func (j *Joiner) Hear(at time.Duration, f *telemetry.Frame, say func(Said)) {
	if f.ID != ID || len(f.Payload) == 0 {
		return
	}
	var p [full + 3]byte // zeros at the end are not sent
	copy(p[:], f.Payload)
	id, part := uint16(p[full])|uint16(p[full+1])<<8, p[full+2]
	text, _, ended := bytes.Cut(p[1:full], []byte{0})
	switch {
	case id == 0:
		say(Said{at, p[0], shown(text)})
		return
	case id != j.id:
		j.End(say)
		j.id, j.next, j.said, j.raw = id, 0, Said{At: at, Severity: p[0]}, nil
	}
	if part < j.next {
		return // said before
	}
	if part > j.next {
		j.raw = append(j.raw, " [...] "...)
	}
	if j.next = part + 1; len(j.raw) < MostText {
		j.raw = append(j.raw, text...)
	}
	if ended {
		j.End(say)
	}
}

// End hands over a text whose end did not come.
func (j *Joiner) End(say func(Said)) {
	if len(j.raw) > 0 {
		j.said.Text = shown(j.raw)
		say(j.said)
	}
	j.raw = nil
}

// shown is the text with everything escaped that is not for people's eyes.
func shown(b []byte) string {
	text := strings.TrimSpace(string(b[:min(len(b), MostText)]))
	quoted := strconv.QuoteToGraphic(text)
	return strings.ReplaceAll(strings.ReplaceAll(quoted[1:len(quoted)-1], `\"`, `"`), `\\`, `\`)
}
