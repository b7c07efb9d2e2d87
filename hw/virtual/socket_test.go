package virtual

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"downhaul/hw"
	"downhaul/hw/localsocket"
)

// secondProcess names the environment variable that makes this test binary
// play another process: "hold" opens a board on the socket and beats until it
// is killed, "press" presses reset like the crew's tool.
const secondProcess = "DOWNHAUL_HW_TEST_PROCESS"

func TestMain(m *testing.M) {
	role, socket, _ := strings.Cut(os.Getenv(secondProcess), " ")
	var err error
	switch role {
	case "":
		os.Exit(m.Run())
	case "hold":
		err = holdBoard(socket)
	case "press":
		var c *Client
		if c, err = Dial(socket); err == nil {
			err = c.Press("reset")
		}
	default:
		err = fmt.Errorf("no role %q", role)
	}
	if err != nil {
		fmt.Println(err)
		os.Exit(1)
	}
}

func holdBoard(socket string) error {
	start := time.Now()
	v, err := Open(Config{Inputs: padInputs, Now: func() time.Duration { return time.Since(start) }, Socket: socket})
	if err != nil {
		return err
	}
	if err := v.Relay().Set(true); err != nil {
		return err
	}
	fmt.Println("held")
	for on := true; ; on = !on {
		if err := v.Heartbeat().Set(on); err != nil {
			return err
		}
		time.Sleep(25 * ms)
	}
}

func second(t *testing.T, role, socket string) *exec.Cmd {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), os.Args[0], "-test.run=^$")
	cmd.Env = append(os.Environ(), secondProcess+"="+role+" "+socket)
	return cmd
}

// socketPath is short: a socket's path has about 100 bytes at most.
func socketPath(t testing.TB) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "hw")
	must(t, err)
	t.Cleanup(func() { os.RemoveAll(dir) })
	return filepath.Join(dir, "board")
}

func dial(t testing.TB, socket string) *Client {
	t.Helper()
	c, err := Dial(socket)
	must(t, err)
	t.Cleanup(func() { c.Close() })
	return c
}

// soon waits for something that another goroutine or process brings about.
func soon(t testing.TB, what string, ok func() bool) {
	t.Helper()
	for end := time.Now().Add(30 * time.Second); !ok(); time.Sleep(5 * ms) {
		if time.Now().After(end) {
			t.Fatalf("in 30 s: not %s", what)
		}
	}
}

func TestSocketWorksTheBoard(t *testing.T) {
	path := socketPath(t)
	v, clock := open(t, Config{Socket: path})
	c := dial(t, path)
	must(t, c.Press("reset"), c.OpenContact("gate"), c.Turn(5), c.Load(100), c.Break("weld"))
	if l := levels(t, v); !l["reset"] || l["gate"] || l["readback"] {
		t.Errorf("levels %v", l)
	}
	clock.set(time.Second)
	if n, counts := len(edgesOf(v)), v.TakeCounts(clock.now()); n != 10 || counts[0].Value != 124000 {
		t.Errorf("%d edges, counts %v", n, counts)
	}
	s, err := c.Show()
	must(t, err)
	if !s.Power || s.Watchdog || s.At != 1 || len(s.Faults) != 1 || s.Note != rehearsal {
		t.Errorf("state %+v", s)
	}
	must(t, c.Mend("weld"), c.Release("reset"), c.CloseContact("gate"))
	if l := levels(t, v); l["reset"] || !l["gate"] || !l["readback"] {
		t.Errorf("levels %v", l)
	}
	if err := c.Press("rest"); err == nil || !strings.Contains(err.Error(), `nothing is named "rest"`) {
		t.Errorf("error %v", err)
	}
	if _, err := c.Show(); err != nil {
		t.Errorf("a refusal ended the connection: %v", err)
	}
}

func TestSocketBelongsToItsOwner(t *testing.T) {
	path := socketPath(t)
	v, _ := open(t, Config{Socket: path})
	for _, p := range []string{path, path + ".lock"} {
		info, err := os.Stat(p)
		must(t, err)
		if info.Mode().Perm() != 0o600 {
			t.Errorf("%s has mode %v, want 0600", p, info.Mode())
		}
	}
	must(t, v.Close())
	if _, err := os.Lstat(path); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the socket stays after Close: %v", err)
	}
	if _, err := Dial(path); err == nil || !strings.Contains(err.Error(), "no virtual board answers") {
		t.Errorf("dial of a closed board: %v", err)
	}
}

