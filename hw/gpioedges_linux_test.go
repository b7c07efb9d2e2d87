package hw

import (
	"context"
	"errors"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"golang.org/x/sys/unix"
)

const rise, fall = unix.GPIO_V2_LINE_EVENT_RISING_EDGE, unix.GPIO_V2_LINE_EVENT_FALLING_EDGE

// watchEdges runs Edges in a bubble where time only passes by sleeping. It
// gives the anemometer's request, and stop, which ends the context and gives
// what Edges gave.
func watchEdges(t *testing.T) (g *gpio, line *fakeRequest, got *[]Edge, stop func() error) {
	opened := time.Now()
	g, k := openFake(t, func(c *GPIOConfig, _ *fakeKernel) { c.Now = func() time.Duration { return time.Since(opened) } })
	line = g.edge.(*fakeRequest)
	if line.lines[0] != 21 || len(k.chips["gpiochip0"].held) != 6 {
		t.Fatalf("line %d of %d requests", line.lines[0], len(k.chips["gpiochip0"].held))
	}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	got = new([]Edge)
	go func() { ended <- g.Edges(ctx, func(e Edge) { *got = append(*got, e) }) }()
	return g, line, got, func() error { cancel(); return <-ended }
}

func TestEdgesHaveTheKernelsTimesAndLosses(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		_, line, got, stop := watchEdges(t)
		time.Sleep(300 * time.Millisecond)
		// The board was opened when the kernel's clock said 100 s.
		at := func(ms int) time.Duration { return 100*time.Second + time.Duration(ms)*time.Millisecond }
		line.give(event(at(10), rise, 1), event(at(20), fall, 2))
		synctest.Wait()
		line.give(event(at(30), rise, 6))
		line.give(event(at(25), fall, 7))    // the kernel's times never run back; a wild one must not either
		line.give(event(at(90000), rise, 8)) // nor lie ahead of now
		synctest.Wait()
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		ms := time.Millisecond
		want := []Edge{{5, true, 10 * ms, 0}, {5, false, 20 * ms, 0}, {5, true, 30 * ms, 3}, {5, false, 30 * ms, 0}, {5, true, 300 * ms, 0}}
		if !slices.Equal(*got, want) {
			t.Errorf("got  %v\nwant %v", *got, want)
		}
	})
}

// A buffer that ran over before anybody read drops the oldest: the first number
// read is not 1 then.
func TestEdgesLostBeforeTheFirstAreCounted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		_, line, got, stop := watchEdges(t)
		line.give(event(100*time.Second, rise, 185))
		synctest.Wait()
		if err := stop(); err != nil || len(*got) != 1 || (*got)[0].Lost != 184 {
			t.Errorf("got %v, %v", *got, err)
		}
	})
}

func TestWaitingForEdgesEnds(t *testing.T) {
	for _, c := range []struct {
		name string
		do   func(*gpio, *fakeRequest)
		want error
		says string
	}{
		{"when the board is closed", func(g *gpio, _ *fakeRequest) { _ = g.Close() }, ErrClosed, "wait for edges: the board is closed; open it again"},
		{"when the chip is gone and nothing turns", func(g *gpio, l *fakeRequest) { l.c.gone.Store(true) }, unix.ENODEV, "wait for edges: no such device; the chip is gone"},
		{"when half an event comes", func(g *gpio, l *fakeRequest) { l.give(make([]byte, 10)) }, nil, "wait for edges: events have 48 bytes each (got 10 bytes)"},
		{"when what comes is no edge", func(g *gpio, l *fakeRequest) { l.give(event(0, 3, 1)) }, nil, "wait for edges: an event is a rise (1) or a fall (2), and the kernel gave 3"},
		{"when the numbers run back", func(g *gpio, l *fakeRequest) { l.give(event(0, rise, 9), event(0, fall, 9)) }, nil, "wait for edges: the edges' numbers run back from 9 to 9"},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				opened := time.Now()
				g, _ := openFake(t, func(c *GPIOConfig, _ *fakeKernel) { c.Now = func() time.Duration { return time.Since(opened) } })
				ended := make(chan error, 1)
				go func() { ended <- g.Edges(t.Context(), func(Edge) {}) }()
				synctest.Wait()
				c.do(g, g.edge.(*fakeRequest))
				time.Sleep(2 * lookForChip)
				select {
				case err := <-ended:
					if err == nil || c.want != nil && !errors.Is(err, c.want) || !strings.HasPrefix(err.Error(), c.says) {
						t.Errorf("got %v, want %s", err, c.says)
					}
				default:
					t.Error("it still waits")
					_ = g.Close()
				}
			})
		})
	}
}

// A context that is done before, while or just after the wait begins ends it.
func TestAnEndOfWaitingIsNeverForgotten(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g, _ := openFake(t, nil)
		for i := range 200 {
			ctx, cancel := context.WithCancel(t.Context())
			var ended atomic.Bool
			go func() {
				if err := g.Edges(ctx, func(Edge) {}); err != nil {
					t.Error(err)
				}
				ended.Store(true)
			}()
			if i%2 == 0 {
				synctest.Wait() // it waits by now
			}
			go cancel()
			synctest.Wait()
			if !ended.Load() {
				t.Fatal("it still waits after its context ended")
			}
		}
	})
}

func FuzzEvents(f *testing.F) {
	f.Add(event(100*time.Second, rise, 1), uint32(0), int64(5))
	f.Add(append(event(1, fall, 0xFFFFFFFF), event(2, rise, 0)...), uint32(0xFFFFFFFE), int64(5))
	f.Add([]byte("short"), uint32(7), int64(-1))
	f.Fuzz(func(t *testing.T, b []byte, seq uint32, now int64) {
		s := edges{line: 3, since: 100 * time.Second, seq: seq}
		last, n, lost := time.Duration(0), 0, uint64(0)
		err := s.take(b, time.Duration(now), func(e Edge) {
			if e.Line != 3 || e.At < last || e.Lost < 0 || n > 0 && e.At > max(last, time.Duration(now)) {
				t.Fatalf("edge %d: %+v after %v at %v", n, e, last, time.Duration(now))
			}
			last = e.At
			lost += uint64(e.Lost)
			n++
		})
		if n > len(b)/eventSize {
			t.Fatalf("%d edges out of %d bytes", n, len(b))
		}
		if err == nil && (len(b)%eventSize != 0 || n != len(b)/eventSize) {
			t.Fatalf("%d bytes were taken as %d edges without a word", len(b), n)
		}
		if got := seq + uint32(n) + uint32(lost); got != s.seq {
			t.Fatalf("%d edges and %d lost lead from %d to %d, not %d", n, lost, seq, got, s.seq)
		}
	})
}
