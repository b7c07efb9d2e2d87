//go:build linux

package main

import (
	"context"
	"flag"
	"fmt"
	"io"
	"math"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"sync"
	"testing"
	"time"

	"downhaul/hw"

	"gonum.org/v1/gonum/stat"
)

var soakFor = flag.Duration("soak-for", 10*time.Second, "how long the guard, its page and its status run side by side; an hour shows whether memory stays")

// sensors are what a table needs besides its pad file to be fed wind and load.
const sensors = `
[wind]
slope           = "0.62 m"
offset          = "0.27 m/s"
pulses_per_turn = 2

[load_cell]
zero              = 84000
newtons_per_count = 0.0025
rate              = "80 Hz"
`

// watched is one process whose size is followed.
type watched struct {
	name string
	pid  int
	at   []float64 // hours
	anon []float64 // KiB of memory that no file backs
	open []int     // file descriptors
}

func (w *watched) look(t *testing.T, at time.Duration) {
	t.Helper()
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", w.pid))
	must(t, err)
	m := regexp.MustCompile(`RssAnon:\s*(\d+) kB`).FindSubmatch(text)
	if m == nil {
		t.Fatalf("%s: no RssAnon in its status: it ended", w.name)
	}
	kib, err := strconv.Atoi(string(m[1]))
	must(t, err)
	fds, err := os.ReadDir(fmt.Sprintf("/proc/%d/fd", w.pid))
	must(t, err)
	w.at, w.anon, w.open = append(w.at, at.Hours()), append(w.anon, float64(kib)), append(w.open, len(fds))
}

// flat judges what was seen after the first quarter, by when caches and the
// collector have found their size.
func (w *watched) flat(t *testing.T) {
	t.Helper()
	from := len(w.at) / 4
	at, anon := w.at[from:], w.anon[from:]
	_, slope := stat.LinearRegression(at, anon, nil, false)
	low, high, most := math.Inf(1), 0.0, 0
	for i, v := range anon {
		low, high, most = min(low, v), max(high, v), max(most, w.open[from+i])
	}
	early := 0
	for _, n := range w.open[:from+1] {
		early = max(early, n)
	}
	t.Logf("%-7s %5.1f to %5.1f MiB of its own, %+6.0f KiB an hour; at most %d open files", w.name, low/1024, high/1024, slope, most)
	if high > low+16*1024 {
		t.Errorf("%s: grew from %.0f to %.0f KiB", w.name, low, high)
	}
	// A short run tells a leak of a megabyte a second at best; an hour tells one
	// of a few hundred bytes a second.
	if *soakFor >= 30*time.Minute && slope > 1024 {
		t.Errorf("%s: %.0f KiB an hour", w.name, slope)
	}
	if most > early+8 {
		t.Errorf("%s: %d open files, %d at first", w.name, most, early)
	}
}

