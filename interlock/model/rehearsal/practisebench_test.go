package rehearsal

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"regexp"
	"runtime"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"downhaul/hw/virtual"
	"downhaul/interlock/day/answers/told"
	"downhaul/interlock/day/guard"
	"downhaul/interlock/model/benchboard"
	"downhaul/interlock/records/ledger"
	"downhaul/interlock/records/prooftest"
	"downhaul/interlock/records/rehearsed"
	"downhaul/interlock/records/stopping"
)

// bench is a rehearsal on a real board, which a virtual one stands for here: it has every
// line, and a contactor that can be welded.
type bench struct {
	t     *testing.T
	logs  string
	files guard.Files
	set   *Setup
	real  *virtual.Board
	pins  *Pins
	on    *rehearsed.Rehearsal
	heard net.Conn // where the real craft would send
	stop  context.CancelFunc
	done  chan struct{}
	state atomic.Value // of the latch, a string
	lines []string     // of the timeline; read behind done
	r     *Result

	faults, openings int
	err              error
}

var (
	loadCell = regexp.MustCompile(`(?s)\[load_cell\]\n.*?(\[board\])`)
	pull     = regexp.MustCompile(`(?s)\[\[rule\]\]\nname = "pull"\n.*$`)
)

// practise begins a rehearsal of a scenario in a new log folder, whose path is short: a
// socket stands below it.
func practise(t *testing.T, scenario string) *bench {
	t.Helper()
	logs, err := os.MkdirTemp("", "dh")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(logs) })
	switch {
	case runtime.GOOS != "linux":
		t.Skip("a guard runs on linux")
	case testing.Short():
		t.Skip("takes a crew's time to come to live; left out by -short")
	}
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	real, err := FreePort()
	must(err)
	b := &bench{t: t, logs: logs, files: usual.files(), done: make(chan struct{})}
	// Times for a busy computer: a real pad keeps its own.
	text := strings.ReplaceAll(string(b.files.Pad.Text), "kind = \"serial\"\ndevice = \"/dev/serial/by-id/radio\"\nbaud = 57600\n", "kind = \"udp\"\naddress = \""+real.String()+"\"\n")
	text = loadCell.ReplaceAllString(text, "$1")
	b.files.Pad.Text = []byte("log_folder = \"" + logs + "\"\n" + strings.ReplaceAll(text, "kind = \"gpio\"\n", "kind = \"gpio\"\nstale_after = \"100 ms\"\n") + "[watchdog]\nlongest_gap = \"100 ms\"\n")
	// And no load cell, whose age of 50 ms a busy computer cannot keep.
	b.files.Envelope.Text = pull.ReplaceAll(b.files.Envelope.Text, nil)
	b.files.Envelope.Text = []byte(strings.ReplaceAll(string(b.files.Envelope.Text), "stop = \"immediate\"", "stale_after = \"2 s\"\nstop = \"immediate\""))
	b.set, err = Prepare(b.files, "", logs, true)
	must(err)
	began := time.Now()
	now := func() time.Duration { return time.Since(began) }
	checked, faults := b.files.Check()
	must(faults.Err())
	p := checked.Pad
	b.real, err = virtual.Open(benchboard.Config(p, now))
	must(err)
	b.pins, err = NewPins(p, b.real, now)
	must(err)
	ctx, stop := context.WithCancel(t.Context())
	b.stop = stop
	quit, err := Overhear(ctx, p, b.pins.Cut)
	must(err)
	t.Cleanup(quit)
	b.heard, err = net.Dial("udp", real.String())
	must(err)
	t.Cleanup(func() { b.heard.Close() })
	book, err := ledger.Read(logs, "test")
	must(err)
	must(rehearsed.Settle(logs, book, time.Now()))
	b.on, err = rehearsed.Begin(logs, book, time.Now(), "test", "AB", stopping.What(p, b.set.Craft.Config.Name))
	must(err)
	link, err := FreePort()
	must(err)
	own, err := b.set.OnPins(b.on.Dir, link, b.pins)
	must(err)
	what, err := own.Read("own", scenario)
	if scenario == Calm {
		what, err = own.Shipped(scenario)
	}
	must(err)
	b.state.Store("")
	go func() {
		defer close(b.done)
		b.r, b.faults, b.openings, b.err = own.Practise(ctx, b.on, scenario, what, func(l Line) {
			b.lines = append(b.lines, fmt.Sprintf("%.2f s %s: %s", l.At.Seconds(), l.Who, l.Says))
			if state, _, ok := strings.Cut(l.Says, ":"); ok && l.Who == "guard" && state == strings.ToUpper(state) {
				b.state.Store(state)
			}
		})
	}()
	return b
}

