//go:build linux

package report

import (
	"bytes"
	"context"
	"strings"
	"testing"
	"time"

	"downhaul/interlock/records/session"
	"downhaul/interlock/records/timeofday"
	"downhaul/interlock/records/triplog"
)

// told is a session whose log holds these decisions and nothing else.
func toldSession(t *testing.T, files []session.File, decisions ...string) string {
	t.Helper()
	s, err := session.Create(t.TempDir(), session.Meta{Software: "a test", Wall: time.Date(2026, 5, 30, 18, 0, 0, 0, time.UTC), Room: 1}, files)
	if err != nil {
		t.Fatal(err)
	}
	for i, d := range decisions {
		if err := s.Trips.Append(triplog.Line{At: time.Duration(i+1) * time.Second, Kind: triplog.KindDecision, Decision: []byte(d)}, false); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Trips.Append(triplog.Line{At: time.Minute, Kind: triplog.KindEnded}, true); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	return s.Dir
}

var brokenFiles = []session.File{{Name: session.Envelope, Text: []byte("version = 1\n")}, {Name: session.Pad, Text: []byte("# <script>alert(1)</script>\n")}}

// TestPromise06_NotRemovedComesFirst: in the page it stands before everything
// else, and a script sees it in a field of its own.
func TestPromise06_NotRemovedComesFirst(t *testing.T) {
	fault := []string{
		`{"at_ns":1000000000,"kind":"state","from":"closing","state":"live","reason":"chain closed and read back"}`,
		`{"at_ns":2000000000,"kind":"relay","on":false}`,
		`{"at_ns":2000000000,"kind":"trip","trip":1,"first_out":true,"stop":"immediate","reason":"emergency stop"}`,
		`{"at_ns":2000000000,"kind":"state","from":"live","state":"tripped","reason":"emergency stop"}`,
		`{"at_ns":2200000000,"kind":"trip","trip":2,"first_out":false,"stop":"immediate","reason":"POWER NOT REMOVED: use the hard-wired stop"}`,
		`{"at_ns":2200000000,"kind":"state","from":"tripped","state":"fault","reason":"POWER NOT REMOVED: use the hard-wired stop"}`,
	}
	for _, c := range []struct {
		decisions []string
		want      int
	}{{fault[:4], 0}, {fault, 1}} {
		s, err := Read(context.Background(), toldSession(t, brokenFiles, c.decisions...), Options{})
		if err != nil {
			t.Fatal(err)
		}
		// Local time of day beside the seconds, as everywhere else.
		clock := timeofday.Clock(s.Began.Add(2200 * time.Millisecond))
		if len(s.NotRemoved) != c.want || c.want > 0 && !strings.HasPrefix(s.NotRemoved[0].Says, "at "+clock+", 2.20 s: ") {
			t.Fatalf("%+v, want %d", s.NotRemoved, c.want)
		}
		r := Of(time.Unix(0, 0), "a test", []*Session{s}, nil, Asked{})
		var page bytes.Buffer
		if err := r.WritePage(&page); err != nil {
			t.Fatal(err)
		}
		_, body, _ := strings.Cut(page.String(), "<main>")
		first := strings.HasPrefix(strings.TrimSpace(body), "<section class=\"stop\">\n<h2>POWER NOT REMOVED</h2>")
		if first != (c.want > 0) || r.NotRemoved != (c.want > 0) || !r.Found() {
			t.Errorf("%d times: first in the page %v, field %v", c.want, first, r.NotRemoved)
		}
		if len(s.Runs) != 1 || !s.Runs[0].Ended || s.Runs[0].FirstCause != "emergency stop" {
			t.Errorf("runs %+v", s.Runs)
		}
		stayed := strings.HasPrefix(s.Runs[0].How, "power commanded off at once: emergency stop; POWER NOT REMOVED, told at "+clock+", 2.20 s") && len(s.Runs[0].Doubts) > 0 && contains(s.Runs[0].Doubts, "power may have stayed on")
		if how := s.Runs[0].How; stayed != (c.want > 0) || (how == "power off at once: emergency stop") != (c.want == 0) {
			t.Errorf("%d times: the run: %q, %q", c.want, how, s.Runs[0].Doubts)
		}
		if held := strings.HasPrefix(r.Lift.Says, heldLift); held != (c.want > 0) || strings.HasPrefix(s.Headline(), "POWER NOT REMOVED. ") != (c.want > 0) {
			t.Errorf("%d times: lift %q, headline %q", c.want, r.Lift.Says, s.Headline())
		}
	}
}

// TestRead_FilesThatCanNotBeRead: what the files cannot say is said to be
// missing, and the log is still told; nothing of them gets into the page as
// markup.
func TestRead_FilesThatCanNotBeRead(t *testing.T) {
	dir := toldSession(t, brokenFiles, `{"at_ns":2000000000,"kind":"trip","trip":1,"first_out":true,"stop":"immediate","reason":"past a limit","rule":"<b>bold</b>","channel":"wind.gust3s","value":9,"limit":8,"unit":"m/s"}`)
	s, err := Read(context.Background(), dir, Options{})
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"the pad file has faults", "no test card", "without pad file and envelope"} {
		if !contains(s.Doubts, want) {
			t.Errorf("doubts %q, want %q", s.Doubts, want)
		}
	}
	if len(s.Episodes) != 1 || s.Episodes[0].Trips[0].Value.String() != "9 m/s" {
		t.Fatalf("%+v", s.Episodes)
	}
	var page bytes.Buffer
	if err := Of(time.Unix(0, 0), "a test", []*Session{s}, nil, Asked{}).WritePage(&page); err != nil {
		t.Fatal(err)
	}
	if strings.Contains(page.String(), "<b>bold") || strings.Contains(page.String(), "<script") || !strings.Contains(page.String(), "&lt;b&gt;bold") {
		t.Error("what a file said stands in the page as markup")
	}
}

// TestRead_SameReportTwice: the same session gives the same page, byte for byte.
func TestRead_SameReportTwice(t *testing.T) {
	dir := toldSession(t, brokenFiles, `{"at_ns":1000000000,"kind":"state","from":"blocked","state":"ready","reason":"everything needed is in order"}`)
	var pages [2]bytes.Buffer
	for i := range pages {
		s, err := Read(context.Background(), dir, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if err := Of(time.Unix(0, 0), "a test", []*Session{s}, nil, Asked{}).WritePage(&pages[i]); err != nil {
			t.Fatal(err)
		}
	}
	if !bytes.Equal(pages[0].Bytes(), pages[1].Bytes()) {
		t.Error("the same session gives two reports")
	}
}
