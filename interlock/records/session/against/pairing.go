package against

import (
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"time"

	"downhaul/interlock/records/triplog"
)

// mostOpen bounds what is kept of log and recording; ours. They are written side by
// side in one order, but for about a thousand trips that can overtake a full queue.
const mostOpen = 1 << 20

// decided is a decision as far as it is needed here.
type decided struct {
	AtNS    int64  `json:"at_ns"`
	Kind    string `json:"kind"`
	Trip    uint32 `json:"trip"`
	Rule    string `json:"rule"`
	Reason  string `json:"reason"`
	text    [sha256.Size]byte
	isWhole bool
}

func readDecision(text []byte) decided {
	d := decided{text: sha256.Sum256(text)}
	d.isWhole = json.Unmarshal(text, &d) == nil
	return d
}

func (d *decided) says() string {
	at := time.Duration(d.AtNS).Seconds()
	if d.Kind != "trip" {
		return fmt.Sprintf("%q at %.3f s", d.Kind, at)
	}
	why := d.Rule
	if why == "" {
		why = d.Reason
	}
	return fmt.Sprintf("trip %d at %.3f s (%s)", d.Trip, at, why)
}

// pairing holds the decisions of the log against those of the recording while both
// are read side by side in time, and keeps only what the other has not shown yet.
type pairing struct {
	log  func() (triplog.Record, error, bool)
	line triplog.Record // of the log, the next one
	more bool           // line is one

	open  map[[sha256.Size]byte]*unmet
	trips map[[sha256.Size]byte]bool // all of the log
	order int

	last    int64  // latest time in the log
	lost    bool   // records were lost, by the log
	session string // as the log names it
}

// unmet is a decision that the log has n times more than the recording, or less;
// said is set for a trip that stands as a comment in the recording, and was not seen
// in the log.
type unmet struct {
	decided
	n, order int
	said     bool
}

func pair(log func() (triplog.Record, error, bool)) *pairing {
	p := &pairing{log: log, open: map[[sha256.Size]byte]*unmet{}, trips: map[[sha256.Size]byte]bool{}, last: -1}
	p.advance()
	return p
}

// advance takes up the next line of the log. Behind a broken one nothing counts:
// Verify names it.
func (p *pairing) advance() {
	line, err, more := p.log()
	if p.line, p.more = line, more && err == nil; !p.more {
		return
	}
	p.last = max(p.last, line.AtNS)
	switch {
	case line.Kind == triplog.KindLost:
		p.lost = true
	case line.Head != nil:
		p.session = line.Head.Session
	}
}

// logged counts the log's decisions up to a time.
func (p *pairing) logged(to int64) {
	for ; p.more && p.line.AtNS <= to && !p.tooMany(); p.advance() {
		if p.line.Kind != triplog.KindDecision {
			continue
		}
		d := readDecision(p.line.Decision)
		if d.Kind == "trip" {
			p.trips[d.text] = true
		}
		p.count(&d, 1)
	}
}

// recorded counts a decision of the recording.
func (p *pairing) recorded(d *decided) {
	p.logged(d.AtNS)
	p.count(d, -1)
}

// said notes a trip that stands as a comment in the recording, where its decision
// stands as well, or was taken out.
func (p *pairing) said(d *decided) {
	p.logged(d.AtNS)
	if !p.trips[d.text] {
		p.at(d).said = true
	}
}

func (p *pairing) at(d *decided) *unmet {
	u := p.open[d.text]
	if u == nil {
		p.order++
		u = &unmet{decided: *d, order: p.order}
		p.open[d.text] = u
	}
	return u
}

func (p *pairing) count(d *decided, by int) {
	u := p.at(d)
	if u.n += by; u.n == 0 && (!u.said || p.trips[d.text]) {
		delete(p.open, d.text)
	}
}

// tooMany reports whether the two are not of one session, or one was written anew.
func (p *pairing) tooMany() bool { return len(p.open)+len(p.trips) > mostOpen }

// tell reports what one has and the other has not, in the order in which it was read.
func (p *pairing) tell(out *Result, verdict triplog.Verdict) {
	var first, firstTrip string
	say := func(to *string, u *unmet) {
		if *to == "" {
			*to = u.says()
		}
	}
	all := slices.SortedFunc(maps.Values(p.open), func(a, b *unmet) int { return a.order - b.order })
	for _, u := range all {
		switch {
		case u.n > 0:
		case u.Kind == "trip":
			out.MissingTrips++
			say(&firstTrip, u)
		case verdict != triplog.Whole && u.AtNS >= p.last: // a line that a power cut took
		default:
			out.MissingOthers++
			say(&first, u)
		}
	}
	for _, u := range all {
		if u.n > 0 && out.Why == "" && out.Foreign == "" {
			out.NotRecorded += u.n
			say(&first, u)
		}
	}
	if out.First = firstTrip; firstTrip == "" {
		out.First = first
	}
}
