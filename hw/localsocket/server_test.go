//go:build unix

package localsocket

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"downhaul/hw/localsocket/client"
)

type said struct {
	Text string `json:"text"`
}

func must(t testing.TB, errs ...error) {
	t.Helper()
	for _, err := range errs {
		if err != nil {
			t.Fatal(err)
		}
	}
}

// socketPath is short: a socket's path has about 100 bytes at most.
func socketPath(t testing.TB) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "ls")
	must(t, err)
	t.Cleanup(func() { os.RemoveAll(dir) })
	return filepath.Join(dir, "socket")
}

// echo answers with the line itself.
func echo(path string) Config {
	return Config{
		Path: path, Mode: 0o640, Group: -1,
		Handle:  func(c *Client, line []byte) bool { return c.Send(said{strings.TrimSpace(string(line))}) == nil },
		Refusal: said{"full"}, TooLong: said{"too long"},
	}
}

func serve(t testing.TB, cfg Config) *Server {
	t.Helper()
	s, err := Serve(cfg)
	must(t, err)
	t.Cleanup(func() { s.Close() })
	return s
}

func dial(t testing.TB, path string) *client.Conn {
	t.Helper()
	c, err := client.Dial(path)
	must(t, err)
	t.Cleanup(func() { c.Close() })
	return c
}

func soon(t testing.TB, what string, ok func() bool) {
	t.Helper()
	for end := time.Now().Add(30 * time.Second); !ok(); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("in 30 s: not %s", what)
		}
	}
}

func TestLinesAreAnsweredInOrder(t *testing.T) {
	path := socketPath(t)
	serve(t, echo(path))
	c := dial(t, path)
	for _, text := range []string{"one", "two", `"quoted"`} {
		var r said
		must(t, c.Ask(text, &r))
		want, err := json.Marshal(text)
		must(t, err)
		if r.Text != string(want) {
			t.Errorf("%s was answered by %s", want, r.Text)
		}
	}
}

func TestServeRefusesAConfigWithGaps(t *testing.T) {
	for i := range 3 {
		cfg := echo(socketPath(t))
		switch i {
		case 0:
			cfg.Handle = nil
		case 1:
			cfg.Refusal = nil
		case 2:
			cfg.TooLong = nil
		}
		if s, err := Serve(cfg); err == nil {
			s.Close()
			t.Errorf("config %d was taken", i)
		}
	}
}

func TestSocketHasItsModeAndGoesWithTheServer(t *testing.T) {
	path := socketPath(t)
	s := serve(t, echo(path))
	info, err := os.Stat(path)
	must(t, err)
	if info.Mode().Perm() != 0o640 {
		t.Errorf("mode %v, want 0640", info.Mode())
	}
	c := dial(t, path)
	var r said
	must(t, c.Ask("x", &r))
	must(t, s.Close(), s.Close()) // a second time changes nothing
	if _, err := os.Lstat(path); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the socket stays: %v", err)
	}
	if err := c.Ask("x", &r); err == nil {
		t.Error("a closed server answers")
	}
	if n := s.Clients(); n != 0 {
		t.Errorf("%d clients after the end", n)
	}
}

func TestOneServerASocket(t *testing.T) {
	path := socketPath(t)
	s := serve(t, echo(path))
	if _, err := Serve(echo(path)); !errors.Is(err, ErrHeld) {
		t.Errorf("a second server: %v", err)
	}
	must(t, os.Remove(path)) // by hand: the lock still holds it
	if _, err := Serve(echo(path)); !errors.Is(err, ErrHeld) {
		t.Errorf("a second server without a socket in its way: %v", err)
	}
	_ = s.Close()
	serve(t, echo(path))
}

func TestDeadSocketIsReplacedAndAFileIsNot(t *testing.T) {
	path := socketPath(t)
	l, err := net.ListenUnix("unix", &net.UnixAddr{Name: path, Net: "unix"})
	must(t, err)
	l.SetUnlinkOnClose(false)
	// Alive, though it holds no lock: somebody answers there.
	if _, err := Serve(echo(path)); !errors.Is(err, ErrHeld) {
		t.Errorf("a socket that answers: %v", err)
	}
	must(t, l.Close()) // as a killed process leaves it
	must(t, serve(t, echo(path)).Close())

	must(t, os.WriteFile(path, []byte("precious"), 0o600))
	if _, err := Serve(echo(path)); err == nil || !strings.Contains(err.Error(), "is no socket") {
		t.Errorf("a file in its place: %v", err)
	}
	if text, _ := os.ReadFile(path); string(text) != "precious" {
		t.Error("the file was changed")
	}
}