func (b *bench) do(acts ...error) {
	b.t.Helper()
	if err := errors.Join(acts...); err != nil {
		b.t.Fatal(err)
	}
}

func (b *bench) until(what string, ok func() bool) {
	b.t.Helper()
	for end := time.Now().Add(2 * time.Minute); !ok(); time.Sleep(5 * time.Millisecond) {
		select {
		case <-b.done:
			b.t.Fatalf("it ended before: %s: %v", what, b.err)
		default:
		}
		if time.Now().After(end) {
			b.stop()
			<-b.done
			b.t.Fatalf("never %s; the guard is %v:\n%s", what, b.state.Load(), strings.Join(b.lines, "\n"))
		}
	}
}

func (b *bench) in(state string) {
	b.t.Helper()
	b.until(state, func() bool { return b.state.Load() == state })
}

func (b *bench) tap(name string) {
	b.t.Helper()
	b.do(b.real.Press(name))
	time.Sleep(300 * time.Millisecond)
	b.do(b.real.Release(name))
}

// live works the real buttons until power is on. A busy computer trips a guard of a real
// board; then a crew does it again.
func (b *bench) live() {
	b.t.Helper()
	b.do(b.real.Press("hold"))
	time.Sleep(2 * time.Second)
	again := time.Time{}
	b.until("live", func() bool {
		switch s := b.state.Load(); {
		case s == "LIVE" && b.real.PowerOn():
			return true
		case time.Now().Before(again):
		case s == "READY":
			b.tap("start")
			again = time.Now().Add(5 * time.Second)
		case s != "CLOSING":
			b.tap("reset")
			again = time.Now().Add(2 * time.Second)
		}
		return false
	})
}

func (b *bench) end() {
	b.t.Helper()
	b.stop()
	<-b.done
}

// items lists what the ledger of the pad has, and what of it holds a start back.
func (b *bench) items() (items []ledger.Item, holds string) {
	b.t.Helper()
	book, err := ledger.Read(b.logs, "test")
	b.do(err)
	items, _ = book.Items(time.Now(), func(prooftest.Test, int) bool { return false })
	return items, strings.Join(ledger.Holding(items), "\n")
}

// liveStart returns what the next guard of this pad has to say before a start.
func (b *bench) liveStart() string {
	b.t.Helper()
	set, err := Prepare(b.files, "", b.logs, true)
	b.do(err)
	now := time.Duration(0)
	g, err := guard.Open(set.Files, guard.Options{Virtual: benchboard.Open, Software: "test", Room: 1, Stepped: true, Now: func() time.Duration { return now }})
	b.do(err)
	for ; now < 200*time.Millisecond; now += 5 * time.Millisecond {
		g.Turn(now)
	}
	s := (&told.Setup{Pad: set.Checked.Pad, Envelope: set.Checked.Envelope}).Status(g.Seen())
	b.do(g.Finish(now))
	return strings.Join(s.NotReady, "\n")
}

// stops returns of which stops there are openings on record, and how many of the contactor.
func (b *bench) stops() (of []stopping.Of, n int) {
	b.t.Helper()
	tally, trouble := stopping.Tally{}.ReadOn(b.logs)
	b.do(trouble...)
	for _, s := range tally.Stops {
		of = append(of, s.Of)
	}
	return of, tally.Prove(stopping.Of{Motors: 8, Reach: "wired pair"}).Worn.Openings
}
