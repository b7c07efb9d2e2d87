package guard

import (
	"bytes"
	"fmt"
	"sync"
	"testing"

	"downhaul/interlock"
	"downhaul/interlock/day/intake"
)

// take copies the oldest chunk of a lane.
func take(b *inbox, l laneOf, dst *intake.Chunk) bool {
	p := b.next(l)
	if p == nil {
		return false
	}
	*dst = *p
	dst.Bytes = bytes.Clone(p.Bytes)
	b.lanes[l].done()
	return true
}

func TestFullLaneTakesNothingMoreAndMarksTheLoss(t *testing.T) {
	for l := range laneCount {
		b := newInbox(func() {})
		const over = 7
		for i := range laneRoom[l] + over {
			b.put(l, intake.Chunk{Source: intake.Telemetry, Link: uint8(l), Bytes: fmt.Appendf(nil, "%d", i)})
		}
		var p intake.Chunk
		wants := func(want string, lost uint32) {
			t.Helper()
			p.Lost = 0
			if !take(b, l, &p) || string(p.Bytes) != want || p.Lost != lost {
				t.Fatalf("lane %d: %q with %d lost, want %s with %d", l, p.Bytes, p.Lost, want, lost)
			}
		}
		for i := range laneRoom[l] {
			wants(fmt.Sprint(i), 0)
		}
		if take(b, l, &p) {
			t.Errorf("lane %d gives more than it holds", l)
		}
		b.put(l, intake.Chunk{Bytes: []byte("next")})
		wants("next", over)
		b.put(l, intake.Chunk{Bytes: []byte("last")})
		wants("last", 0)
		if b.dropped() != over {
			t.Errorf("lane %d: %d dropped in all, want %d", l, b.dropped(), over)
		}
	}
}

func TestBacklogIsDroppedAndCounted(t *testing.T) {
	b := newInbox(func() {})
	for range 10 {
		b.put(laneLinks, intake.Chunk{Bytes: []byte("old")})
	}
	b.put(laneHost, intake.Chunk{Bytes: []byte("host")})
	b.dropBacklog(laneLinks)
	b.put(laneLinks, intake.Chunk{Bytes: []byte("new")})
	var p intake.Chunk
	if !take(b, laneLinks, &p) || string(p.Bytes) != "new" || p.Lost != 10 {
		t.Errorf("first after the backlog: %q with %d lost, want new with 10", p.Bytes, p.Lost)
	}
	p.Lost = 0
	if !take(b, laneHost, &p) || p.Lost != 0 {
		t.Error("another lane was touched")
	}
	// What was lost before the backlog came counts with it.
	for range laneRoom[laneLinks] + 7 {
		b.put(laneLinks, intake.Chunk{})
	}
	take(b, laneLinks, &p)
	b.put(laneLinks, intake.Chunk{})
	b.dropBacklog(laneLinks)
	b.put(laneLinks, intake.Chunk{})
	p.Lost = 0
	if want := uint32(laneRoom[laneLinks] + 7); !take(b, laneLinks, &p) || p.Lost != want {
		t.Errorf("%d lost, want %d", p.Lost, want)
	}
}

// A chunk's bytes are its own: the reader's buffer is used again at once.
func TestParcelsOwnTheirBytes(t *testing.T) {
	b := newInbox(func() {})
	buf := []byte("one")
	b.put(laneLinks, intake.Chunk{Bytes: buf})
	copy(buf, "two")
	b.put(laneLinks, intake.Chunk{Bytes: buf})
	var p intake.Chunk
	take(b, laneLinks, &p)
	first := bytes.Clone(p.Bytes)
	b.put(laneLinks, intake.Chunk{Bytes: []byte("three")})
	if string(first) != "one" || string(p.Bytes) != "one" {
		t.Errorf("%q, %q", first, p.Bytes)
	}
}

func TestManyReadersOneLoop(t *testing.T) {
	woken := make(chan struct{}, 1)
	b := newInbox(func() {
		select {
		case woken <- struct{}{}:
		default:
		}
	})
	var work sync.WaitGroup
	const each, readers = 5000, 4
	for range readers {
		work.Go(func() {
			for i := range each {
				b.put(laneLinks, intake.Chunk{Bytes: fmt.Appendf(nil, "%d", i)})
			}
		})
	}
	done := make(chan struct{})
	go func() { work.Wait(); close(done) }()
	taken, lost := 0, 0
	var p intake.Chunk
	drain := func() {
		for p.Lost = 0; take(b, laneLinks, &p); p.Lost = 0 {
			taken++
			lost += int(p.Lost)
		}
	}
	for {
		select {
		case <-woken:
			drain()
			continue
		case <-done:
		}
		break
	}
	drain()
	b.put(laneLinks, intake.Chunk{}) // brings what was lost last
	drain()
	taken--
	if taken+lost != each*readers {
		t.Errorf("%d taken and %d lost of %d", taken, lost, each*readers)
	}
}

// Marks without end cost not one word of the host's own.
func TestPromise12_FloodOfMarksCostsNoWordOfTheHost(t *testing.T) {
	r := newRig(t)
	r.live()
	r.say(r.bank(1))
	r.run(100 * ms)
	r.want(interlock.Tripped)
	r.loop.Host(intake.HostMessage{Host: interlock.HostKept, On: true, Seq: 1})
	for range 1000 {
		r.loop.Host(intake.HostMessage{Host: interlock.HostMark, On: true, Text: "mark: look"})
	}
	r.run(100 * ms)
	var v interlock.View
	r.eng.View(&v)
	if v.Kept != 1 {
		t.Errorf("the engine was not told that the trip is on disk: kept %d", v.Kept)
	}
}

// The newest that was given is what is taken, whole, however the two come: under the
// race detector a place that both have shows.
func TestLatestIsTheNewestAndWhole(t *testing.T) {
	l := newLatest[[8]int]()
	if *l.take() != [8]int{} {
		t.Error("something was there before anything was given")
	}
	give := func(n int) {
		for i := range l.room() {
			l.room()[i] = n
		}
		l.give()
	}
	const most = 100_000
	var work sync.WaitGroup
	work.Go(func() {
		for n := range most + 1 {
			give(n)
		}
	})
	for last := 0; last < most; {
		got := *l.take()
		for _, n := range got {
			if n != got[0] || n < last {
				t.Fatalf("%v after %d", got, last)
			}
		}
		last = got[0]
	}
	work.Wait()
	for n := range 5 {
		give(n)
	}
	if got := l.take(); got[0] != 4 || l.take() != got {
		t.Errorf("took %v", got)
	}
}