func TestTooLongALineIsToldAndLetGo(t *testing.T) {
	path := socketPath(t)
	s := serve(t, echo(path))
	c, err := net.Dial("unix", path)
	must(t, err)
	defer c.Close()
	go c.Write(bytes.Repeat([]byte("x"), MostLine+1)) // fails when it is let go
	in := bufio.NewReader(c)
	if line, err := in.ReadString('\n'); err != nil || line != `{"text":"too long"}`+"\n" {
		t.Errorf("%q, %v", line, err)
	}
	if _, err := in.ReadByte(); err == nil {
		t.Error("it is not let go")
	}
	soon(t, "its place free", func() bool { return s.Clients() == 0 })
}

func TestPlacesAreBounded(t *testing.T) {
	path := socketPath(t)
	s := serve(t, echo(path))
	var all []*client.Conn
	var r said
	for range MostClients {
		c := dial(t, path)
		must(t, c.Ask("x", &r))
		all = append(all, c)
	}
	if err := dial(t, path).Ask("x", &r); err != nil || r.Text != "full" {
		t.Errorf("one too many was told %q, %v", r.Text, err)
	}
	must(t, all[0].Close())
	soon(t, "a place free", func() bool { return s.Clients() < MostClients })
	must(t, dial(t, path).Ask("y", &r))
	if r.Text != `"y"` {
		t.Errorf("told %q", r.Text)
	}
}

// A client that never reads is let go; nobody else waits for it, nor does the
// end.
func TestClientThatNeverReadsIsLetGo(t *testing.T) {
	path := socketPath(t)
	big := said{strings.Repeat("x", 1<<16)}
	cfg := echo(path)
	var answered atomic.Int64
	cfg.Handle = func(c *Client, line []byte) bool {
		answered.Add(1)
		if bytes.Contains(line, []byte("big")) {
			return c.Send(big) == nil
		}
		return c.Send(said{"small"}) == nil
	}
	s := serve(t, cfg)
	c, err := net.Dial("unix", path)
	must(t, err)
	defer c.Close()
	_, err = c.Write(bytes.Repeat([]byte("big\n"), 500))
	must(t, err)
	other := dial(t, path)
	var r said
	must(t, other.Ask("x", &r))
	soon(t, "rid of it", func() bool { return s.Clients() == 1 })
	if n := answered.Load(); n >= 501 {
		t.Errorf("%d requests answered: it read everything", n)
	}
	must(t, other.Ask("x", &r), s.Close())
}

func TestHandlerMaySendMoreUntilTheEnd(t *testing.T) {
	path := socketPath(t)
	cfg := echo(path)
	cfg.Handle = func(c *Client, _ []byte) bool {
		for c.Send(said{"tick"}) == nil {
			time.Sleep(time.Millisecond)
		}
		return false
	}
	s := serve(t, cfg)
	c := dial(t, path)
	var r said
	must(t, c.Ask("go", &r))
	for range 20 {
		must(t, c.Read(&r))
	}
	must(t, s.Close())
	for c.Read(&r) == nil {
	}
}

func TestDialSaysThatNobodyIsThere(t *testing.T) {
	if _, err := client.Dial(socketPath(t)); err == nil || !strings.Contains(err.Error(), "nothing answers") {
		t.Errorf("error %v", err)
	}
}

// The kernel says who is at the other end; here it is this very process.
func TestPeerIsToldByTheKernel(t *testing.T) {
	path := socketPath(t)
	peers := make(chan Peer, 1)
	cfg := echo(path)
	inner := cfg.Handle
	cfg.Handle = func(c *Client, line []byte) bool { peers <- c.Peer(); return inner(c, line) }
	serve(t, cfg)
	var reply said
	must(t, dial(t, path).Ask(said{"hello"}, &reply))
	switch p := <-peers; {
	case !p.Known:
		t.Skip("this system does not tell who connects to a socket")
	case p.UID != os.Getuid() || p.GID != os.Getgid() || p.PID != os.Getpid():
		t.Errorf("peer %+v, want user %d, group %d, process %d", p, os.Getuid(), os.Getgid(), os.Getpid())
	}
}
