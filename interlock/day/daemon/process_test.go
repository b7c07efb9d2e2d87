//go:build linux

package daemon

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"downhaul/hw/virtual"
	"downhaul/interlock/day/answers/ask"
	"downhaul/interlock/day/answers/told"
	"downhaul/interlock/model/craftmodel"
	"downhaul/interlock/records/session"
	"downhaul/interlock/records/triplog"

	"golang.org/x/sys/unix"
)

// binary is the daemon as it is shipped, built once.
var binary string

func TestMain(m *testing.M) {
	// Where the tests run under nohup, a daemon would rightly pass over a lost
	// terminal. A signal that is caught here is as usual in a program started here.
	signal.Notify(make(chan os.Signal, 1), syscall.SIGHUP)
	dir, err := os.MkdirTemp("", "downhauld")
	if err == nil {
		binary = filepath.Join(dir, "downhauld")
		var out []byte
		if out, err = exec.Command("go", "build", "-o", binary, "../../../cmd/downhauld-bench").CombinedOutput(); err != nil {
			err = fmt.Errorf("%w: %s", err, out)
		}
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, "build the daemon:", err)
		os.Exit(1)
	}
	code := m.Run()
	os.RemoveAll(dir)
	os.Exit(code)
}

func must(t testing.TB, errs ...error) {
	t.Helper()
	for _, err := range errs {
		if err != nil {
			t.Fatal(err)
		}
	}
}

// soon waits for what another process brings about, however busy the computer.
func soon(t testing.TB, what string, ok func() bool) {
	t.Helper()
	for end := time.Now().Add(time.Minute); !ok(); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("in a minute: not %s", what)
		}
	}
}

// table is a folder with the files of one guard, and its processes.
type table struct {
	t      *testing.T
	dir    string
	port   string                // of the UDP link
	orders chan craftmodel.Event // to the craft that flies
}

// tables counts them. Each hears its craft at a loopback address of its own: a port that was
// free a moment ago may be another's by now, whose craft would be a second sender.
var tables atomic.Uint32

func newTable(t *testing.T, duty, link string) *table {
	t.Helper()
	dir, err := os.MkdirTemp("", "dh") // a socket's path must be short
	must(t, err)
	t.Cleanup(func() { os.RemoveAll(dir) })
	c, err := net.ListenUDP("udp4", &net.UDPAddr{IP: net.IPv4(127, byte(1+os.Getpid()>>8&63), byte(os.Getpid()), byte(1+tables.Add(1)%250))})
	must(t, err)
	b := &table{t: t, dir: dir, port: c.LocalAddr().String(), orders: make(chan craftmodel.Event, 16)}
	must(t, c.Close())
	if link == "" {
		link = fmt.Sprintf("kind = \"udp\"\naddress = %q", b.port)
	}
	fill := strings.NewReplacer("@FOLDER@", dir, "@DUTY@", duty, "@LINK@", strings.ReplaceAll(link, "@FOLDER@", dir))
	for _, name := range []string{session.Pad, session.Envelope} {
		text, err := os.ReadFile(filepath.Join("testdata", name))
		must(t, err)
		must(t, os.WriteFile(filepath.Join(dir, name), []byte(fill.Replace(string(text))), 0o644))
	}
	return b
}

func (b *table) pad() string { return filepath.Join(b.dir, session.Pad) }

// process is one running daemon.
type process struct {
	b    *table
	cmd  *exec.Cmd
	out  bytes.Buffer
	done chan error
}

func (b *table) start() *process { return b.startAs(binary) }

// startAs starts a daemon that was built in another way, with more in its
// environment.
func (b *table) startAs(program string, env ...string) *process {
	b.t.Helper()
	p := &process{b: b, cmd: exec.Command(program, "--pad", b.pad()), done: make(chan error, 1)}
	p.cmd.Env = append(os.Environ(), env...)
	p.cmd.Stdout, p.cmd.Stderr = &p.out, &p.out
	p.launch()
	return p
}

// launch starts a daemon and waits until it answers.
func (p *process) launch() {
	b := p.b
	b.t.Helper()
	must(b.t, p.cmd.Start())
	go func() { p.done <- p.cmd.Wait() }()
	b.t.Cleanup(func() {
		if p.cmd.ProcessState == nil {
			p.cmd.Process.Kill()
			<-p.done
		}
	})
	soon(b.t, "the guard answering", func() bool {
		select {
		case err := <-p.done:
			p.done <- err
			b.t.Fatalf("the guard ended: %v\n%s", err, p.out.String())
		default:
		}
		return b.status().Loop.Turns > 2
	})
}

// status is what the guard shows; the zero value when it does not answer.
func (b *table) status() told.Status {
	s, err := ask.Once(filepath.Join(b.dir, "guard.sock"))
	if err != nil {
		return told.Status{}
	}
	return *s
}

// end sends SIGTERM and wants a clean end.
func (p *process) end() {
	p.b.t.Helper()
	must(p.b.t, p.cmd.Process.Signal(unix.SIGTERM))
	if err := <-p.done; err != nil {
		p.b.t.Fatalf("the daemon ended with %v\n%s", err, p.out.String())
	}
	if !strings.Contains(p.out.String(), "ended; relay open") {
		p.b.t.Errorf("the last word is not the end: %s", p.out.String())
	}
	// What it tells to write on paper is what verify will hold the log against.
	_, folder, _ := strings.Cut(strings.TrimSpace(p.out.String()), "ended; relay open, session in ")
	names, err := triplog.Parts(folder)
	must(p.b.t, err)
	report, err := triplog.WalkFiles(names, nil)
	must(p.b.t, err)
	if report.Verdict != triplog.Whole || report.HeadCode == "" || !strings.Contains(p.out.String(), "to write on paper: "+report.HeadCode+"\n") {
		p.b.t.Errorf("the log is %s and ends in %s: %s", report.Verdict, report.HeadCode, p.out.String())
	}
}

