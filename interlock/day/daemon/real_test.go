//go:build linux

package daemon

import (
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"time"

	"downhaul/hw"
	"downhaul/interlock/day/watchdog"
	"downhaul/interlock/pad"

	"golang.org/x/sys/unix"
)

// The packaged daemon has no virtual board: it says so, names the program that
// has, and begins no session.
func TestPackagedDaemonRefusesAVirtualBoard(t *testing.T) {
	t.Parallel()
	b := newTable(t, "guard", "")
	program := filepath.Join(b.dir, "downhauld")
	if out, err := exec.Command("go", "build", "-o", program, "../../../cmd/downhauld").CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	for _, args := range [][]string{{"--pad", b.pad()}, {"--pad", b.pad(), "--check"}} {
		out, err := exec.Command(program, args...).CombinedOutput()
		if exit := new(exec.ExitError); !errors.As(err, &exit) || exit.ExitCode() != couldNot || !strings.Contains(string(out), "run downhauld-bench") {
			t.Errorf("%v: %v: %s", args, err, out)
		}
	}
	if left, _ := filepath.Glob(filepath.Join(b.dir, "*Z-*")); len(left) > 0 {
		t.Errorf("sessions were begun: %v", left)
	}
}

// realTime counts the threads of a process, and those that no ordinary work holds up.
func realTime(t *testing.T, pid int) (fast, all int) {
	t.Helper()
	threads, err := os.ReadDir(fmt.Sprintf("/proc/%d/task", pid))
	must(t, err)
	for _, entry := range threads {
		tid, err := strconv.Atoi(entry.Name())
		must(t, err)
		switch attr, err := unix.SchedGetAttr(tid, 0); {
		case errors.Is(err, unix.ESRCH):
		case err != nil:
			t.Fatal(err)
		default:
			all++
			if attr.Policy == unix.SCHED_FIFO {
				fast++
			}
		}
	}
	return fast, all
}

// While the board is opened no ordinary work holds any thread up: on a busy computer
// the relay's line would else stay as a dead guard left it. Then the threads are
// ordinary again, but for the loop's own. Not beside others, who would be held up.
func TestOpeningTheBoardHurries(t *testing.T) {
	permitted := make(chan error)
	go func() {
		runtime.LockOSThread() // the thread ends with this
		permitted <- watchdog.RealTime()
	}()
	if err := <-permitted; err != nil {
		t.Skip(err)
	}
	b, enough := newTable(t, "guard", ""), errors.New("the board is open")
	fast, all := 0, 0
	virtual := func(*pad.Pad, func() time.Duration) (hw.Board, error) {
		fast, all = realTime(t, os.Getpid())
		return nil, enough
	}
	var said strings.Builder
	if code := Run("downhauld-bench", virtual, []string{"--pad", b.pad()}, io.Discard, &said); code != couldNot || !strings.Contains(said.String(), enough.Error()) {
		t.Fatalf("%d: %s", code, &said)
	}
	p := newTable(t, "guard", "").start()
	if fast != all || all == 0 {
		t.Errorf("%d of %d threads hurried while the board was opened", fast, all)
	}
	if fast, all := realTime(t, os.Getpid()); fast > 0 {
		t.Errorf("%d of %d threads hurry behind it", fast, all)
	}
	if fast, all := realTime(t, p.cmd.Process.Pid); fast > 1 {
		t.Errorf("%d of %d threads of a guard hurry, at most the loop's own may", fast, all)
	}
	p.end()
}
