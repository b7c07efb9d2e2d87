package virtual

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
)

// Request is one line that a client sends to a virtual board, as JSON.
type Request struct {
	// Do is show, press, release, open, close, turn, load, break, mend, watch.
	Do string `json:"do"`
	// Name is what press, release, open, close, break and mend work on.
	Name string `json:"name,omitempty"`
	// Hz is for turn, Newtons for load.
	Hz      *float64 `json:"hz,omitempty"`
	Newtons *float64 `json:"newtons,omitempty"`
	// Heartbeat asks watch for every single heartbeat edge.
	Heartbeat bool `json:"heartbeat,omitempty"`
}

// Reply answers one Request, as one line of JSON.
type Reply struct {
	OK bool `json:"ok"`
	// Error states what is wrong and how to mend it; empty when OK.
	Error string `json:"error,omitempty"`
	// State answers show.
	State *State `json:"state,omitempty"`
}

// Event is one line of a watch, after its Reply. Times are seconds since the
// board was opened.
type Event struct {
	// At is when the line changed; for "beats" and "missed" when the line was
	// written.
	At float64 `json:"at_s"`
	// Line is that of OutputEdge; or "beats", sent once a second, which sums up
	// the heartbeat's edges since the last such line; or "missed", when the
	// watcher was too slow and Edges changes are lost to it.
	Line string `json:"line"`
	On   bool   `json:"on"`
	// Edges counts for "beats" and "missed"; the gaps are for "beats", nil with
	// fewer than two edges.
	Edges    uint64   `json:"edges,omitempty"`
	LeastGap *float64 `json:"least_gap_s,omitempty"`
	MostGap  *float64 `json:"most_gap_s,omitempty"`
}

const doWords = "show, press, release, open, close, turn, load, break, mend, watch"

// parseRequest reads one line. Every fault is the sender's and names its mend.
func parseRequest(text []byte) (Request, error) {
	var r Request
	d := json.NewDecoder(bytes.NewReader(text))
	d.DisallowUnknownFields()
	if err := d.Decode(&r); err != nil {
		return Request{}, fmt.Errorf("the request is no JSON object of this board (%s); send one line such as {\"do\":\"show\"}", short(err.Error()))
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return Request{}, errors.New("more than one object on the line; send one request a line")
	}
	need := map[string]string{
		"press": "name", "release": "name", "open": "name", "close": "name", "break": "name", "mend": "name",
		"turn": "hz", "load": "newtons", "show": "", "watch": "",
	}
	want, known := need[r.Do]
	if !known {
		return Request{}, fmt.Errorf("nothing is called %q; do one of %s", short(r.Do), doWords)
	}
	for _, f := range []struct {
		name string
		set  bool
	}{{"name", r.Name != ""}, {"hz", r.Hz != nil}, {"newtons", r.Newtons != nil}} {
		switch {
		case f.set && f.name != want:
			return Request{}, fmt.Errorf("%s takes no %q; leave it out", r.Do, f.name)
		case !f.set && f.name == want:
			return Request{}, fmt.Errorf("%s needs %q, as in %s", r.Do, f.name, example(r.Do))
		}
	}
	if r.Heartbeat && r.Do != "watch" {
		return Request{}, fmt.Errorf("%s takes no \"heartbeat\"; leave it out", r.Do)
	}
	return r, nil
}

func example(do string) string {
	switch do {
	case "turn":
		return `{"do":"turn","hz":12}`
	case "load":
		return `{"do":"load","newtons":900}`
	case "break", "mend":
		return `{"do":"` + do + `","name":"weld"}`
	case "open", "close":
		return `{"do":"` + do + `","name":"gate"}`
	}
	return `{"do":"` + do + `","name":"reset"}`
}

// answer does what the request asks, all but watching. No request reaches an
// output: only the guard drives those.
func (v *Board) answer(r Request) Reply {
	var err error
	switch r.Do {
	case "show":
		var s State
		if s, err = v.Show(); err == nil {
			return Reply{OK: true, State: &s}
		}
	case "press":
		err = v.Press(r.Name)
	case "release":
		err = v.Release(r.Name)
	case "open":
		err = v.OpenContact(r.Name)
	case "close":
		err = v.CloseContact(r.Name)
	case "break":
		err = v.Break(r.Name)
	case "mend":
		err = v.Mend(r.Name)
	case "turn":
		err = v.Turn(*r.Hz)
	case "load":
		err = v.Load(*r.Newtons)
	default:
		err = fmt.Errorf("nothing is called %q; do one of %s", short(r.Do), doWords)
	}
	if err != nil {
		return Reply{Error: err.Error()}
	}
	return Reply{OK: true}
}

// short keeps a name that somebody sent from filling a message.
func short(s string) string {
	const most = 40
	if len(s) <= most {
		return s
	}
	return strings.ToValidUTF8(s[:most], "") + "..."
}
