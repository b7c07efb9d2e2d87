//go:build linux

package daemon

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"downhaul/interlock/day/answers"
	"downhaul/interlock/day/answers/ask"
	"downhaul/interlock/model/craftmodel"

	"golang.org/x/sys/unix"
)

// A daemon that gets no more memory while a flood comes over the link and
// people ask it without a pause: it goes on within what it has, or it dies, and
// then its heartbeat with it, and the next comes up tripped.
//
//fault:row no more memory, under a flood | it goes on within what it has, or dies and the next comes up tripped
func TestNoMoreMemory(t *testing.T) {
	if testing.Short() {
		t.Skip("flies real processes for ten seconds and more; left out by -short")
	}
	t.Parallel()
	b := newTable(t, "guard", "")
	p := b.start()
	seen := b.follow()
	b.fly()
	b.makeLive()
	stop := b.load()
	defer stop()
	// What it has by now is all that it gets: not one more page that can be
	// written, and no more address space.
	pid := p.cmd.Process.Pid
	for what, limit := range map[string]int{"VmData:": unix.RLIMIT_DATA, "VmSize:": unix.RLIMIT_AS} {
		has := inMemory(t, pid, what)
		must(t, unix.Prlimit(pid, limit, &unix.Rlimit{Cur: has, Max: has}, nil))
	}
	died := false
	for end := time.Now().Add(6 * time.Second); !died && time.Now().Before(end); {
		select {
		case err := <-p.done:
			p.done <- err
			died = true
		case <-time.After(20 * time.Millisecond):
		}
	}
	stop()
	if since, bad := seen.heldWithoutBeat(); bad {
		t.Errorf("power stayed on after the last edge at %v", since)
	}
	if !died {
		s := b.status()
		t.Logf("it goes on, %s", s.State)
		if on := s.State == "live"; on != s.RelayOn {
			t.Errorf("%s with the relay %v", s.State, s.RelayOn)
		}
		p.end()
		return
	}
	t.Logf("it dies: %s", firstLine(p.out.String(), "fatal error", "runtime:", "panic"))
	if p.cmd.ProcessState.Success() {
		t.Errorf("it counts as ended in order: %s", p.out.String())
	}
	b.comesUp("tripped")
}

// A start with too little memory is no start: what is left of it, if anything,
// stands in the way of nothing, and no relay was closed.
//
//fault:row too little memory at the start | no start; nothing stands in the way of the next
func TestStartWithTooLittleMemory(t *testing.T) {
	t.Parallel()
	b := newTable(t, "guard", "")
	for _, kilobytes := range []int{20_000, 60_000, 120_000} {
		// Where it fits in all the same it is killed, which is no start either.
		ctx, stop := context.WithTimeout(t.Context(), 10*time.Second)
		out, err := exec.CommandContext(ctx, "sh", "-c", `ulimit -v "$1" && exec "$2" --pad "$3"`, "sh", strconv.Itoa(kilobytes), binary, b.pad()).CombinedOutput()
		stop()
		if exit := new(exec.ExitError); !errors.As(err, &exit) {
			t.Errorf("in %d kB of address space: %v", kilobytes, err)
		}
		t.Logf("%d kB: %v: %s", kilobytes, err, firstLine(string(out), "fatal error", "cannot", "failed"))
	}
	p := b.start()
	if s := b.status(); s.RelayOn || s.State != "blocked" && s.State != "tripped" {
		t.Errorf("it comes up %s, relay %v", s.State, s.RelayOn)
	}
	p.end()
}

// inMemory is a row of /proc/PID/status, in bytes.
func inMemory(t *testing.T, pid int, row string) uint64 {
	t.Helper()
	f, err := os.Open(fmt.Sprintf("/proc/%d/status", pid))
	must(t, err)
	defer f.Close()
	for in := bufio.NewScanner(f); in.Scan(); {
		if rest, ok := strings.CutPrefix(in.Text(), row); ok {
			n, err := strconv.ParseUint(strings.TrimSuffix(strings.TrimSpace(rest), " kB"), 10, 64)
			must(t, err)
			return n << 10
		}
	}
	t.Fatalf("no %s of process %d", row, pid)
	return 0
}

