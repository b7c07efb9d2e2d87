package guard

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"downhaul/hw"
	"downhaul/interlock/day/intake"
	"downhaul/rules"
)

// goneBoard is a board whose anemometer line goes with its chip.
type goneBoard struct{ hw.Board }

func (goneBoard) Edges(context.Context, func(hw.Edge)) error {
	return errors.New("the chip is gone")
}

// A calm is silent, and so is a line that nobody watches any more. In a light
// wind, where silence alone is a calm, the second must not read as the first.
func TestALineThatNobodyWatchesIsNoCalm(t *testing.T) {
	r := newRig(t)
	r.loop.cfg.Wind = true
	wind := func() (v float64, q rules.Quality, why rules.Cause) {
		s := r.eng.Reading(rules.WindSpeed)
		return s.Value, s.Quality, s.Cause
	}
	for range 8 {
		r.run(time.Second)
		r.loop.WindEdge(intake.WindEdge{At: r.now, Rise: true})
		r.loop.WindEdge(intake.WindEdge{At: r.now, Rise: false})
	}
	r.run(5 * time.Second)
	if v, q, why := wind(); q != rules.Good || v != 0 {
		t.Fatalf("cups that stand: %v, %v, %v, want a calm", v, q, why)
	}
	g := &Guard{loop: r.loop, board: goneBoard{r.board}}
	g.readEdges(context.Background())
	for range 20 {
		r.run(500 * ms)
		if v, q, why := wind(); q != rules.Missing || why != rules.SensorFailed {
			t.Fatalf("nobody watches the line: %v, %v, %v, want missing", v, q, why)
		}
	}
	// At the end of a session the reader ends as well, and that is no failure.
	r = newRig(t)
	r.loop.cfg.Wind = true
	ended, end := context.WithCancel(context.Background())
	end()
	g = &Guard{loop: r.loop, board: goneBoard{r.board}}
	g.readEdges(ended)
	if r.loop.windDead.Load() {
		t.Error("the end of the session counts as a failure")
	}
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