func TestOtherProcess(t *testing.T) {
	path := socketPath(t)
	v, _ := open(t, Config{Socket: path})
	if out, err := second(t, "hold", path).CombinedOutput(); err == nil || !strings.Contains(string(out), "another guard holds this board") {
		t.Errorf("a second guard got %v: %s", err, out)
	}
	if out, err := second(t, "press", path).CombinedOutput(); err != nil {
		t.Fatalf("the crew's tool: %v: %s", err, out)
	}
	if !levels(t, v)["reset"] {
		t.Error("reset is not pressed")
	}
}

// When its process is killed, board and socket go with it: nothing of the old
// state comes back, and the next guard replaces the socket that was left.
func TestPromise05_KilledBoardComesBackInert(t *testing.T) {
	path := socketPath(t)
	cmd := second(t, "hold", path)
	out, err := cmd.StdoutPipe()
	must(t, err)
	must(t, cmd.Start())
	if line, err := bufio.NewReader(out).ReadString('\n'); line != "held\n" {
		t.Fatalf("the other process says %q, %v", line, err)
	}
	c := dial(t, path)
	if _, err := Open(Config{Inputs: padInputs, Now: func() time.Duration { return 0 }, Socket: path}); !errors.Is(err, ErrHeld) {
		t.Errorf("a second board on a living one's socket: %v, want %v", err, ErrHeld)
	}
	must(t, c.Press("reset"))
	must(t, cmd.Process.Kill())
	_ = cmd.Wait() // says that it was killed
	if _, err := os.Lstat(path); err != nil {
		t.Fatalf("the killed process left no socket to replace: %v", err)
	}
	if _, err := c.Show(); err == nil {
		t.Error("a dead board answers")
	}
	v, _ := open(t, Config{Socket: path})
	s, err := dial(t, path).Show()
	must(t, err)
	if s.Power || s.Watchdog || s.Heartbeat.Edges != 0 || s.Outputs[0].On || levels(t, v)["reset"] {
		t.Errorf("state %+v came back", s)
	}
}

// The lock alone refuses a second board, also while the first one's socket does
// not answer yet or has been removed by hand.
func TestLockRefusesASecondBoard(t *testing.T) {
	path := socketPath(t)
	_, _ = open(t, Config{Socket: path})
	must(t, os.Remove(path))
	if _, err := Open(Config{Now: func() time.Duration { return 0 }, Socket: path}); !errors.Is(err, ErrHeld) {
		t.Errorf("error %v, want %v", err, ErrHeld)
	}
}

func TestSocketRefusesToReplaceAFile(t *testing.T) {
	path := socketPath(t)
	must(t, os.WriteFile(path, []byte("precious"), 0o600))
	_, err := Open(Config{Now: func() time.Duration { return 0 }, Socket: path})
	if err == nil || !strings.Contains(err.Error(), "is no socket") {
		t.Errorf("error %v", err)
	}
	if text, _ := os.ReadFile(path); string(text) != "precious" {
		t.Error("the file was changed")
	}
}

func TestWatch(t *testing.T) {
	path := socketPath(t)
	v, clock := open(t, Config{Socket: path})
	must(t, v.Lamp().Set(true)) // before the watch: not told
	for _, beats := range []bool{false, true} {
		before, _ := v.Trace()
		ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
		var got []Event
		began := clock.now()
		worked := make(chan struct{})
		err := dial(t, path).Watch(ctx, beats, func(e Event) error {
			// The first line comes when the watch has begun; work the board then.
			if len(got) == 0 {
				if e.Line != "beats" || e.Edges != 0 {
					return fmt.Errorf("first event %+v, want no beats", e)
				}
				go func() {
					defer close(worked)
					must(t, v.Relay().Set(true))
					run(t, v, clock, time.Second)
					must(t, v.Relay().Set(false))
					clock.add(time.Second)
				}()
			}
			got = append(got, e)
			if e.Line == "contactor" && !e.On {
				cancel()
			}
			return nil
		})
		must(t, err)
		<-worked
		want := []string{"relay true 0", "watchdog true 0.075", "contactor true 0.09", "relay false 1", "contactor false 1.02"}
		var edges []string
		count := 0
		for _, e := range got {
			switch e.Line {
			case "beats", "watchdog":
				if e.Line == "beats" || !e.On {
					continue // summed by wall time; the watchdog drops after the end
				}
			case "heartbeat":
				count++
				continue
			}
			edges = append(edges, fmt.Sprintf("%s %v %.4g", e.Line, e.On, e.At-began.Seconds()))
		}
		if !slices.Equal(edges, want) {
			t.Errorf("watched %q, want %q", edges, want)
		}
		if beats && count < 40 || !beats && count != 0 {
			t.Errorf("beats %v: %d heartbeat edges", beats, count)
		}
		after, _ := v.Trace()
		if len(after)-len(before) < len(want) {
			t.Errorf("the trace has %d new edges", len(after)-len(before))
		}
	}
}

