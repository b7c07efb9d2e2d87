//go:build linux

package daemon

import (
	"context"
	"encoding/json"
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
	"strings"
	"sync"
	"testing"
	"time"

	"downhaul/hw/virtual"
	"downhaul/interlock/model/craftmodel"
	"downhaul/interlock/records/triplog"

	"github.com/chromedp/chromedp"
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

// quick are periods of messages, by their MAVLink ids, that make 250 frames a
// second: attitude, positions, outputs, and what the motor controllers tell.
var quick = map[uint32]time.Duration{30: 10 * time.Millisecond, 32: 20 * time.Millisecond, 33: 50 * time.Millisecond,
	36: 20 * time.Millisecond, 291: 50 * time.Millisecond}

// watched is one process whose size is followed.
type watched struct {
	name string
	pid  int
	at   []float64 // hours
	anon []float64 // KiB of memory that no file backs
	all  []float64 // KiB resident
	open []int     // file descriptors
}

func (w *watched) look(t *testing.T, at time.Duration) {
	t.Helper()
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", w.pid))
	must(t, err)
	kib := func(name string) float64 {
		m := regexp.MustCompile(name + `:\s*(\d+) kB`).FindSubmatch(text)
		if m == nil {
			t.Fatalf("%s: no %s in its status: it ended", w.name, name)
		}
		n, err := strconv.Atoi(string(m[1]))
		must(t, err)
		return float64(n)
	}
	fds, err := os.ReadDir(fmt.Sprintf("/proc/%d/fd", w.pid))
	must(t, err)
	w.at, w.open = append(w.at, at.Hours()), append(w.open, len(fds))
	w.anon, w.all = append(w.anon, kib("RssAnon")), append(w.all, kib("VmRSS"))
}

// flat judges what was seen in the last half: by then caches and the collector have
// found their size.
func (w *watched) flat(t *testing.T) {
	t.Helper()
	from := len(w.at) / 2
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
	resident := 0.0
	for _, v := range w.all[from:] {
		resident = max(resident, v)
	}
	t.Logf("%-7s %5.1f to %5.1f MiB of its own, %+6.0f KiB an hour; %.1f MiB resident at most; at most %d open files",
		w.name, low/1024, high/1024, slope, resident/1024, most)
	if high > low+16*1024 {
		t.Errorf("%s: grew from %.0f to %.0f KiB", w.name, low, high)
	}
	// A short run tells a leak of a megabyte a second at best; an hour tells one of some
	// hundred bytes a second: by its slope, memory may grow 0.3 MiB in the half of it.
	if over := at[len(at)-1] - at[0]; *soakFor >= 30*time.Minute && slope*over > 0.3*1024 {
		t.Errorf("%s: %.0f KiB more in the last %.2f h", w.name, slope*over, over)
	}
	if most > early+8 {
		t.Errorf("%s: %d open files, %d at first", w.name, most, early)
	}
}

// endings are how runs end: by the stop, by the gate, and in peace.
var endings = []struct {
	name string
	end  func(board *virtual.Client) error
	back func(board *virtual.Client) error
}{
	{"stop", func(b *virtual.Client) error { return b.OpenContact("estop") }, func(b *virtual.Client) error { return b.CloseContact("estop") }},
	{"gate", func(b *virtual.Client) error { return b.OpenContact("gate") }, func(b *virtual.Client) error { return b.CloseContact("gate") }},
	{"end", func(b *virtual.Client) error { return b.Press("end") }, func(b *virtual.Client) error { return b.Release("end") }},
}

// A guard through run after run, each ended by a trip or in peace, with two pages
// that stay, others that come and go, one that never reads, a terminal that
// watches, and somebody who asks for the status every second: nothing grows. A
// run of a minute or more has a browser on the page as well, where there is one.
func TestPageAndStatusAttachedGrowNothing(t *testing.T) {
	if testing.Short() {
		t.Skip("flies real processes for ten seconds and more; left out by -short")
	}
	t.Parallel()
	b := newTable(t, "guard", "")
	f, err := os.OpenFile(b.pad(), os.O_APPEND|os.O_WRONLY, 0)
	must(t, err)
	_, err = io.WriteString(f, sensors)
	must(t, err, f.Close())
	tool := filepath.Join(b.dir, "downhaul")
	if out, err := exec.Command("go", "build", "-o", tool, "../../../cmd/downhaul").CombinedOutput(); err != nil {
		t.Fatalf("build: %v: %s", err, out)
	}
	p := b.start()
	folder := b.status().Folder
	conn, err := craftmodel.Dial(b.port)
	must(t, err)
	b.flyAt(conn, quick)

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

	var look func() string
	if *soakFor >= time.Minute {
		look = browse(t, url)
	}
	asked := &count{}
	work.Go(func() { // somebody asks every second
		for tick := time.NewTicker(time.Second); ctx.Err() == nil; {
			cmd := exec.CommandContext(ctx, tool, "status", "--pad", b.pad(), "--json")
			cmd.Stdout = asked
			_ = cmd.Run() // said by what was read
			<-tick.C
		}
	})
	size := func() (sum int64) {
		files, _ := filepath.Glob(filepath.Join(folder, "*"))
		for _, name := range files {
			if info, err := os.Stat(name); err == nil {
				sum += info.Size()
			}
		}
		return sum
	}

	board, err := virtual.Dial(filepath.Join(b.dir, "board.sock"))
	must(t, err)
	defer board.Close()
	all := []*watched{{name: "guard", pid: p.cmd.Process.Pid}, {name: "page", pid: page.Process.Pid}, {name: "watch", pid: terminal.Process.Pid}}
	runs := 0
	began := time.Now()
	next := began
	for time.Since(began) < *soakFor || runs < len(endings) {
		must(t, board.Turn(5+4*math.Sin(time.Since(began).Seconds()/7)), board.Load(200+100*math.Sin(time.Since(began).Seconds()/3)))
		b.liveBy(board)
		for range 4 {
			time.Sleep(500 * time.Millisecond)
			if time.Since(next) >= min(*soakFor/30, 10*time.Second) {
				next = time.Now()
				for _, w := range all {
					w.look(t, time.Since(began))
				}
			}
		}
		how := endings[runs%len(endings)]
		runs++
		must(t, how.end(board))
		soon(t, "ended by the "+how.name, func() bool { s := b.status().State; return s != "" && s != "live" && s != "closing" })
		time.Sleep(300 * time.Millisecond) // a button is held for a while
		must(t, how.back(board))
		if look != nil && runs%30 == 0 {
			t.Logf("%v: %d runs, the browser: %s", time.Since(began).Round(time.Second), runs, look())
		}
	}
	s, disk := b.status(), size()
	t.Logf("%v: %d runs, %d trips, %d frames of telemetry, status asked for %d bytes, pages read %d bytes, brief ones %d, terminal %d bytes",
		time.Since(began).Round(time.Second), runs, s.Trips, s.Link.Frames, asked.sum(), frames.sum(), visits.sum(), seen.sum())
	if frames.sum() == 0 || visits.sum() == 0 || seen.sum() == 0 || asked.sum() == 0 {
		t.Error("nobody read anything: nothing was tried")
	}
	each := float64(disk) / float64(s.Link.Frames)
	t.Logf("the session: %.1f MB, %.0f bytes for each frame heard", float64(disk)/1e6, each)
	// A frame is 30 to 80 bytes in a block of its own (pcapng, 32 bytes and
	// its options); pins and load cell come beside it.
	if each > 600 {
		t.Errorf("the records grow by %.0f bytes for each frame", each)
	}
	trips := b.trips(folder)
	t.Logf("first causes: %v; later ones: %v", trips[true], trips[false])
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

// browse opens the page in a browser and returns what tells its size: elements
// of the page and bytes that its script holds.
func browse(t *testing.T, url string) (look func() string) {
	t.Helper()
	path, err := exec.LookPath("chromium")
	if err != nil {
		t.Log("no chromium on this computer: no browser looks on")
		return nil
	}
	all, stopAll := chromedp.NewExecAllocator(context.Background(), append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path),
		chromedp.NoSandbox, chromedp.DisableGPU, chromedp.Flag("disable-dev-shm-usage", true), chromedp.WSURLReadTimeout(time.Minute),
		chromedp.Flag("js-flags", "--expose-gc"), chromedp.Flag("enable-precise-memory-info", true))...)
	t.Cleanup(stopAll)
	ctx, stop := chromedp.NewContext(all)
	t.Cleanup(stop)
	must(t, chromedp.Do(ctx, chromedp.EmulateViewport(390, 844), chromedp.Navigate(url)))
	return func() string {
		says, err := chromedp.Run(ctx, chromedp.Evaluate[string](`(gc(), document.getElementById("means").textContent + ", " + document.querySelectorAll("*").length + " elements, " + (performance.memory.usedJSHeapSize / 1024).toFixed(0) + " KiB of script")`))
		if err != nil {
			return err.Error()
		}
		return says
	}
}

// trips counts the trips of a session by what brought them, first causes apart
// from what followed while the latch was tripped already.
func (b *table) trips(folder string) map[bool]map[string]int {
	b.t.Helper()
	all := map[bool]map[string]int{true: {}, false: {}}
	for _, line := range b.lines(folder) {
		if line.Kind != triplog.KindDecision {
			continue
		}
		var d struct {
			Kind, Reason, Rule string
			First              bool `json:"first_out"`
		}
		must(b.t, json.Unmarshal(line.Decision, &d))
		if d.Kind == "trip" {
			all[d.First][strings.TrimSpace(d.Reason+" "+d.Rule)]++
		}
	}
	return all
}
