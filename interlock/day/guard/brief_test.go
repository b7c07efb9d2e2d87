package guard

import (
	"slices"
	"testing"

	"downhaul/interlock"
	"downhaul/interlock/day/intake"
)

// A stop contact that opens and closes again between two readings trips as if it had
// been read open, and what is recorded says so: a replay decides the same.
//
//fault:row a stop contact opens for less time than passes between two readings | power off at once
func TestPromise01_AStopThatOpensForAMoment(t *testing.T) {
	for _, contact := range []interlock.Line{interlock.EStopA, interlock.EStopB} {
		r := newRig(t)
		r.live()
		r.forget()
		r.board.passed = 1 << contact
		r.loop.Turn(r.now)
		if off := slices.Index(r.did, "relay off"); off < 0 {
			t.Fatalf("%v: no relay write in the turn: %v", contact, r.did)
		}
		r.want(interlock.Tripped)
		var told []uint32
		for _, c := range r.chunks {
			if c.Source == intake.Pins {
				levels, _, _ := intake.DecodePins(c.Bytes)
				told = append(told, levels)
			}
		}
		if len(told) < 2 || told[0]^told[1] != 1<<contact {
			t.Errorf("%v: recorded are the levels %b", contact, told)
		}
	}
}

// A stop that closes is read closed, and the kernel tells its edge with the next turn: that
// is no second opening. Of one contact alone it would ask for another press before a reset.
func TestAnEdgeThatComesBehindItsReadingIsNoSecondOne(t *testing.T) {
	r := newRig(t)
	r.live()
	levels, err := r.board.Board.Levels()
	must(t, err)
	stops := uint32(1<<interlock.EStopA | 1<<interlock.EStopB)
	r.board.levels = func() (uint32, error) { return levels &^ stops, nil }
	r.loop.Turn(r.now)
	r.want(interlock.Tripped)
	r.now += 100 * ms
	r.board.levels = nil
	r.loop.Turn(r.now) // read closed
	r.forget()
	r.board.high = stops
	r.now += ms
	r.loop.Turn(r.now)
	for _, c := range r.chunks {
		if told, _, _ := intake.DecodePins(c.Bytes); c.Source == intake.Pins && told&stops != stops {
			t.Errorf("told as open again: %b", told)
		}
	}
}

// An edge that the reading shows as well says nothing new, and one that comes while the
// lines cannot be read is no level.
func TestAnEdgeThatTheReadingShowsIsToldOnce(t *testing.T) {
	r := newRig(t)
	r.live()
	r.forget()
	levels, err := r.board.Board.Levels()
	must(t, err)
	r.board.levels = func() (uint32, error) { return levels ^ 1<<interlock.Gate, nil }
	r.board.passed = 1 << interlock.Gate
	r.loop.Turn(r.now)
	pins := 0
	for _, c := range r.chunks {
		if c.Source == intake.Pins {
			pins++
		}
	}
	if pins != 1 {
		t.Errorf("told %d times", pins)
	}
	r.board.levels = func() (uint32, error) { return 0, errPin }
	r.board.passed = 1 << interlock.EStopA
	r.forget()
	r.loop.Turn(r.now + ms)
	for _, c := range r.chunks {
		if _, failed, _ := intake.DecodePins(c.Bytes); c.Source == intake.Pins && !failed {
			t.Error("a level was told that nobody read")
		}
	}
}

// An edge that comes while the lines cannot be read, or while the loop is held up in
// reading them, waits for the next reading: nobody could see it there again.
func TestPromise01_AStopThatOpensForAMomentBesideAFailedReading(t *testing.T) {
	for _, way := range []struct {
		what string
		fail func(r *rig) (uint32, error)
	}{
		{"a reading fails", func(*rig) (uint32, error) { return 0, errPin }},
		{"a reading is held up", func(r *rig) (uint32, error) { r.now += r.pad.LongestGap + ms; return r.board.Board.Levels() }},
	} {
		r := newRig(t)
		r.ready()
		r.forget()
		r.board.passed = 1 << interlock.EStopA
		r.board.levels = func() (uint32, error) { r.board.levels = nil; return way.fail(r) }
		r.loop.Turn(r.now)
		r.now += ms
		r.loop.Turn(r.now)
		r.now += pinEvery
		r.loop.Turn(r.now)
		told := false
		for _, c := range r.chunks {
			levels, failed, _ := intake.DecodePins(c.Bytes)
			told = told || c.Source == intake.Pins && !failed && levels&(1<<interlock.EStopA) == 0
		}
		if !told {
			t.Errorf("%s: the opening of the stop contact was told to nobody", way.what)
		}
		r.wantOpen()
	}
}
