package hw_test

import (
	"cmp"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"
)

// BenchmarkLatency measures the time from just before something is sent to the guard's
// write of an output line, or its trip, and beside it the floor: a bare blocking reader on
// a locked thread that does one call of the kernel, as for a line, and stamps. Sender,
// floor and guard are processes of their own, because a sender in the reader's process
// picks the reader up itself. The guard is a whole one in duty watch, with link, records on
// disk, and a board that is the one for real pins but for the kernel's calls; the write is
// that of the buzzer, which a demand for a stop switches on in the very turn in which a guard
// with a relay would open it.
//
//   - idle: nothing else runs; guard as with real_time = true, floor at real-time priority
//   - busy: the same, beside two busy processes for every processor, at ordinary priority
//   - ordinary: nothing else runs; guard and floor at ordinary priority, as from here on
//   - strangers: 20,000 datagrams a second of another sender to the guard's port
//   - disk: the log's disk does not answer
//   - stop: a press of the emergency stop, by a pipe that carries the kernel's events, to the
//     trip; the floor is a bare reader of such a pipe
//
// A canary of the floor's kind is sent to right behind each sample; where it was later than
// four times its median, somebody else held the computer up, and the sample is left out.
// Guard and floor are measured in turn, b.N times in three rounds. The ratios are the
// medians of the rounds', of p99.9 the best: -benchtime 60000x for rounds of 20,000, six
// minutes each. Where more than a third was left out there are none.
func BenchmarkLatency(b *testing.B) {
	for _, m := range []mode{{name: "idle", realTime: true}, {name: "busy", hogs: true, realTime: true}, {name: "ordinary"}, {name: "strangers", flood: true}, {name: "disk", hung: true}, {name: "stop", stop: true}} {
		b.Run(m.name, func(b *testing.B) {
			if m.realTime && exec.Command("chrt", "-f", "10", "true").Run() != nil {
				b.Skip("no real-time priority to be had, or no chrt")
			}
			m.measure(b)
		})
	}
}

// mode is what goes on beside the measurement, and what is measured.
type mode struct {
	name                              string
	hogs, realTime, flood, hung, stop bool
}

// start starts a part of the benchmark, and waits until it is ready. It is killed at the end.
func start(b *testing.B, name, dir, how string, room *latencyRoom, prefix ...string) *exec.Cmd {
	args := append(prefix, os.Args[0])
	c := exec.Command(args[0], args[1:]...)
	c.Env = append(os.Environ(), "DOWNHAUL_LATENCY_PART="+name, "DOWNHAUL_LATENCY_DIR="+dir, "DOWNHAUL_LATENCY_MODE="+how)
	c.Stderr = os.Stderr
	must(b, c.Start())
	b.Cleanup(func() { _ = c.Process.Kill(); _ = c.Wait() })
	for wait := 0; name != "sender" && atomic.LoadInt64(&room.head[ready(name)]) == 0; wait++ {
		if time.Sleep(5 * time.Millisecond); wait > 4000 {
			b.Fatalf("the %s is not ready", name)
		}
	}
	return c
}

// newRoom makes the memory that the parts share, and a port for the craft.
func newRoom(b *testing.B, samples int) (dir string, room *latencyRoom) {
	dir, err := os.MkdirTemp("", "dh") // a socket's path must be short
	must(b, err)
	b.Cleanup(func() { os.RemoveAll(dir) })
	must(b, os.WriteFile(filepath.Join(dir, "room"), make([]byte, 8*(headSize+samples*columns)), 0o600))
	room, err = openRoom(dir)
	must(b, err)
	c, err := net.ListenUDP("udp4", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 2)})
	must(b, err)
	room.head[headCraft] = int64(c.LocalAddr().(*net.UDPAddr).Port)
	must(b, c.Close())
	return dir, room
}

