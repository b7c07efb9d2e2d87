package panel

import (
	"context"
	"encoding/json"
	"fmt"
	"sync"
	"time"

	"downhaul/hw/localsocket/client"
	"downhaul/interlock/day/answers/ask"
	"downhaul/interlock/day/answers/told"
	"downhaul/interlock/records/timeofday"
)

// Times of the page, ours.
const (
	// askEvery is how often the guard is asked, however many pages are open.
	askEvery = 250 * time.Millisecond
	// tellEvery is how often pages are told that there is no answer yet.
	tellEvery = 500 * time.Millisecond
	// windEvery is the spacing of wind pictures.
	windEvery = 5 * time.Second
)

// Ask fetches one status; it may take its time and is called by one goroutine.
type Ask func() (*told.Status, error)

// FromSocket asks the guard that serves a local socket, over one connection
// that is made anew when it breaks.
func FromSocket(path string) Ask {
	var conn *client.Conn
	var runs *told.Setup
	return func() (status *told.Status, err error) {
		if conn == nil {
			if conn, err = client.Dial(path); err != nil {
				return nil, err
			}
		}
		if status, runs, err = ask.Status(conn, runs); err != nil {
			conn.Close()
			conn = nil
		}
		return status, err
	}
}

// frame is one event for the pages.
type frame struct {
	// Panel tells one run of this process from another, T is its own clock.
	Panel string `json:"panel"`
	T     int64  `json:"t_ms"`
	// AgeS is how old the status is; Dead says, in words, why there is nothing
	// to be shown, and Status is null then.
	AgeS   float64      `json:"age_s"`
	Dead   string       `json:"dead"`
	Status *told.Status `json:"status"`
	// Began is when the session began, for people, with the offset from UTC; BeganMS the
	// same as local milliseconds since 1970, null where the pad's clock was never set.
	Began   string `json:"began"`
	BeganMS *int64 `json:"began_local_ms"`
}

// source keeps the last status and how old it is.
type source struct {
	name  string
	now   func() time.Duration
	fresh chan struct{} // room for one: something new is known

	mu     sync.Mutex
	status *told.Status
	at     time.Duration // when it came
	err    error         // of the last question, nil if it was answered
	wind   windHistory
}

// follow asks until ctx ends.
func (s *source) follow(ctx context.Context, ask Ask) {
	tick := time.NewTicker(askEvery)
	defer tick.Stop()
	for {
		status, err := ask()
		s.mu.Lock()
		s.err = err
		if err == nil {
			s.status, s.at = status, s.now()
			s.wind.take(status)
		}
		s.mu.Unlock()
		select {
		case s.fresh <- struct{}{}:
		default:
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// frame is what the pages are told now.
func (s *source) frame() frame {
	s.mu.Lock()
	defer s.mu.Unlock()
	f := frame{Panel: s.name, T: s.now().Milliseconds()}
	if s.status == nil {
		f.Dead = "The guard has not answered yet."
		if s.err != nil {
			f.Dead = "The guard does not answer. Is it running?"
		}
		return f
	}
	// The status was this old when it was told, and waits here since.
	age := time.Duration(s.status.AgeS*float64(time.Second)) + s.now() - s.at
	f.AgeS = age.Seconds()
	switch {
	case s.err != nil:
		f.Dead = fmt.Sprintf("The guard does not answer. Is it running? Its last word is %.0f s old.", f.AgeS)
	case age > told.OldAfter && s.now()-s.at > told.OldAfter:
		f.Dead = fmt.Sprintf("The guard has not answered for %.0f s.", f.AgeS)
	case age > told.OldAfter:
		f.Dead = fmt.Sprintf("The guard answers, but its loop stands still: what it tells is %.0f s old.", f.AgeS)
	default:
		shown := *s.status
		shown.Folder = "" // where records lie is nobody's business on the network
		f.Status = &shown
		f.Began, f.BeganMS = began(shown.Session)
	}
	return f
}

// began returns when a session began, in the local time of this computer: a page has no
// rules of its zone.
func began(name string) (says string, local *int64) {
	t := timeofday.OfSession(name)
	if timeofday.Set(t) {
		_, offset := t.Local().Zone()
		ms := t.UnixMilli() + int64(offset)*1000
		local = &ms
	}
	return timeofday.Day(t), local
}

// event is one server-sent event (WHATWG HTML, Server-sent events): JSON has
// no line breaks of its own, so that one data line is enough.
func event(name string, what any) []byte {
	text, err := json.Marshal(what)
	if err != nil { // NaN or infinity: the page turns dead by itself
		return []byte(": not told: " + fmt.Sprint(err) + "\n\n")
	}
	return append(append([]byte("event: "+name+"\ndata: "), text...), '\n', '\n')
}
