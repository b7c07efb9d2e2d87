package guard

import (
	"bytes"
	"fmt"
	"sync"
	"testing"

	"downhaul/interlock"
	"downhaul/interlock/day/intake"
)

func TestFullLaneKeepsTheNewestAndMarksTheLoss(t *testing.T) {
	for l := range laneCount {
		b := newInbox()
		const over = 7
		for i := range laneRoom[l] + over {
			b.put(l, parcel{source: intake.Telemetry, link: uint8(l)}, fmt.Appendf(nil, "%d", i))
		}
		var p parcel
		for i := range laneRoom[l] {
			p.lost = 0
			if !b.take(l, &p) {
				t.Fatalf("lane %d: only %d of %d were kept", l, i, laneRoom[l])
			}
			if want := fmt.Sprint(i + over); string(p.bytes) != want {
				t.Fatalf("lane %d: chunk %d is %q, want %s", l, i, p.bytes, want)
			}
			if want := uint32(0); i == 0 && p.lost != over || i > 0 && p.lost != want {
				t.Fatalf("lane %d: chunk %d says %d lost", l, i, p.lost)
			}
		}
		if b.take(l, &p) {
			t.Errorf("lane %d gives more than it holds", l)
		}
		want := uint64(over)
		if l == laneStrangers {
			want = 0 // what strangers lose there is told apart: it costs the craft nothing
		}
		if b.dropped() != want {
			t.Errorf("lane %d: %d dropped in all, want %d", l, b.dropped(), want)
		}
	}
}

func TestBacklogIsDroppedAndCounted(t *testing.T) {
	b := newInbox()
	for range 10 {
		b.put(laneLinks, parcel{}, []byte("old"))
	}
	b.put(laneHost, parcel{}, []byte("host"))
	b.dropBacklog(laneLinks)
	b.put(laneLinks, parcel{}, []byte("new"))
	var p parcel
	if !b.take(laneLinks, &p) || string(p.bytes) != "new" || p.lost != 10 {
		t.Errorf("first after the backlog: %q with %d lost, want new with 10", p.bytes, p.lost)
	}
	p.lost = 0
	if !b.take(laneHost, &p) || p.lost != 0 {
		t.Error("another lane was touched")
	}
}

// A parcel's bytes are its own: the reader's buffer is used again at once.
func TestParcelsOwnTheirBytes(t *testing.T) {
	b := newInbox()
	buf := []byte("one")
	b.put(laneLinks, parcel{}, buf)
	copy(buf, "two")
	b.put(laneLinks, parcel{}, buf)
	var p parcel
	b.take(laneLinks, &p)
	first := bytes.Clone(p.bytes)
	b.put(laneLinks, parcel{}, []byte("three"))
	if string(first) != "one" || string(p.bytes) != "one" {
		t.Errorf("%q, %q", first, p.bytes)
	}
}

func TestManyReadersOneLoop(t *testing.T) {
	b := newInbox()
	var work sync.WaitGroup
	const each, readers = 5000, 4
	for range readers {
		work.Go(func() {
			for i := range each {
				b.put(laneLinks, parcel{}, fmt.Appendf(nil, "%d", i))
			}
		})
	}
	done := make(chan struct{})
	go func() { work.Wait(); close(done) }()
	taken, lost := 0, 0
	var p parcel
	drain := func() {
		for p.lost = 0; b.take(laneLinks, &p); p.lost = 0 {
			taken++
			lost += int(p.lost)
		}
	}
	for {
		select {
		case <-b.wake:
			drain()
			continue
		case <-done:
		}
		break
	}
	drain()
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
