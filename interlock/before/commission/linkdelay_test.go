package commission

import (
	"context"
	"math"
	"strconv"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"downhaul/hw/virtual"
	"downhaul/interlock"
	"downhaul/interlock/model/benchboard"
	"downhaul/interlock/records/prooftest"
	"downhaul/rules"
)

// A craft that is jerked by hand, its attitude told every 100 ms and heard late by the
// link's delay, and a film that shows craft and lamp: what is written down is never less
// than the true delay, and no more than it with the film's frames, the time between two
// attitudes and that of the jerk until it counts. The film is reckoned from the lamp's
// own trace, with no part of what is tested.
func TestLinkDelayByFilm(t *testing.T) {
	for _, c := range []struct {
		name          string
		delay         time.Duration
		stated, found string
		fps           float64
		turns         float64 // deg/s of the jerk
	}{
		{"quick link, slow film", 20 * time.Millisecond, "", "", 30, 90},
		{"slow link, quick film", 400 * time.Millisecond, `delay = "150 ms"`, "and the pad file counts 150 ms", 240, 120},
		{"stated with room", 250 * time.Millisecond, `delay = "600 ms"`, "", 60, 60},
		{"too slow for its craft", 1700 * time.Millisecond, `delay = "1 s"`, "and the pad file counts 1 s", 60, 90},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				p := testPad(t, t.TempDir(), `address = "127.0.0.1:40123"`, "address = \"127.0.0.1:40123\"\n"+c.stated)
				began := time.Now()
				now := func() time.Duration { return time.Since(began) }
				board, err := virtual.Open(benchboard.Config(p, now))
				if err != nil {
					t.Fatal(err)
				}
				defer board.Close()
				ctx, stop := context.WithCancel(t.Context())
				defer func() { stop(); time.Sleep(3 * time.Second) }()
				told, jerks := &leaning{}, []time.Duration{}
				var mu sync.Mutex                        // over jerks
				roll := func(at time.Duration) float64 { // it leans for a second after each jerk
					mu.Lock()
					defer mu.Unlock()
					for _, from := range jerks {
						if s := (at - from).Seconds(); s > 0 && s < 1 {
							return min(c.turns*s, 20) * math.Pi / 180
						}
					}
					return 0.01 * math.Sin(at.Seconds())
				}
				go func() {
					for ctx.Err() == nil {
						value := roll(now())
						time.AfterFunc(c.delay, func() {
							told.take(now(), interlock.Sample{Channel: rules.Roll, Quality: rules.Good, Value: value})
							told.take(now(), interlock.Sample{Channel: rules.Pitch, Quality: rules.Good})
						})
						time.Sleep(100 * time.Millisecond)
					}
				}()
				// The film: its frames are at whole numbers over the rate, a jerk shows in the
				// first after it began, the lamp in the first after it was lit.
				frames := func() string {
					lit, most := []time.Duration{}, 0
					mu.Lock()
					defer mu.Unlock()
					edges, _ := board.Trace()
					for _, e := range edges {
						if e.Line == "lamp" && e.On {
							lit = append(lit, e.At)
						}
					}
					if len(lit) != len(jerks) || len(lit) != 3 {
						t.Errorf("lit at %v, jerked at %v", lit, jerks)
						return "1"
					}
					frame := func(at time.Duration) int { return int(math.Ceil(at.Seconds() * c.fps)) }
					for i := range lit {
						most = max(most, frame(lit[i])-frame(jerks[i]))
					}
					return strconv.Itoa(most)
				}
				h := &hands{t: t, board: board, met: map[string]bool{}, script: append([]cue{
					{phrase: "Jerk", act: func(*virtual.Board) error {
						mu.Lock()
						defer mu.Unlock()
						jerks = append(jerks, now())
						return nil
					}},
					{phrase: "How many pictures a second", answer: strconv.FormatFloat(c.fps, 'f', -1, 64)},
				}, goodCrew()...)}
				b := &bench{ctx: ctx, cfg: Config{Pad: p, Board: board, Crew: &filmed{h, frames}, Now: now}, crew: &filmed{h, frames}, within: true, patience: 10 * time.Second,
					rig: &rig{pad: p, board: board, lines: p.Intake().Lines, now: now, sleep: time.Sleep}}
				var got trial
				if err := b.filmLink(&got, 0, told); err != nil {
					t.Fatal(err)
				}
				rise := time.Duration(float64(leanCounts) / (c.turns * math.Pi / 180) * 1e9)
				most := c.delay + 100*time.Millisecond + rise + time.Duration(2e9/c.fps) + 5*time.Millisecond
				between(t, &got.Result, "link 1, at most so late", c.delay.Seconds(), most.Seconds())
				between(t, &got.Result, "link 1, attitude told every", 0.099, 0.101)
				if c.found == "" && len(got.Found) > 0 && c.stated != "" || c.found != "" && (len(got.Found) != 1 || !strings.Contains(got.Found[0], c.found)) {
					t.Errorf("found %q, want %q", got.Found, c.found)
				}
				if c.stated == "" && (len(got.Found) != 1 || !strings.Contains(got.Found[0], "states none")) {
					t.Errorf("a link without a delay: %q", got.Found)
				}
			})
		})
	}
}

