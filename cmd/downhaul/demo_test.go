package main

import (
	"bytes"
	"strings"
	"sync"
	"testing"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/answers/told"
	"downhaul/interlock/day/guard"
	"downhaul/interlock/model/benchboard"
	"downhaul/interlock/model/rehearsal"
	"downhaul/rules"
)

// The demo's clock waits for craft and guard: neither is ever late by it.
func TestDeskClock_WaitsForTheComputer(t *testing.T) {
	const ms = time.Millisecond
	var real time.Duration
	c := &rehearsal.DeskClock{Real: func() time.Duration { return real }}
	shows := func(want time.Duration, when string) {
		t.Helper()
		if got := c.Now(); got != want {
			t.Errorf("%s it shows %v, want %v", when, got, want)
		}
	}
	c.Turned(0)
	real = 5 * ms
	shows(5*ms, "by itself")
	c.On()
	shows(5*ms, "when it goes on")
	real = 3 * time.Second
	shows(25*ms, "with everything held up")
	c.On()
	shows(25*ms, "while the loop has not turned")
	c.Turned(0)
	c.On()
	shows(25*ms, "when both are back")
	real += 5 * ms
	shows(30*ms, "from there")
	if all, longest := c.Waits(); longest < 2900*ms || all != longest {
		t.Errorf("it waited %v in all, %v at once", all, longest)
	}
}

// printing is what a process printed so far.
type printing struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (s *printing) Write(b []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.text.Write(b)
}

func (s *printing) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.text.String()
}

// whatFollows plays the demo without waiting, with something in it that the
// story does not know, and returns what was told and the error.
func whatFollows(t *testing.T, act func(s *stage) error) (heard, says string) {
	t.Helper()
	link, err := rehearsal.FreePort()
	must(t, err)
	dir := t.TempDir()
	files, err := writeDemoFiles(dir, link)
	must(t, err)
	checked, faults := files.Check()
	must(t, faults.Err())
	var out bytes.Buffer
	d := &demo{dir: dir, tell: &teller{out: &out}, files: files, link: link, env: checked.Envelope}
	var clock time.Duration
	g, err := guard.Open(files, guard.Options{Virtual: benchboard.Open, Software: guard.Software(), Room: 1, Watch: d.watch,
		Stepped: true, Now: func() time.Duration { return clock }})
	must(t, err)
	s, err := d.set(g)
	must(t, err)
	s.send = straight(g, link)
	for i := range s.crew.scenes {
		if s.crew.scenes[i].waiting != "the hover" {
			continue
		}
		s.crew.scenes[i].until = func(time.Duration, *told.Status) bool { return true }
		s.crew.scenes[i].act = func(time.Duration, *told.Status) error { return act(s) }
		break
	}
	began := clock
	err = runStepped(s, g, &clock)
	must(t, g.Finish(clock))
	if err == nil {
		t.Fatalf("the demo went on as if nothing had been:\n%s", out.String())
	}
	if lasted := clock - began; lasted > 25*time.Second {
		t.Errorf("it ended only after %v", lasted)
	}
	var errs bytes.Buffer
	to := &streams{strings.NewReader(""), &bytes.Buffer{}, &errs}
	if code := to.fail(err); code != couldNot {
		t.Errorf("exit code %d, want %d", code, couldNot)
	}
	return out.String(), strings.Join(strings.Fields(errs.String()), " ")
}

// What the story does not know ends the demo at once, with the reason and a way
// out: nobody waits for a hover that cannot come.
func TestDemo_EndsAtOnceWithTheReason(t *testing.T) {
	for _, row := range []struct {
		name string
		act  func(s *stage) error
		want []string
	}{
		{"a load cell that came late", func(s *stage) error { return s.board.Break("load_cell_silent") },
			[]string{"this computer was too busy: a value came late and the guard tripped, as it must: tether overload", "use --fast"}},
		{"emergency stop", func(s *stage) error { return s.board.Press("estop") },
			[]string{"the guard tripped, which the story does not tell of: emergency stop", "use --fast"}},
		{"a craft that is not heard", func(s *stage) error {
			s.send = func(time.Duration, []byte) error { return nil }
			return nil
		}, []string{"this computer was too busy", "use --fast"}},
	} {
		heard, says := whatFollows(t, row.act)
		for _, want := range row.want {
			if !strings.Contains(says, want) {
				t.Errorf("%s: it does not say %q:\n%s\n%s", row.name, want, says, heard)
			}
		}
	}
}

// Every reason of the guard is either lateness or told as itself, and a trip
// that gust or runaway explains is none of both.
func TestDemo_StoryKnowsItsOwnTrips(t *testing.T) {
	env := &rules.Envelope{Rules: []rules.Rule{{Name: "ceiling"}, {Name: "gust"}}}
	trip := func(rule int) interlock.Effect {
		return interlock.Effect{Kind: interlock.TripEffect, Rule: rule, Reason: interlock.ReasonRule}
	}
	d := &demo{}
	if d.inStory(env, trip(0)) || d.inStory(env, trip(1)) {
		t.Error("a trip before the gust is in the story")
	}
	d.moments.note(&d.moments.gust, 1)
	if d.inStory(env, trip(0)) || !d.inStory(env, trip(1)) {
		t.Error("the gust trips its own rule, and no other")
	}
	d.moments.note(&d.moments.runaway, 2)
	if !d.inStory(env, trip(0)) {
		t.Error("a runaway that leaves the ceiling is not in the story")
	}
	silent := trip(0)
	silent.Reason = interlock.ReasonRuleMissing
	if d.inStory(env, silent) {
		t.Error("silence is in the story")
	}
}