// A guard through run after run, each ended by a trip, with two pages that stay,
// others that come and go, one that never reads, a terminal that watches, and
// somebody who asks for the status every second: nothing grows.
func TestPageAndStatusAttachedGrowNothing(t *testing.T) {
	t.Parallel()
	b := newTable(t, "guard", "")
	f, err := os.OpenFile(b.pad(), os.O_APPEND|os.O_WRONLY, 0)
	must(t, err)
	_, err = io.WriteString(f, sensors)
	must(t, err, f.Close())
	tool := filepath.Join(b.dir, "downhaul")
	if out, err := exec.Command("go", "build", "-o", tool, "../downhaul").CombinedOutput(); err != nil {
		t.Fatalf("build: %v: %s", err, out)
	}
	p := b.start()
	folder := b.status().Folder
	b.fly()

	ctx, stop := context.WithCancel(t.Context())
	var work sync.WaitGroup
	defer work.Wait()
	defer stop()
	run := func(out io.Writer, args ...string) *exec.Cmd {
		cmd := exec.Command(tool, args...)
		cmd.Stdout = out
		must(t, cmd.Start())
		t.Cleanup(func() { _ = cmd.Process.Kill(); _ = cmd.Wait() })
		return cmd
	}
	address := filepath.Join(b.dir, "address")
	said, err := os.Create(address)
	must(t, err)
	page := run(said, "panel", "--pad", b.pad(), "--listen", "127.0.0.1:0")
	seen := &count{}
	terminal := run(seen, "status", "--pad", b.pad(), "--watch")
	var url string
	soon(t, "the page served", func() bool {
		text, _ := os.ReadFile(address)
		url = regexp.MustCompile(`http://\S+/`).FindString(string(text))
		return url != ""
	})
	frames := &count{}
	for range 2 { // pages that stay
		work.Go(func() { _ = stay(ctx, url, frames) })
	}
	silent := &http.Client{}
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, url+"events", nil)
	must(t, err)
	if answer, err := silent.Do(req); err == nil { // never read
		defer answer.Body.Close()
	}
	visits := &count{}
	work.Go(func() { // pages that come and go
		for ctx.Err() == nil {
			brief, end := context.WithTimeout(ctx, 300*time.Millisecond)
			_ = stay(brief, url, visits)
			end()
		}
	})

	board, err := hw.Dial(filepath.Join(b.dir, "board.sock"))
	must(t, err)
	defer board.Close()
	all := []*watched{{name: "guard", pid: p.cmd.Process.Pid}, {name: "page", pid: page.Process.Pid}, {name: "watch", pid: terminal.Process.Pid}}
	runs, asked := 0, 0
	began := time.Now()
	next := began
	for time.Since(began) < *soakFor || runs < 2 {
		must(t, board.Turn(5+4*math.Sin(time.Since(began).Seconds()/7)), board.Load(200+100*math.Sin(time.Since(began).Seconds()/3)))
		b.makeLive().Close()
		runs++
		for range 4 {
			time.Sleep(500 * time.Millisecond)
			if b.status().Folder == "" {
				t.Fatal("the guard does not answer")
			}
			asked++
			if time.Since(next) >= min(*soakFor/30, 10*time.Second) {
				next = time.Now()
				for _, w := range all {
					w.look(t, time.Since(began))
				}
			}
		}
		must(t, board.OpenContact("estop"))
		soon(t, "latched", func() bool { s := b.status().State; return s == "tripped" || s == "fault" })
		must(t, board.CloseContact("estop"))
	}
	s := b.status()
	t.Logf("%v: %d runs, %d trips, %d frames of telemetry, status asked %d times, pages read %d bytes, brief ones %d, terminal %d bytes",
		time.Since(began).Round(time.Second), runs, s.Trips, s.Link.Frames, asked, frames.sum(), visits.sum(), seen.sum())
	if frames.sum() == 0 || visits.sum() == 0 || seen.sum() == 0 {
		t.Error("nobody read anything: nothing was tried")
	}
	var size int64
	files, _ := filepath.Glob(filepath.Join(folder, "*"))
	for _, name := range files {
		if info, err := os.Stat(name); err == nil {
			size += info.Size()
		}
	}
	t.Logf("the session: %.1f MB", float64(size)/1e6)
	for _, w := range all {
		w.flat(t)
	}
	stop()
	p.end()
}

// stay reads a page's events until it may no more.
func stay(ctx context.Context, url string, into io.Writer) error {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, url+"events", nil)
	if err != nil {
		return err
	}
	answer, err := (&http.Client{Transport: &http.Transport{DisableKeepAlives: true}}).Do(req)
	if err != nil {
		return err
	}
	defer answer.Body.Close()
	_, err = io.Copy(into, answer.Body)
	return err
}

// count counts bytes.
type count struct {
	mu sync.Mutex
	n  int64
}

func (c *count) Write(p []byte) (int, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.n += int64(len(p))
	return len(p), nil
}

func (c *count) sum() int64 {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.n
}
