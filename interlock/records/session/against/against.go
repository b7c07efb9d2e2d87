// Package against holds the trip log of a session against the recording beside it.
package against

import (
	"errors"
	"fmt"
	"io"
	"iter"
	"math"

	"downhaul/interlock"
	"downhaul/interlock/day/intake"
	"downhaul/interlock/records/plain"
	"downhaul/interlock/records/recording"
	"downhaul/interlock/records/session"
	"downhaul/interlock/records/triplog"
)

// Result is a trip log held against the recording beside it. The two are written
// by one hand at one time: a chain that was made anew without a trip holds, and
// the recording still has that trip.
type Result struct {
	// Held reports whether the recording was read; Why says why not, or why what the
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
	// Foreign is why the file is no recording of this session, empty where it
	// is.
	Foreign string `json:"foreign,omitempty"`
}

// Found reports whether log and recording contradict each other.
func (a *Result) Found() bool {
	return a.MissingTrips > 0 || a.MissingOthers > 0 || a.NotRecorded > 0 || a.Foreign != ""
}

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
	parts, err := recording.Parts(s.Dir)
	if err != nil {
		return nil, err
	}
	if len(parts) == 0 {
		out.Why = "there is no recording beside it"
		return out, nil
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
	line, stop := iter.Pull2(triplog.FileLines(names...))
	defer stop()
	p := pair(line)
	ended := false
	for !p.tooMany() {
		c, err := rec.Next()
		if err != nil {
			ended = ended && errors.Is(err, io.EOF)
			break
		}
		for _, text := range rec.Comments() {
			if d := readDecision([]byte(text)); d.isWhole && d.Kind == "trip" {
				p.said(&d)
			}
		}
		switch c.Source {
		case intake.Decisions:
			d := readDecision(c.Bytes)
			p.recorded(&d)
		case intake.HostEvent:
			m, ok := intake.DecodeHost(c.Bytes)
			ended = ended || ok && m.Host == interlock.HostEnd
		}
	}
	if p.logged(math.MaxInt64); p.tooMany() {
		out.Foreign = fmt.Sprintf("over %d decisions stand in the log alone, or in the recording alone, or are trips: they are not of one day", mostOpen)
		return out, nil
	}
	out.Held = true
	info := rec.Info()
	out.Lost = info.Lost + info.Missing
	switch {
	case !info.Own:
		out.Foreign = "the file beside the log was not written by a guard"
	case p.session != "" && info.Session != p.session:
		out.Foreign = fmt.Sprintf("the recording is of session %s", info.Session)
	case p.lost:
		out.Why = "the log says that records were lost"
	case info.Damages > 0:
		out.Why = "the recording is damaged"
	case len(parts) > 1:
		out.Why = "the recording had to change to another file"
	case out.Lost > 0:
		out.Why = fmt.Sprintf("%d chunks are missing in the recording, counted as lost", out.Lost)
	case !ended:
		out.Why = "the recording breaks off"
	}
	p.tell(out, verdict)
	return out, nil
}
