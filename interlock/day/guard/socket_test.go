package guard

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"net"
	"os"
	"os/user"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	"downhaul/hw/localsocket"
	"downhaul/hw/virtual"
	"downhaul/interlock"
	"downhaul/interlock/day/answers"
	"downhaul/interlock/day/answers/ask"
	"downhaul/interlock/records/session"
	"downhaul/interlock/records/triplog"
)

// talk is a client that sends what it likes.
type talk struct {
	net.Conn
	in *bufio.Reader
}

func talkTo(t testing.TB, socket string) *talk {
	t.Helper()
	c, err := net.Dial("unix", socket)
	must(t, err)
	t.Cleanup(func() { c.Close() })
	must(t, c.SetDeadline(time.Now().Add(30*time.Second)))
	return &talk{c, bufio.NewReaderSize(c, 1<<20)}
}

// ask sends a line and reads the one that answers it.
func (c *talk) ask(t testing.TB, line string) (r answers.Reply) {
	t.Helper()
	_, err := fmt.Fprintln(c, line)
	must(t, err)
	text, err := c.in.ReadSlice('\n')
	must(t, err)
	must(t, json.Unmarshal(text, &r))
	return r
}

// Nothing that comes over the socket can reset, start, declare, bypass or
// change anything: every word is tried, alone and with every field that
// somebody could think of.
func TestPromise12_NothingOnTheSocketChangesAnything(t *testing.T) {
	t.Parallel()
	dir := shortDir(t)
	g := openLive(t, liveFiles(t, dir))
	stop := running(t, g)
	board := g.Board().(*virtual.Board)
	before, err := board.Show()
	must(t, err)
	c := talkTo(t, filepath.Join(dir, "guard.sock"))
	words := strings.Fields("reset start end stop go run close open live ready arm disarm hold release press trip clear ack " +
		"acknowledge bypass override inhibit mute silence declare declared wind packs step inspection proof kept set write " +
		"limit envelope card pad load reload config file swap relay heartbeat buzzer lamp beat level input turn break mend " +
		"watch host mail help quit exit shutdown reboot Status STATUS Mark MARK status\x00 mark;reset")
	for l := range interlock.LineCount {
		words = append(words, l.String())
	}
	for _, word := range words {
		do, err := json.Marshal(word)
		must(t, err)
		for _, line := range []string{
			fmt.Sprintf(`{"do":%s}`, do),
			fmt.Sprintf(`{"do":%s,"on":true,"name":"reset","value":1,"text":"reset"}`, do),
			fmt.Sprintf(`{"do":"status","do":%s}`, do),
			fmt.Sprintf(`{%s:true}`, do),
			word,
		} {
			r := c.ask(t, line)
			if word == "declare" && r.OK && r.Seen == nil && r.Declared != nil && r.Declared.Says == "" {
				continue // without content it lists what can be declared
			}
			if r.OK || r.Error == "" || r.Seen != nil {
				t.Errorf("%s was answered by %+v", line, r)
			}
		}
	}
	// Status may come with anything, and only tells.
	if r := c.ask(t, `{"do":"status","text":"reset","reset":true,"state":"live"}`); !r.OK || r.Seen == nil || r.Seen.View.State != interlock.Blocked || r.Seen.View.RelayOn {
		t.Errorf("status: %+v", r)
	}
	// A mark only stamps the record, whatever it says.
	if r := c.ask(t, `{"do":"mark","text":"reset start close relay","on":true,"seq":1,"host":1}`); !r.OK {
		t.Errorf("mark: %+v", r)
	}
	soon(t, "the mark on record", func() bool {
		return g.Status().Loop.Turns > 0 && contains(tripText(t, g.Folder()), "mark: reset start close relay")
	})
	after, err := board.Show()
	must(t, err)
	for i, o := range after.Outputs {
		if o.Name != "lamp" && o.Name != "buzzer" && o.On != before.Outputs[i].On {
			t.Errorf("%s moved", o.Name)
		}
	}
	if after.Heartbeat.Edges != 0 || after.Power {
		t.Errorf("%d heartbeat edges, power %v", after.Heartbeat.Edges, after.Power)
	}
	must(t, stop())
	for _, line := range tripLines(t, g.Folder()) {
		if d := string(line.Decision); contains(d, `"reason":"reset"`) || contains(d, `"reason":"start"`) || contains(d, `"on":true,"kind":"relay"`) {
			t.Errorf("the log holds %s", d)
		}
	}
}

func tripLines(t testing.TB, dir string) (out []triplog.Record) {
	t.Helper()
	s, err := session.Open(dir)
	must(t, err)
	parts, err := s.TripParts()
	must(t, err)
	for _, name := range parts {
		out = append(out, linesOf(t, name)...)
	}
	return out
}

