//go:build linux

package daemon

import (
	"bytes"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"downhaul/hw/virtual"
	"downhaul/interlock"
	"downhaul/interlock/model/benchboard"
	"downhaul/rules"
)

// messages are what a service manager was told.
type messages struct {
	mu  sync.Mutex
	all []string
}

func (m *messages) count(text string) (n int) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, s := range m.all {
		if strings.HasPrefix(s, text) {
			n++
		}
	}
	return n
}

// The service manager hears that the guard is ready once its loop turns, is
// fed by the loop alone (a process that is stopped feeds nobody), shows the
// state, and hears of the end.
func TestServiceManagerIsFedByTheLoop(t *testing.T) {
	b := newTable(t, "guard", "")
	path := filepath.Join(b.dir, "notify")
	c, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	must(t, err)
	defer c.Close()
	var m messages
	go func() {
		buf := make([]byte, 512)
		for {
			n, err := c.Read(buf)
			if err != nil {
				return
			}
			m.mu.Lock()
			m.all = append(m.all, string(buf[:n]))
			m.mu.Unlock()
		}
	}()
	t.Setenv("NOTIFY_SOCKET", path)
	t.Setenv("WATCHDOG_USEC", "500000")
	t.Setenv("WATCHDOG_PID", "")
	p := b.start()
	soon(t, "ready, fed and shown", func() bool {
		return m.count("READY=1") == 1 && m.count("WATCHDOG=1") > 2 && m.count("STATUS=blocked: ") > 0
	})
	m.mu.Lock()
	if m.all[0] != "READY=1" {
		t.Errorf("the first word is %q", m.all[0])
	}
	m.mu.Unlock()
	must(t, p.cmd.Process.Signal(unix.SIGSTOP))
	// It is stopped when its state says so, whatever the signal takes.
	soon(t, "stopped", func() bool {
		stat, err := os.ReadFile("/proc/" + strconv.Itoa(p.cmd.Process.Pid) + "/stat")
		return err == nil && strings.Contains(string(stat), ") T ")
	})
	time.Sleep(100 * time.Millisecond) // what was still in the socket
	fed := m.count("WATCHDOG=1")
	time.Sleep(time.Second)
	if now := m.count("WATCHDOG=1"); now != fed {
		t.Errorf("a stopped process fed its watchdog %d times", now-fed)
	}
	must(t, p.cmd.Process.Signal(unix.SIGCONT))
	soon(t, "fed again", func() bool { return m.count("WATCHDOG=1") > fed })
	p.end()
	soon(t, "told of the end", func() bool { return m.count("STOPPING=1") == 1 })
	if n := m.count("READY=1"); n != 1 {
		t.Errorf("ready %d times", n)
	}
}

// withDevice lets the pad file name a hardware watchdog, which is a plain file
// here: it keeps every byte that a driver would have seen.
func (b *table) withDevice() (path string) {
	b.t.Helper()
	path = filepath.Join(b.dir, "watchdog")
	must(b.t, os.WriteFile(path, nil, 0o600))
	text, err := os.ReadFile(b.pad())
	must(b.t, err)
	with := strings.Replace(string(text), "[watchdog]\n", "[watchdog]\ndevice = \""+path+"\"\ntimeout = \"2 s\"\n", 1)
	if with == string(text) {
		b.t.Fatal("the pad file has no [watchdog]")
	}
	must(b.t, os.WriteFile(b.pad(), []byte(with), 0o644))
	return path
}

// A clean end disarms the hardware watchdog when the contactor was seen open,
// and at no other time: not when the process is killed, and not when the
// contactor is welded.
func TestHardwareWatchdogStaysArmed(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name   string
		end    func(b *table, p *process)
		disarm bool
	}{
		{"clean end", func(_ *table, p *process) { p.end() }, true},
		{"killed", func(_ *table, p *process) {
			must(t, p.cmd.Process.Kill())
			<-p.done
		}, false},
		{"welded", func(b *table, p *process) {
			client, err := virtual.Dial(filepath.Join(b.dir, "board.sock"))
			must(t, err)
			defer client.Close()
			must(t, client.Break("weld"))
			must(t, p.cmd.Process.Signal(unix.SIGTERM))
			if err := <-p.done; err == nil {
				t.Error("an end with power at the rotors counts as clean")
			}
			for _, words := range []string{"POWER NOT REMOVED", "stays armed"} {
				if !strings.Contains(p.out.String(), words) {
					t.Errorf("nobody says %q: %s", words, p.out.String())
				}
			}
		}, false},
	} {
		b := newTable(t, "guard", "")
		path := b.withDevice()
		p := b.start()
		fed := func() []byte { text, err := os.ReadFile(path); must(t, err); return text }
		soon(t, "fed", func() bool { return len(fed()) > 2 })
		if bytes.Contains(fed(), []byte("V")) {
			t.Errorf("%s: disarmed while it runs", c.name)
		}
		c.end(b, p)
		if got := fed(); bytes.HasSuffix(got, []byte("V")) != c.disarm {
			t.Errorf("%s: the device was written %q", c.name, got)
		}
		if !strings.Contains(p.out.String(), "is no watchdog of the kernel's") {
			t.Errorf("%s: nobody says that a plain file resets nothing", c.name)
		}
	}
}

// A device that is named and not there is no start.
func TestHardwareWatchdogMustBeThere(t *testing.T) {
	t.Parallel()
	b := newTable(t, "guard", "")
	must(t, os.Remove(b.withDevice()))
	var out, errs bytes.Buffer
	if code := Run("downhauld-bench", benchboard.Open, []string{"--pad", b.pad()}, &out, &errs); code != couldNot || !strings.Contains(errs.String(), "open the watchdog") {
		t.Errorf("code %d: %s%s", code, out.String(), errs.String())
	}
}

// What a silence of the craft took along stands on the terminal as a part of its trip.
func TestTerminalTellsAPartOfATrip(t *testing.T) {
	env := &rules.Envelope{Rules: []rules.Rule{{Name: "tilt", Watch: rules.Tilt}}}
	part := interlock.Effect{Kind: interlock.ConsequenceEffect, Trip: 1, Reason: interlock.ReasonRuleMissing, Channel: rules.Tilt, Cause: rules.Stale}
	if text, ok := lineOf(env, part); !ok || !strings.Contains(text, "part of trip 1") || !strings.Contains(text, "tilt: ") {
		t.Errorf("%q", text)
	}
}