// filmed answers how many pictures lie between craft and lamp when it is asked.
type filmed struct {
	*hands
	frames func() string
}

func (f *filmed) Ask(ctx context.Context, question, answers string) (string, error) {
	if strings.Contains(question, "How many pictures from") {
		return f.frames(), nil
	}
	return f.hands.Ask(ctx, question, answers)
}

// Without an attitude nothing is measured, and a craft that is not held still first
// would light the lamp by itself.
func TestLinkDelayWantsACraftThatStandsStill(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := testPad(t, t.TempDir())
		began := time.Now()
		now := func() time.Duration { return time.Since(began) }
		board, err := virtual.Open(benchboard.Config(p, now))
		if err != nil {
			t.Fatal(err)
		}
		defer board.Close()
		told := &leaning{}
		h := &hands{t: t, board: board, met: map[string]bool{}, script: append([]cue{{phrase: "Try once more", answer: "no"}}, goodCrew()...)}
		b := &bench{ctx: t.Context(), cfg: Config{Pad: p, Board: board, Crew: h, Now: now}, crew: h, within: true, patience: 2 * time.Second,
			rig: &rig{pad: p, board: board, lines: p.Intake().Lines, now: now, sleep: time.Sleep}}
		var got trial
		if err := b.filmLink(&got, 0, told); err != nil || len(got.Found) != 1 || !strings.Contains(got.Found[0], "attitude is not heard") {
			t.Errorf("silent: %v, %q", err, got.Found)
		}
		ctx, stop := context.WithCancel(t.Context())
		defer func() { stop(); time.Sleep(time.Second) }()
		go func() { // it sways by 6 degrees all the time
			for ctx.Err() == nil {
				told.take(now(), interlock.Sample{Channel: rules.Roll, Quality: rules.Good, Value: 0.1 * math.Sin(9*now().Seconds())})
				told.take(now(), interlock.Sample{Channel: rules.Pitch, Quality: rules.Good})
				time.Sleep(50 * time.Millisecond)
			}
		}()
		got = trial{}
		if err := b.filmLink(&got, 0, told); err != nil || len(got.Found) != 1 || !strings.Contains(got.Found[0], "did not come to rest") {
			t.Errorf("swaying: %v, %q", err, got.Found)
		}
		if s, err := board.Show(); err != nil || s.Outputs[2].On {
			t.Error("the lamp is lit")
		}
	})
}

// It is offered where a pad states no delay, done when it is asked for, and never due:
// a pad that was commissioned before it was there goes on.
func TestLinkDelayIsOfferedAndNeverDue(t *testing.T) {
	p := testPad(t, t.TempDir())
	for _, test := range prooftest.Fitting(p) {
		if test == prooftest.LinkDelay {
			t.Error("it is due")
		}
	}
	_, h, err := run(t, p, []prooftest.Test{prooftest.Signals}, nil)
	if err != nil {
		t.Fatal(err)
	}
	if strings.Contains(strings.Join(h.said, " "), "link_delay") {
		t.Error("it is offered beside tests that were asked for by name")
	}
	_, h, err = run(t, p, nil, nil, cue{phrase: "Ready?", answer: "skip not today"})
	if said := strings.Join(h.said, " "); err != nil || !strings.Contains(said, "link_delay") || strings.Contains(said, "late the link is. Ready?") {
		t.Errorf("%v: not offered: %s", err, said)
	}
	// Heard over nothing it cannot be done; that is its outcome, and the others' stands.
	r, _, err := run(t, p, []prooftest.Test{prooftest.LinkDelay}, nil)
	if err != nil {
		t.Fatal(err)
	}
	finds(t, result(t, r, prooftest.LinkDelay, prooftest.Failed), "attitude is not heard")
}