// firstLine is the first line that holds one of the words.
func firstLine(text string, words ...string) string {
	for line := range strings.Lines(text) {
		for _, w := range words {
			if strings.Contains(line, w) {
				return strings.TrimSpace(line)
			}
		}
	}
	return strings.TrimSpace(text)
}

// load keeps the daemon busy: a flood on its port, and questions.
func (b *table) load() (stop func()) {
	b.t.Helper()
	conn, err := craftmodel.Dial(b.port)
	must(b.t, err)
	var end atomic.Bool
	var work sync.WaitGroup
	junk := make([]byte, 1200)
	for i := range junk {
		junk[i] = byte(i * 7)
	}
	work.Go(func() {
		for !end.Load() {
			for range 20 {
				_, _ = conn.Write(junk)
			}
			time.Sleep(2 * time.Millisecond)
		}
	})
	for range 6 {
		work.Go(func() {
			for !end.Load() {
				_, _ = ask.Guard(filepath.Join(b.dir, "guard.sock"), answers.Request{Do: "status"})
			}
		})
	}
	return sync.OnceFunc(func() { end.Store(true); work.Wait(); conn.Close() })
}

// A daemon that gets no processor time: every thread of it at the lowest
// priority on one processor that others keep busy. Its turns come too late, the
// watchdog lets go, and it trips by itself when it finds out. It runs alone:
// threads that idle would not come up at all beside other tests.
//
//fault:row no processor time: lowest priority beside busy processes | the watchdog lets go, the held-up loop trips
func TestStarvedOfTheProcessor(t *testing.T) {
	if testing.Short() {
		t.Skip("flies real processes for ten seconds and more; left out by -short")
	}
	b := newTable(t, "guard", "")
	p := b.start()
	folder := b.status().Folder
	seen := b.follow()
	b.fly()
	board := b.makeLive()
	var all, one unix.CPUSet
	must(t, unix.SchedGetaffinity(0, &all))
	for cpu := range 1024 {
		if all.IsSet(cpu) {
			one.Set(cpu)
			break
		}
	}
	var busy []*exec.Cmd
	rest := sync.OnceFunc(func() {
		for _, c := range busy {
			_ = c.Process.Kill()
			_ = c.Wait()
		}
	})
	t.Cleanup(rest)
	for range 3 {
		c := exec.Command("sh", "-c", "while :; do :; done")
		must(t, c.Start())
		busy = append(busy, c)
		must(t, unix.SchedSetaffinity(c.Process.Pid, &one))
	}
	threads, err := os.ReadDir(fmt.Sprintf("/proc/%d/task", p.cmd.Process.Pid))
	must(t, err)
	for _, entry := range threads {
		tid, err := strconv.Atoi(entry.Name())
		must(t, err)
		must(t, unix.SchedSetaffinity(tid, &one),
			unix.SchedSetAttr(tid, &unix.SchedAttr{Size: unix.SizeofSchedAttr, Policy: unix.SCHED_IDLE}, 0))
	}
	starved := false
	for end := time.Now().Add(20 * time.Second); !starved && time.Now().Before(end); time.Sleep(200 * time.Millisecond) {
		starved = b.logged(folder, `"reason":"the guard's loop was held up"`)
	}
	rest()
	soon(t, "an answer", func() bool { return b.status().Loop.Turns > 0 })
	s := b.status()
	t.Logf("starved %v: %s, longest gap between turns %v", starved, s.State, s.Loop)
	if since, bad := seen.heldWithoutBeat(); bad {
		t.Errorf("power stayed on after the last edge at %v", since)
	}
	now, err := board.Show()
	must(t, err)
	switch {
	case starved && s.State != "tripped" && s.State != "fault", s.RelayOn != (s.State == "live"):
		t.Errorf("it is %s, relay %v", s.State, s.RelayOn)
	case now.Power && s.State != "live":
		t.Errorf("power at the rotors in %s", s.State)
	}
	p.end()
}
