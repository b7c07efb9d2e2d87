//go:build linux

package daemon

import (
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// A lost terminal (ssh gone) ends nothing while power can reach the rotors: a
// lost shell must not drop a craft that hovers. In any other state it is a
// clean end.
//
//fault:row the terminal is lost (SIGHUP) in closing, live or lowering | noted in the log; nothing ends
//fault:row the terminal is lost (SIGHUP) in any other state | a clean end, `ended` on record
func TestLostTerminal(t *testing.T) {
	if testing.Short() {
		t.Skip("flies real processes for ten seconds and more; left out by -short")
	}
	t.Parallel()
	for _, row := range []struct {
		state string
		ends  bool
	}{{"blocked", true}, {"ready", true}, {"closing", false}, {"live", false}, {"lowering", false}, {"tripped", true}, {"fault", true}} {
		t.Run(row.state, func(t *testing.T) {
			t.Parallel()
			b := newTable(t, "guard", "")
			p := b.start()
			b.fly()
			folder := b.status().Folder
			if row.state != "blocked" {
				b.reach(row.state)
			}
			must(t, p.cmd.Process.Signal(unix.SIGHUP))
			if row.ends {
				if err := <-p.done; err != nil {
					t.Fatalf("the daemon ended with %v\n%s", err, p.out.String())
				}
				b.endedLast(folder)
				return
			}
			soon(t, "noted", func() bool { return b.logged(folder, "the terminal was lost") })
			select {
			case err := <-p.done:
				t.Fatalf("it ended, %v:\n%s", err, p.out.String())
			case <-time.After(300 * time.Millisecond):
			}
			p.end()
			b.endedLast(folder)
		})
	}
}

// endedLast wants the end as the last line of the trip log.
func (b *table) endedLast(folder string) {
	b.t.Helper()
	lines := b.lines(folder)
	if len(lines) == 0 || lines[len(lines)-1].Kind != "ended" {
		b.t.Errorf("the trip log does not end with its end: %+v", lines)
	}
}

// Output that nobody takes ends nothing: a reader that is gone (downhauld | tee),
// a full disk behind it, and a terminal that stops whoever writes to it.
//
//fault:row standard output cannot be written: its reader is gone, or its disk is full | noted once in the log; nothing ends
func TestOutputThatCannotBeWritten(t *testing.T) {
	t.Parallel()
	for _, name := range []string{"reader gone", "disk full"} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b := newTable(t, "guard", "")
			p := &process{b: b, cmd: exec.Command(binary, "--pad", b.pad()), done: make(chan error, 1)}
			var out *os.File
			var err error
			if name == "disk full" {
				out, err = os.OpenFile("/dev/full", os.O_WRONLY, 0)
				must(t, err)
			} else {
				var r *os.File
				r, out, err = os.Pipe()
				must(t, err)
				must(t, r.Close())
			}
			defer out.Close()
			p.cmd.Stdout, p.cmd.Stderr = out, out
			p.launch()
			b.fly()
			folder := b.status().Folder
			b.makeLive()
			soon(t, "noted", func() bool { return b.logged(folder, "standard output cannot be written") })
			if s := b.status(); s.State != "live" {
				t.Errorf("state %s", s.State)
			}
			must(t, p.cmd.Process.Signal(unix.SIGTERM))
			if err := <-p.done; err != nil {
				t.Errorf("it ended with %v", err)
			}
			b.endedLast(folder)
			if n := strings.Count(b.told(folder), "standard output cannot be written"); n > 1 {
				t.Errorf("noted %d times", n)
			}
		})
	}
}

// Signals that mean nothing to a guard end and stop nothing while it is live;
// among them a limit on the size of files, of which the write itself tells.
func TestSignalsWithoutMeaningEndNothing(t *testing.T) {
	if testing.Short() {
		t.Skip("flies real processes for ten seconds and more; left out by -short")
	}
	t.Parallel()
	b := newTable(t, "guard", "")
	p := b.start()
	b.fly()
	board := b.makeLive()
	for _, s := range []unix.Signal{unix.SIGPIPE, unix.SIGUSR1, unix.SIGUSR2, unix.SIGALRM, unix.SIGTSTP, unix.SIGTTIN, unix.SIGTTOU, unix.SIGXFSZ} {
		must(t, p.cmd.Process.Signal(s))
		time.Sleep(50 * time.Millisecond)
		select {
		case err := <-p.done:
			t.Fatalf("%s ended it: %v\n%s", unix.SignalName(s), err, p.out.String())
		default:
		}
		if state, err := os.ReadFile(filepath.Join("/proc", strconv.Itoa(p.cmd.Process.Pid), "stat")); err != nil || strings.Contains(string(state), ") T ") {
			t.Fatalf("%s stopped it: %s %v", unix.SignalName(s), state, err)
		}
	}
	if s, err := board.Show(); err != nil || !s.Power {
		// A busy computer may have held the loop up meanwhile.
		t.Logf("power %v, %v, state %s", s.Power, err, b.status().State)
	}
	p.end()
}