func TestWatchEndsWithTheBoard(t *testing.T) {
	path := socketPath(t)
	v, _ := open(t, Config{Socket: path})
	err := dial(t, path).Watch(t.Context(), false, func(Event) error { return v.Close() })
	if err == nil || errors.Is(err, hw.ErrClosed) {
		t.Errorf("the watch ended with %v, want that the board is gone", err)
	}
}

// raw is a client that sends what it likes.
func raw(t testing.TB, path string) net.Conn {
	t.Helper()
	c, err := net.Dial("unix", path)
	must(t, err)
	t.Cleanup(func() { c.Close() })
	return c
}

// Sixteen places; a client that goes frees its own.
func TestClientsAreBounded(t *testing.T) {
	path := socketPath(t)
	_, _ = open(t, Config{Socket: path})
	var clients []*Client
	for range localsocket.MostClients {
		c := dial(t, path)
		_, err := c.Show()
		must(t, err)
		clients = append(clients, c)
	}
	if _, err := dial(t, path).Show(); err == nil || !strings.Contains(err.Error(), "16 clients already") {
		t.Errorf("client 17: %v", err)
	}
	must(t, clients[0].Close())
	soon(t, "a place free", func() bool {
		c, err := Dial(path)
		must(t, err)
		defer c.Close()
		_, err = c.Show()
		return err == nil
	})
}

// Clients that flood and never read, watchers that never read, and one that
// hangs: the board's own calls go on, the crew is served, and Close ends.
func TestStuckClientsDelayNobody(t *testing.T) {
	path := socketPath(t)
	v, clock := open(t, Config{Socket: path})
	var work sync.WaitGroup
	for i := range 8 {
		c := raw(t, path)
		text := bytes.Repeat([]byte(`{"do":"show"}`+"\n"), 1000)
		if i%2 == 1 {
			text = []byte(`{"do":"watch","heartbeat":true}` + "\n")
		}
		if i == 0 {
			text = []byte(`{"do":"pre`)
		}
		work.Go(func() { c.Write(text) }) // fails when it is let go
	}
	// 500 s of the board's life, far more than the watchers' buffers take.
	for range 500 {
		must(t, v.Relay().Set(true))
		run(t, v, clock, time.Second)
		must(t, v.Relay().Set(false))
	}
	crew := dial(t, path)
	must(t, crew.Press("reset"))
	if s, err := crew.Show(); err != nil || s.At != 500 {
		t.Errorf("the crew sees %v, %v", s.At, err)
	}
	soon(t, "rid of the clients that read nothing", func() bool {
		run(t, v, clock, time.Second)
		return v.server.Clients() <= 6 // the crew, the hanging one, and watchers whose buffers last
	})
	must(t, v.Close())
	work.Wait()
	if n := v.server.Clients(); n != 0 {
		t.Errorf("%d clients after Close", n)
	}
}

func TestWatcherIsToldWhatItMissed(t *testing.T) {
	v, clock := open(t, Config{})
	from, _ := v.mark()
	for i := range 10000 {
		clock.add(ms)
		must(t, v.Buzzer().Set(i%2 == 0))
	}
	if _, edges, missed := v.edgesSince(&from); len(edges) != 4096 || missed != 5904 {
		t.Errorf("%d edges and %d missed, want 4096 and 5904", len(edges), missed)
	}
	if _, edges, missed := v.edgesSince(&from); len(edges) != 0 || missed != 0 {
		t.Errorf("%d edges and %d missed the second time", len(edges), missed)
	}
}
