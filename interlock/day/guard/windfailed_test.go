package guard

import (
	"errors"
	"strings"
	"testing"
	"time"

	"downhaul/hw"
	"downhaul/interlock/day/intake"
	"downhaul/rules"
)

// cups is a board with edges of its own, whose anemometer line goes with its chip.
type cups struct {
	hw.Board
	edges []hw.Edge
	gone  bool
}

func (c *cups) Edges(dst []hw.Edge) ([]hw.Edge, error) {
	if c.gone {
		return dst, errors.New("the chip is gone")
	}
	dst, c.edges = append(dst, c.edges...), nil
	return dst, nil
}

// A calm is silent, and so is a line that nobody watches any more. In a light
// wind, where silence alone is a calm, the second must not read as the first.
func TestALineThatNobodyWatchesIsNoCalm(t *testing.T) {
	r := newRig(t)
	c := &cups{Board: r.board}
	r.loop.cfg.Wind, r.loop.cfg.Board = true, c
	wind := func() (v float64, q rules.Quality, why rules.Cause) {
		s := r.eng.Reading(rules.WindSpeed)
		return s.Value, s.Quality, s.Cause
	}
	for range 8 {
		r.run(time.Second)
		for _, rise := range []bool{true, false} {
			c.edges = append(c.edges, hw.Edge{At: r.now, Rise: rise})
		}
	}
	r.run(5 * time.Second)
	if v, q, why := wind(); q != rules.Good || v != 0 {
		t.Fatalf("cups that stand: %v, %v, %v, want a calm", v, q, why)
	}
	c.gone = true
	r.run(300 * ms)
	for range 20 {
		r.run(500 * ms)
		if v, q, why := wind(); q != rules.Missing || why != rules.SensorFailed {
			t.Fatalf("nobody watches the line: %v, %v, %v, want missing", v, q, why)
		}
	}
	said := 0
	for _, x := range r.chunks {
		if m, ok := intake.DecodeHost(x.Bytes); x.Source == intake.HostEvent && ok && m.Text == "anemometer: the chip is gone" {
			said++
		}
	}
	if said != 1 {
		t.Errorf("said %d times", said)
	}
}

// turning are cups that turn on while the loop turns: what it reads of them holds edges
// that are younger than its turn, as of a rotor in the wind.
type turning struct {
	hw.Board
	now  *time.Duration
	next time.Duration
	rise bool
}

func (c *turning) Edges(dst []hw.Edge) ([]hw.Edge, error) {
	for ; c.next <= *c.now+ms; c.next += 50 * ms {
		c.rise = !c.rise
		dst = append(dst, hw.Edge{At: c.next, Rise: c.rise})
	}
	return dst, nil
}

// An edge that comes while the loop turns is of the next sample: none counts as a damaged
// record, and no wind is doubtful for it.
func TestAnEdgeYoungerThanItsTurnIsOfTheNextSample(t *testing.T) {
	r := newRig(t)
	r.loop.cfg.Wind, r.loop.cfg.Board = true, &turning{Board: r.board, now: &r.now, next: ms / 2}
	r.run(2 * time.Second)
	r.forget()
	for range 20 {
		r.run(500 * ms)
		if s := r.eng.Reading(rules.WindSpeed); s.Quality != rules.Good {
			t.Errorf("at %v the wind is %v, %v", r.now, s.Quality, s.Cause)
		}
	}
	got := 0
	for _, x := range r.chunks {
		for b := x.Bytes; x.Source == intake.Wind && len(b) > 0; b = b[intake.WindEdgeSize:] {
			e, _ := intake.DecodeWindEdge(b)
			if got++; e.At > x.At {
				t.Fatalf("an edge of %v stands in the sample of %v", e.At, x.At)
			}
		}
	}
	if got != 200 {
		t.Errorf("%d edges in 10 s, want 200", got)
	}
}

// What turned while the loop stood still is of another time than the next sample: it is
// forgotten, and counted as lost.
func TestEdgesOfAStallAreForgotten(t *testing.T) {
	r := newRig(t)
	c := &cups{Board: r.board}
	r.loop.cfg.Wind, r.loop.cfg.Board = true, c
	r.run(time.Second)
	for i := range 9 {
		c.edges = append(c.edges, hw.Edge{At: r.now + time.Duration(i)*ms, Rise: i%2 == 0})
	}
	r.forget()
	r.now += 10 * time.Second
	r.run(300 * ms)
	for _, x := range r.chunks {
		if x.Source == intake.Wind {
			if len(x.Bytes) != 0 || x.Lost != 9 {
				t.Errorf("%d bytes of edges, %d lost, want none and 9", len(x.Bytes), x.Lost)
			}
			return
		}
	}
	t.Error("no sample of the wind")
}

// A pad that only watches may have no other line than the one that shows the
// anemometer's wire: it is read all the same.
func TestTheSupervisedWireIsReadWithoutAnyOtherLine(t *testing.T) {
	files := testFiles(t, shortDir(t), "tilt.toml")
	text := strings.Replace(string(files.Pad.Text), `duty       = "guard"`, `duty       = "watch"`, 1)
	text, _, _ = strings.Cut(text, "[absent]")
	files.Pad.Text = []byte(text + "[board.lines]\nrelay = \"virtual\"\nheartbeat = \"virtual\"\nanemometer = \"virtual\"\nwind_loop = \"virtual\"\n")
	g, at := stepped(t, files)
	for range 200 {
		*at += 5 * ms
		g.Turn(*at)
	}
	if g.loop.pinBytes == nil {
		t.Error("no line is read")
	}
	must(t, g.Finish(*at))
}