// lines is the trip log of the latest session.
func (b *table) lines(folder string) (out []triplog.Record) {
	b.t.Helper()
	s, err := session.Open(folder)
	must(b.t, err)
	parts, err := s.TripParts()
	must(b.t, err)
	for _, name := range parts {
		for line, err := range triplog.FileLines(name) {
			if err != nil {
				break // the end of what is written so far
			}
			line.Decision = bytes.Clone(line.Decision)
			out = append(out, line)
		}
	}
	return out
}

// told is all that the trip log says in words.
func (b *table) told(folder string) (all string) {
	b.t.Helper()
	for _, line := range b.lines(folder) {
		all += line.Text + "\n"
	}
	return all
}

// logged reports whether a line of the trip log holds the words.
func (b *table) logged(folder, words string) bool {
	for _, line := range b.lines(folder) {
		if strings.Contains(line.Text, words) || bytes.Contains(line.Decision, []byte(words)) {
			return true
		}
	}
	return false
}

// fly lets a modelled craft stand on the pad and speak over the link until the
// test ends.
func (b *table) fly() {
	b.t.Helper()
	conn, err := craftmodel.Dial(b.port)
	must(b.t, err)
	b.flyOver(conn)
}

func (b *table) flyOver(conn net.Conn) (stop func()) {
	b.t.Helper()
	return b.flyAt(conn, nil)
}

// flyAt is flyOver with other periods of messages, by their MAVLink ids.
func (b *table) flyAt(conn net.Conn, periods map[uint32]time.Duration) (stop func()) {
	b.t.Helper()
	cfg := craftmodel.EightTwo()
	cfg.Motors, cfg.Unpowered, cfg.Periods = 4, true, periods
	craft, err := craftmodel.New(cfg)
	must(b.t, err)
	ctx, cancel := context.WithCancel(context.Background())
	var work sync.WaitGroup
	live := craftmodel.Live{Craft: craft, Conn: conn, Turn: func(c *craftmodel.Craft) error {
		select {
		case e := <-b.orders:
			return c.Do(e)
		default:
			return nil
		}
	}}
	work.Go(func() { _ = live.Serve(ctx) }) // a dead line ends it
	stop = sync.OnceFunc(func() { cancel(); work.Wait(); conn.Close() })
	b.t.Cleanup(stop)
	return stop
}

// makeLive works the pad as a crew does.
func (b *table) makeLive() *virtual.Client {
	b.t.Helper()
	board, err := virtual.Dial(filepath.Join(b.dir, "board.sock"))
	must(b.t, err)
	b.t.Cleanup(func() { board.Close() })
	b.liveBy(board)
	return board
}

// liveBy works the pad over a connection to its board.
func (b *table) liveBy(board *virtual.Client) {
	b.t.Helper()
	press := func(name string) {
		must(b.t, board.Press(name))
		time.Sleep(400 * time.Millisecond)
		must(b.t, board.Release(name))
		time.Sleep(200 * time.Millisecond)
	}
	// A busy computer can hold the loop up at any of the steps; then they are
	// done again, as a crew would.
	soon(b.t, "live", func() bool {
		switch b.status().State {
		case "live":
			return true
		case "ready":
			press("start")
		case "closing":
		default:
			press("reset")
		}
		time.Sleep(100 * time.Millisecond)
		return false
	})
}

func TestCheckTellsByItsExitCode(t *testing.T) {
	t.Parallel()
	b := newTable(t, "guard", "")
	broken := filepath.Join(b.dir, "broken.toml")
	must(t, os.WriteFile(broken, []byte("version = 1\ntitel = \"x\"\n"), 0o644))
	for _, row := range []struct {
		args []string
		code int
		says string
	}{
		{[]string{"--check", "--pad", b.pad()}, 0, "hold together"},
		{[]string{"--check", "--pad", b.pad(), "--envelope", broken}, 1, "broken.toml:2"},
		{[]string{"--check", "--pad", filepath.Join(b.dir, "none.toml")}, 2, "no such file"},
		{[]string{"--check"}, 2, "want --pad"},
		{[]string{"--fly"}, 2, "not defined"},
		{[]string{"--pad", b.pad(), "--envelope", broken}, 1, "broken.toml:2"},
	} {
		out, err := exec.Command(binary, row.args...).CombinedOutput()
		code := 0
		if exit := new(exec.ExitError); errors.As(err, &exit) {
			code = exit.ExitCode()
		}
		if code != row.code || !strings.Contains(string(out), row.says) {
			t.Errorf("%v: exit %d, want %d with %q:\n%s", row.args, code, row.code, row.says, out)
		}
	}
	if entries, _ := filepath.Glob(filepath.Join(b.dir, "*Z-*")); len(entries) != 0 {
		t.Errorf("sessions were begun: %v", entries)
	}
}

// A second daemon on the same files is refused in words, and the first goes on.
//
//fault:row a second guard on the same pad | refused
func TestSecondDaemonIsRefused(t *testing.T) {
	t.Parallel()
	b := newTable(t, "watch", "")
	p := b.start()
	out, err := exec.Command(binary, "--pad", b.pad()).CombinedOutput()
	if exit := new(exec.ExitError); !errors.As(err, &exit) || exit.ExitCode() != couldNot || !strings.Contains(string(out), "another guard") || strings.Contains(string(out), "panic") {
		t.Errorf("%v: %s", err, out)
	}
	p.end()
}
