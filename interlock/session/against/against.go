// Package against holds the trip log of a session against the recording beside it.
package against

import (
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/intake"
	"downhaul/interlock/plain"
	"downhaul/interlock/recording"
	"downhaul/interlock/session"
	"downhaul/interlock/triplog"
)

// Result is a trip log held against the recording beside it. The two are written
// by one hand at one time: a chain that was made anew without a trip holds, and
// the recording still has that trip.
type Result struct {
	// Held says that the recording was read; Why says why not, or why what the
	// log has and the recording has not proves nothing.
	Held bool   `json:"held"`
	Why  string `json:"why,omitempty"`
	// Lost are chunks that are missing in the recording and were counted as lost:
	// they are no missing trips.
	Lost uint64 `json:"lost_chunks"`
	// MissingTrips and MissingOthers are decisions of the recording that do not
	// stand in the log; NotRecorded those of the log that do not stand in a
	// recording which lacks nothing. First is the first trip that is missing, or
	// else the first other decision, in words.
	MissingTrips  int    `json:"missing_trips"`
	MissingOthers int    `json:"missing_others"`
	NotRecorded   int    `json:"not_recorded"`
	First         string `json:"first,omitempty"`
	// Foreign says why the file is no recording of this session, empty where it
	// is.
	Foreign string `json:"foreign,omitempty"`
}

// Found reports whether log and recording contradict each other.
func (a *Result) Found() bool {
	return a.MissingTrips > 0 || a.MissingOthers > 0 || a.NotRecorded > 0 || a.Foreign != ""
}

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

// tally counts how often a decision stands in the log and in the recording.
type tally struct{ logged, recorded int }

// Recording holds the trip log of a session against the recording beside it.
// verdict is what Verify says of the log: behind the end of one that was cut
// short, only trips are missed, since only they are on the disk before they are
// recorded.
func Recording(s *session.Session, verdict triplog.Verdict) (*Result, error) {
	out := &Result{}
	names, err := s.TripParts()
	if err != nil {
		return nil, err
	}
	parts, err := s.RecordingParts()
	if err != nil {
		return nil, err
	}
	if len(parts) == 0 {
		out.Why = "there is no recording beside it"
		return out, nil
	}
	tallies := map[[sha256.Size]byte]*tally{}
	of := func(d *decided) *tally {
		t := tallies[d.text]
		if t == nil {
			t = &tally{}
			tallies[d.text] = t
		}
		return t
	}
	last, named := int64(-1), ""
	for line, err := range triplog.FileLines(names...) {
		if err != nil {
			break // Verify names it; what stands before counts
		}
		last = max(last, line.AtNS)
		switch {
		case line.Kind == triplog.KindDecision:
			d := readDecision(line.Decision)
			of(&d).logged++
		case line.Kind == triplog.KindLost:
			out.Why = "the log says that records were lost"
		case line.Head != nil:
			named = line.Head.Session
		}
	}
	for _, name := range parts {
		f, err := plain.Open(name, plain.Recording)
		if err != nil {
			return nil, err
		}
		_ = f.Close()
	}
	rec, err := recording.OpenParts(parts, recording.PastDamage())
	if err != nil { // it could be read, and is none
		out.Foreign = err.Error()
		return out, nil
	}
	defer rec.Close()
	ended := false
	missed := map[[sha256.Size]byte]bool{}
	var first, firstTrip string
	miss := func(d *decided) {
		switch {
		case missed[d.text]:
		case d.Kind == "trip":
			out.MissingTrips++
			if firstTrip == "" {
				firstTrip = d.says()
			}
		case verdict != triplog.Whole && d.AtNS >= last:
			return // a line that a power cut took
		default:
			out.MissingOthers++
			if first == "" {
				first = d.says()
			}
		}
		missed[d.text] = true
	}
	for {
		c, err := rec.Next()
		if err != nil {
			ended = ended && errors.Is(err, io.EOF)
			break
		}
		for _, text := range rec.Comments() {
			if d := readDecision([]byte(text)); d.isWhole && d.Kind == "trip" {
				if t := of(&d); t.logged == 0 {
					miss(&d)
				}
			}
		}
		switch c.Source {
		case intake.Decisions:
			d := readDecision(c.Bytes)
			t := of(&d)
			if t.recorded++; t.recorded > t.logged {
				miss(&d)
			}
		case intake.HostEvent:
			m, ok := intake.DecodeHost(c.Bytes)
			ended = ended || ok && m.Host == interlock.HostEnd
		}
	}
	out.Held = true
	info := rec.Info()
	out.Lost = info.Lost + info.Missing
	switch {
	case !info.Own:
		out.Foreign = "the file beside the log was not written by a guard"
	case named != "" && info.Session != named:
		out.Foreign = fmt.Sprintf("the recording is of session %s", info.Session)
	case out.Why != "":
	case info.Damages > 0:
		out.Why = "the recording is damaged"
	case len(parts) > 1:
		out.Why = "the recording had to change to another file"
	case out.Lost > 0:
		out.Why = fmt.Sprintf("%d chunks are missing in the recording, counted as lost", out.Lost)
	case !ended:
		out.Why = "the recording breaks off"
	}
	if out.Why == "" && out.Foreign == "" {
		out.NotRecorded, first = notRecorded(names, tallies, first)
	}
	if out.First = firstTrip; firstTrip == "" {
		out.First = first
	}
	return out, nil
}

// notRecorded counts the decisions of the log that a recording which lacks
// nothing does not have.
func notRecorded(names []string, tallies map[[sha256.Size]byte]*tally, first string) (n int, says string) {
	for line, err := range triplog.FileLines(names...) {
		if err != nil {
			break
		}
		if line.Kind != triplog.KindDecision {
			continue
		}
		d := readDecision(line.Decision)
		if t := tallies[d.text]; t.logged > t.recorded {
			t.logged--
			if n++; first == "" {
				first = d.says()
			}
		}
	}
	return n, first
}