func (m mode) measure(b *testing.B) {
	dir, room := newRoom(b, b.N)
	var prefix []string
	if m.realTime {
		prefix = []string{"chrt", "-f", "10"}
	}
	if m.hogs {
		for range 2 * runtime.NumCPU() {
			c := exec.Command("sh", "-c", "while :; do :; done")
			must(b, c.Start())
			b.Cleanup(func() { _ = c.Process.Kill(); _ = c.Wait() })
		}
	}
	start(b, "guard", dir, m.name, room) // takes its priority by itself
	for _, part := range []string{"floor", "canary"} {
		start(b, part, dir, m.name, room, slices.Clone(prefix)...)
	}
	if m.flood {
		start(b, "strangers", dir, m.name, room)
	}
	b.ResetTimer()
	must(b, start(b, "sender", dir, m.name, room, slices.Clone(prefix)...).Wait())
	b.StopTimer()
	rounds := min(3, b.N)
	var guards, floors, ratios [][]float64
	left := 0
	for i := range rounds {
		from, to := i*b.N/rounds, (i+1)*b.N/rounds
		g, gone := room.took(from, to, sentGuard)
		f, more := room.took(from, to, sentFloor)
		left += gone + more
		if len(g) == 0 || len(f) == 0 {
			continue
		}
		guards, floors = append(guards, shares(g)), append(floors, shares(f))
		ratio := make([]float64, len(latencyShares))
		for k := range ratio {
			ratio[k] = shares(g)[k] / shares(f)[k]
		}
		ratios = append(ratios, ratio)
	}
	unanswered := 0
	for i := range b.N {
		for _, wrote := range []int{wroteGuard, wroteFloor} {
			if atomic.LoadInt64(room.at(i, wrote)) == 0 {
				unanswered++
			}
		}
	}
	b.ReportMetric(float64(left)/float64(2*b.N), "left-out")
	b.ReportMetric(float64(unanswered)/float64(2*b.N), "unanswered")
	b.ReportMetric(0, "ns/op")
	if left > 2*b.N/3 {
		b.Log("more than a third was left out: no figures")
		return
	}
	for k, share := range latencyShares {
		b.ReportMetric(median(guards, k), fmt.Sprintf("guard-p%v-us", share*100))
		b.ReportMetric(median(floors, k), fmt.Sprintf("floor-p%v-us", share*100))
		name, ratio := fmt.Sprintf("ratio-p%v", share*100), median(ratios, k)
		if share > 0.99 {
			name, ratio = name+"-best", ratios[0][k]
			for _, r := range ratios {
				ratio = min(ratio, r[k])
			}
		}
		b.ReportMetric(ratio, name)
	}
}

// BenchmarkShare measures, over b.N seconds (-benchtime 60x), the processor time of a guard
// that hears 400 frames a second, with pins, anemometer and an 80 Hz load cell, and beside
// it that of a bare loop which does the same calls of the kernel on one thread: wait, read
// each datagram, look for edges, read levels, read the converter's file, and write what
// came ten times a second. Then the guard's resident size and its open files.
func BenchmarkShare(b *testing.B) {
	dir, room := newRoom(b, 1)
	parts := map[string]*exec.Cmd{}
	for _, part := range []string{"guard", "bare"} {
		parts[part] = start(b, part, dir, "share", room)
	}
	start(b, "craft", dir, "share", room)
	time.Sleep(5 * time.Second)
	used := func(part string) (sum time.Duration) {
		names, _ := filepath.Glob(fmt.Sprintf("/proc/%d/task/*/schedstat", parts[part].Process.Pid))
		for _, name := range names {
			text, _ := os.ReadFile(name) // a thread may have ended
			ns, _, _ := strings.Cut(string(text), " ")
			n, _ := strconv.ParseInt(ns, 10, 64)
			sum += time.Duration(n)
		}
		return sum
	}
	b.ResetTimer()
	guard, bare, began := used("guard"), used("bare"), time.Now()
	time.Sleep(time.Duration(b.N) * time.Second)
	guard, bare = used("guard")-guard, used("bare")-bare
	took := time.Since(began)
	b.StopTimer()
	b.ReportMetric(100*guard.Seconds()/took.Seconds(), "guard-%")
	b.ReportMetric(100*bare.Seconds()/took.Seconds(), "bare-%")
	b.ReportMetric(guard.Seconds()/bare.Seconds(), "ratio")
	pid := parts["guard"].Process.Pid
	files, err := os.ReadDir(fmt.Sprintf("/proc/%d/fd", pid))
	must(b, err)
	status, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	must(b, err)
	_, rss, _ := strings.Cut(string(status), "VmRSS:")
	kib, err := strconv.ParseFloat(strings.Fields(rss)[0], 64)
	must(b, err)
	b.ReportMetric(kib/1024, "resident-MiB")
	b.ReportMetric(float64(len(files)), "files")
	b.ReportMetric(0, "ns/op")
}

var latencyShares = []float64{0.5, 0.9, 0.99, 0.999}

func shares(sorted []float64) (out []float64) {
	for _, s := range latencyShares {
		out = append(out, sorted[min(len(sorted)-1, int(s*float64(len(sorted))))])
	}
	return out
}

func median(rounds [][]float64, k int) float64 {
	slices.SortFunc(rounds, func(a, b []float64) int { return cmp.Compare(a[k], b[k]) })
	return rounds[len(rounds)/2][k]
}

// took are the times of the samples in order of size, in µs, of those in which the
// canary was in time; left is how many were not, or had no answer.
func (r *latencyRoom) took(from, to, column int) (out []float64, left int) {
	var canaries []int64
	late := func(i int) int64 { return atomic.LoadInt64(r.at(i, column+2)) - *r.at(i, column) }
	for i := from; i < to; i++ {
		canaries = append(canaries, late(i))
	}
	slices.Sort(canaries)
	most := 4 * canaries[len(canaries)/2]
	for i := from; i < to; i++ {
		wrote := atomic.LoadInt64(r.at(i, column+1))
		if wrote == 0 || late(i) < 0 || late(i) > most {
			left++
			continue
		}
		out = append(out, float64(wrote-*r.at(i, column))/1e3)
	}
	slices.Sort(out)
	return out, left
}

func must(t testing.TB, errs ...error) {
	t.Helper()
	for _, err := range errs {
		if err != nil {
			t.Fatal(err)
		}
	}
}