func TestSocketTakesAnything(t *testing.T) {
	dir := shortDir(t)
	g := openLive(t, liveFiles(t, dir))
	stop := running(t, g)
	socket := filepath.Join(dir, "guard.sock")

	c := talkTo(t, socket)
	for _, line := range []string{"", " ", "null", "[]", "7", `"status"`, "{", `{"do":`, "\x00\x01\x02", "\xff\xfe", `{"do":7}`, `{"do":null}`, strings.Repeat("{", 2000)} {
		if r := c.ask(t, line); r.OK || r.Error == "" {
			t.Errorf("%.20q was answered by %+v", line, r)
		}
	}
	if r := c.ask(t, `{"do":"status"}`); !r.OK {
		t.Errorf("after the garbage: %+v", r)
	}

	long := talkTo(t, socket)
	if r := long.ask(t, `{"do":"mark","text":"`+strings.Repeat("x", 5000)); r.OK || r.Error == "" {
		t.Errorf("a line of 5,000 bytes: %+v", r)
	}
	if _, err := long.in.ReadByte(); err == nil {
		t.Error("who sends too long a line is not let go")
	}

	for _, row := range []struct{ text, want string }{
		{"", "1 to 200"}, {"   ", "1 to 200"}, {strings.Repeat("ü", 201), "got 201"},
		{"two\nlines", "printable"}, {"bell\a", "printable"}, {"\x1b[31mred", "printable"}, {"nul\x00", "printable"},
		{"turned \u202e round", "printable"}, {"zero\u200bwidth", "printable"}, {"c1\u0085c1", "printable"}, {"line\u2028sep", "printable"},
	} {
		text, err := json.Marshal(answers.Request{Do: "mark", Text: row.text})
		must(t, err)
		if r := c.ask(t, string(text)); r.OK || !contains(r.Error, row.want) {
			t.Errorf("mark %q: %+v, want %q", row.text, r, row.want)
		}
	}
	for _, good := range []string{"x", strings.Repeat("ü", 200), `quote " and \ stroke`, "ж 漢 %s {}"} {
		if _, err := ask.Guard(socket, answers.Request{Do: "mark", Text: good}); err != nil {
			t.Errorf("mark %q: %v", good, err)
		}
	}
	soon(t, "the last mark on record", func() bool { return contains(tripText(t, g.Folder()), "ж 漢") })
	must(t, stop())
	texts := map[string]bool{}
	for _, line := range tripLines(t, g.Folder()) {
		texts[line.Text] = true
	}
	me, err := user.Current()
	must(t, err)
	by := " (by " + nameOf(localsocket.Peer{Known: runtime.GOOS == "linux", UID: os.Getuid()}) + ")"
	if runtime.GOOS == "linux" && !contains(by, me.Uid) {
		t.Errorf("%s is not user %s", by, me.Uid)
	}
	if !texts["mark: "+`quote " and \ stroke`+by] || !texts["mark: ж 漢 %s {}"+by] || texts["mark: two\nlines"+by] {
		t.Errorf("the log holds %v", texts)
	}
	acts := g.Status().Acts
	if n := len(acts); n == 0 || acts[n-1].What != "mark: ж 漢 %s {}" || " (by "+acts[n-1].By+")" != by {
		t.Errorf("acts: %+v", acts)
	}
}

// Clients that flood and never read, and more of them than there are places:
// the loop turns as before, and the crew is served once there is a place.
//
//fault:row clients of the local socket that never read, and floods of marks | nothing is held up
func TestStuckClientsHoldUpNothing(t *testing.T) {
	t.Parallel()
	dir := shortDir(t)
	g := openLive(t, liveFiles(t, dir))
	stop := running(t, g)
	socket := filepath.Join(dir, "guard.sock")
	var work sync.WaitGroup
	var stuck []net.Conn
	for range 20 {
		c, err := net.Dial("unix", socket)
		must(t, err)
		stuck = append(stuck, c)
		work.Go(func() { c.Write(bytes.Repeat([]byte(`{"do":"status"}`+"\n"), 2000)) }) // fails when it is let go
	}
	from := g.Status()
	soon(t, "turning on", func() bool { return g.Status().Loop.Turns > from.Loop.Turns+200 })
	if s := g.Status(); s.Trips != 0 {
		t.Errorf("%d trips: %s", s.Trips, s.FirstCause)
	}
	soon(t, "a place for the crew", func() bool {
		r, err := ask.Guard(socket, answers.Request{Do: "status"})
		return err == nil && r.OK
	})
	must(t, stop())
	for _, c := range stuck {
		c.Close()
	}
	work.Wait()
}

func TestAskSaysWhoIsNotThere(t *testing.T) {
	_, err := ask.Guard(filepath.Join(shortDir(t), "none.sock"), answers.Request{Do: "status"})
	if err == nil || !contains(err.Error(), "is the guard running") {
		t.Errorf("error %v", err)
	}
}

// Whatever comes over the socket is answered, and moves no output and no state.
func FuzzAnswer(f *testing.F) {
	for _, line := range []string{`{"do":"status"}`, `{"do":"mark","text":"look here"}`, `{"do":"declare","declare":{"what":"wind","value":"3 m/s"}}`,
		`{"do":"declare","declare":{"what":"step","step":"one"}}`, `{"do":"declare"}`, `[]`, `{"do":1}`, "", `{"do":"declare","declare":{"what":"packs","packs":["a","b"]}}`} {
		f.Add([]byte(line))
	}
	dir := f.TempDir()
	g, now := stepped(f, testFiles(f, dir, "tilt.toml"))
	f.Fuzz(func(t *testing.T, line []byte) {
		*now += 5 * ms
		g.Turn(*now)
		r := g.answer(line, localsocket.Peer{})
		if r.OK == (r.Error != "") {
			t.Fatalf("answered by %+v", r)
		}
		if _, err := json.Marshal(r); err != nil {
			t.Fatal(err)
		}
		*now += 5 * ms
		g.Turn(*now)
		if s := g.Status(); s.State != "blocked" || s.RelayOn || s.Closed {
			t.Fatalf("%q led to %s, relay %v", line, s.State, s.RelayOn)
		}
	})
}
