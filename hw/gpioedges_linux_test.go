package hw

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

const rise, fall = unix.GPIO_V2_LINE_EVENT_RISING_EDGE, unix.GPIO_V2_LINE_EVENT_FALLING_EDGE

// watchEdges opens a board that was opened when the kernel's clock said 100 s, and gives
// the anemometer's request and the board's clock.
func watchEdges(t *testing.T) (g *gpio, line *fakeRequest, now *time.Duration) {
	now = new(time.Duration)
	g, k := openFake(t, func(c *GPIOConfig, _ *fakeKernel) { c.Now = func() time.Duration { return *now } })
	line = g.edge.(*fakeRequest)
	if line.lines[0] != 21 || len(k.chips["gpiochip0"].held) != 6 {
		t.Fatalf("line %d of %d requests", line.lines[0], len(k.chips["gpiochip0"].held))
	}
	return g, line, now
}

func TestEdgesHaveTheKernelsTimesAndLosses(t *testing.T) {
	g, line, now := watchEdges(t)
	at := func(ms int) time.Duration { return 100*time.Second + time.Duration(ms)*time.Millisecond }
	*now = 300 * time.Millisecond
	line.give(event(at(10), rise, 1), event(at(20), fall, 2))
	got, err := g.Edges(nil)
	if err != nil || len(got) != 2 {
		t.Fatal(got, err)
	}
	line.give(event(at(30), rise, 6))
	line.give(event(at(25), fall, 7))    // the kernel's times never run back; a wild one must not either
	line.give(event(at(90000), rise, 8)) // nor lie ahead of now
	got, err = g.Edges(got)
	ms := time.Millisecond
	want := []Edge{{true, 10 * ms, 0}, {false, 20 * ms, 0}, {true, 30 * ms, 3}, {false, 30 * ms, 0}, {true, 300 * ms, 0}}
	if err != nil || !slices.Equal(got, want) {
		t.Errorf("got  %v, %v\nwant %v", got, err, want)
	}
	for range EdgeRoom { // as many as the kernel keeps come with one call
		line.give(event(at(100), rise, g.edges.seq+uint32(line.events.Len()/eventSize)+1))
	}
	if got, err = g.Edges(got[:0]); err != nil || len(got) != EdgeRoom || got[0].Lost != 0 {
		t.Errorf("%d edges, %v", len(got), err)
	}
	if n := testing.AllocsPerRun(100, func() { got, _ = g.Edges(got[:0]) }); n > 0 || len(got) != 0 {
		t.Errorf("looking for edges allocates %v times", n)
	}
}

// A buffer that ran over before anybody read drops the oldest: the first number
// read is not 1 then.
func TestEdgesLostBeforeTheFirstAreCounted(t *testing.T) {
	g, line, _ := watchEdges(t)
	line.give(event(100*time.Second, rise, 185))
	if got, err := g.Edges(nil); err != nil || len(got) != 1 || got[0].Lost != 184 {
		t.Errorf("got %v, %v", got, err)
	}
}

func TestTheWatchForEdgesEnds(t *testing.T) {
	for _, c := range []struct {
		name string
		do   func(*gpio, *fakeRequest)
		want error
		says string
	}{
		{"when the board is closed", func(g *gpio, _ *fakeRequest) { _ = g.Close() }, ErrClosed, "read edges: the board is closed; open it again"},
		{"when the chip is gone and nothing turns", func(g *gpio, l *fakeRequest) { l.c.gone.Store(true) }, unix.ENODEV, "read edges: no such device; the chip is gone"},
		{"when half an event comes", func(g *gpio, l *fakeRequest) { l.give(make([]byte, 10)) }, nil, "read edges: events have 48 bytes each (got 10 bytes)"},
		{"when what comes is no edge", func(g *gpio, l *fakeRequest) { l.give(event(0, 3, 1)) }, nil, "read edges: an event is a rise (1) or a fall (2), and the kernel gave 3"},
		{"when the numbers run back", func(g *gpio, l *fakeRequest) { l.give(event(0, rise, 9), event(0, fall, 9)) }, nil, "read edges: the edges' numbers run back from 9 to 9"},
		{"when neither an event nor an error comes", func(g *gpio, l *fakeRequest) { g.edge = noEvent{l} }, nil, "read edges: the kernel gave no event and no error"},
	} {
		t.Run(c.name, func(t *testing.T) {
			g, line, now := watchEdges(t)
			if got, err := g.Edges(nil); err != nil || len(got) != 0 {
				t.Fatal(got, err)
			}
			c.do(g, line)
			*now += lookForChip
			if _, err := g.Edges(nil); err == nil || c.want != nil && !errors.Is(err, c.want) || !strings.HasPrefix(err.Error(), c.says) {
				t.Errorf("got %v, want %s", err, c.says)
			}
		})
	}
}

type noEvent struct{ lineRequest }

func (noEvent) pending([]byte) (int, error) { return 0, nil }

func FuzzEvents(f *testing.F) {
	f.Add(event(100*time.Second, rise, 1), uint32(0), int64(5))
	f.Add(append(event(1, fall, 0xFFFFFFFF), event(2, rise, 0)...), uint32(0xFFFFFFFE), int64(5))
	f.Add([]byte("short"), uint32(7), int64(-1))
	f.Fuzz(func(t *testing.T, b []byte, seq uint32, now int64) {
		s := edges{since: 100 * time.Second, seq: seq}
		last, lost := time.Duration(0), uint64(0)
		got, err := s.take(nil, b, time.Duration(now))
		for n, e := range got {
			if e.At < last || e.Lost < 0 || n > 0 && e.At > max(last, time.Duration(now)) {
				t.Fatalf("edge %d: %+v after %v at %v", n, e, last, time.Duration(now))
			}
			last = e.At
			lost += uint64(e.Lost)
		}
		n := len(got)
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
