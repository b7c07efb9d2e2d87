package guard

import (
	"net/netip"
	"slices"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"downhaul/hw/virtual"
	"downhaul/interlock"
	"downhaul/interlock/day/telemetry/link"
)

// Alive, but stuck: whatever the loop's thread can be held up in, what still works, and
// what takes the power off. All times are of the test's own clock.

// powerOff is the time from the heartbeat edge that was the last before from until a line
// of the chain went off, as its trace has it.
func (r *rig) powerOff(line string, from time.Duration) time.Duration {
	r.t.Helper()
	r.board.PowerOn() // takes the chain to now
	trace, _ := r.board.Trace()
	i := slices.IndexFunc(trace, func(e virtual.OutputEdge) bool { return e.Line == line && !e.On && e.At >= from })
	if i < 0 {
		r.t.Fatalf("the %s did not go off", line)
	}
	last := slices.IndexFunc(r.board.beats, func(at time.Duration) bool { return at > from })
	if last < 0 {
		last = len(r.board.beats)
	}
	return trace[i].At - r.board.beats[last-1]
}

// A write of the chain that does not come back takes the heartbeat with it: the external
// watchdog opens the chain in its window, and what comes after the write is a loop that
// was held up.
//
//fault:row a write of the relay's or the heartbeat's line does not come back | no more edges: the watchdog lets go 80 ms after the last one; when it comes back, held up, and nothing closes again by itself
func TestPromise05_AWriteThatDoesNotComeBack(t *testing.T) {
	for _, line := range []string{"relay", "heartbeat"} {
		r := newRig(t)
		r.live()
		r.forget()
		r.run(200 * ms)
		r.board.hold = map[string]time.Duration{line: 10 * time.Second}
		from := r.now
		if line == "relay" {
			r.say(r.bank(1)) // the write that opens it
		}
		for r.now < from+5*time.Second {
			r.now += 5 * ms
			r.air()
			r.loop.Turn(r.now)
		}
		r.board.hold = nil
		edges := len(r.board.beats)
		if line == "heartbeat" {
			edges-- // the one that came back
		}
		if d := r.powerOff("watchdog", from); d > virtual.WatchdogDrop {
			t.Errorf("%s: the watchdog let go %v after the last edge, want %v", line, d, virtual.WatchdogDrop)
		}
		if d := r.powerOff("contactor", from); d > 100*ms {
			t.Errorf("%s: the rotors were without power %v after the last edge, want 100 ms", line, d)
		}
		on := len(r.did)
		r.run(5 * time.Second)
		r.wantOpen()
		if !slices.Contains(r.trips(), interlock.ReasonStalled) {
			t.Errorf("%s: trips %v", line, r.trips())
		}
		if n := len(r.board.beats); n > edges+1 || slices.Contains(r.did[on:], "relay on") || r.board.PowerOn() {
			t.Errorf("%s: after it %d edges, power %v", line, n-edges, r.board.PowerOn())
		}
	}
}

// The one chip of all lines is pulled: it can be neither read nor written. The heartbeat
// stops at the first write that fails, and the watchdog opens what the relay cannot.
//
//fault:row the chip of all lines is pulled out while live | no more edges: the watchdog lets go 80 ms after the last one; fault
func TestPromise05_AChipThatIsPulledWhileInUse(t *testing.T) {
	r := newRig(t)
	r.live()
	r.forget()
	r.run(200 * ms)
	from := r.now
	r.board.failRelay, r.board.failBeat = unix.ENODEV, unix.ENODEV
	r.board.levels = func() (uint32, error) { return 0, unix.ENODEV }
	r.run(time.Second)
	r.want(interlock.Fault)
	if d := r.powerOff("watchdog", from); d > virtual.WatchdogDrop {
		t.Errorf("the watchdog let go %v after the last edge, want %v", d, virtual.WatchdogDrop)
	}
	if r.board.PowerOn() {
		t.Error("power at the rotors")
	}
}

// fullBacklog is the address of a server that takes no more connections and refuses none.
func fullBacklog(t *testing.T) string {
	t.Helper()
	socket := func() int {
		fd, err := unix.Socket(unix.AF_INET, unix.SOCK_STREAM|unix.SOCK_CLOEXEC|unix.SOCK_NONBLOCK, 0)
		must(t, err)
		t.Cleanup(func() { unix.Close(fd) })
		return fd
	}
	server := socket()
	must(t, unix.Bind(server, &unix.SockaddrInet4{Addr: [4]byte{127, 0, 0, 1}}), unix.Listen(server, 0))
	at, err := unix.Getsockname(server)
	must(t, err)
	for range 4 {
		if err := unix.Connect(socket(), at); err != nil && err != unix.EINPROGRESS {
			t.Fatal(err)
		}
	}
	return netip.AddrPortFrom(netip.AddrFrom4(at.(*unix.SockaddrInet4).Addr), uint16(at.(*unix.SockaddrInet4).Port)).String()
}

// A link whose server does not answer is dialled by its helper: the loop reads the other
// link, keeps its heartbeat and opens the chain as ever.
//
//fault:row a link's server does not answer when it is dialled | the other links, heartbeat and stops go on as ever
func TestPromise05_AHelperThatHangsInDialling(t *testing.T) {
	r := newRig(t)
	craft, say := socketAt(t, "127.0.0.2:0")
	links := r.hears(func(netip.AddrPort) Whose { return Craft }, link.Config{Address: "127.0.0.1:0"})
	hung, err := link.Open(link.Config{Number: 1, Kind: link.TCP, Address: fullBacklog(t)})
	must(t, err)
	up := make(chan link.Event, 16)
	must(t, hung.Start(func(e link.Event) { up <- e }, r.loop.waiter.Wake))
	r.loop.Reads(append(links, hung))
	r.live()
	r.forget()
	say(links[0].LocalAddr(), "heard")
	r.run(time.Second)
	r.want(interlock.Live)
	if n := len(r.board.beats); n < 35 || !slices.Equal(r.heardOf(craft), []string{"heard"}) {
		t.Errorf("%d edges in a second, heard %q", n, r.heardOf(craft))
	}
	must(t, r.board.OpenContact("estop"))
	r.loop.Turn(r.now)
	r.want(interlock.Tripped)
	within(t, 20*time.Second, "let go of while it dials", func() { must(t, hung.Close()) })
	for len(up) > 0 {
		if e := <-up; e.Up {
			t.Error("a server that takes no connection was connected to: the test proves nothing")
		}
	}
}

// A log disk that does not answer while live holds up the writer and nobody else.
//
//fault:row the log disk does not answer while live | heartbeat and rules go on; a stop opens at once, and counts as kept when the disk is back
func TestPromise05_ALogDiskThatDoesNotAnswer(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.live()
	log := &spyLog{hang: make(chan struct{}), inside: make(chan struct{}, 1)}
	keeping(t, r, log)
	r.run(50 * ms)
	<-log.inside
	r.forget()
	r.run(20 * time.Second) // longer than the queue lasts
	r.want(interlock.Live)
	if n := len(r.board.beats); n < 20*35 {
		t.Errorf("%d edges in 20 s", n)
	}
	must(t, r.board.OpenContact("estop"))
	r.forget()
	r.loop.Turn(r.now)
	r.want(interlock.Tripped)
	var v interlock.View
	if r.eng.View(&v); !slices.Contains(r.did, "relay off") || v.Kept >= v.Trips {
		t.Errorf("%v, %d of %d trips kept", r.did, v.Kept, v.Trips)
	}
	close(log.hang)
	soon(t, "the trip on the disk", func() bool {
		r.run(10 * ms)
		r.eng.View(&v)
		return v.Kept == v.Trips
	})
}

// A socket that is never empty, since as much comes as is read: a turn ends all the same.
//
//fault:row more comes by a link than can be read | lines and heartbeat go on as ever; after a stall the old is thrown away
func TestPromise05_ASocketThatIsNeverEmpty(t *testing.T) {
	r := newRig(t)
	flooder, flood := socketAt(t, "127.0.0.3:0")
	craft, say := socketAt(t, "127.0.0.2:0")
	var links []*link.Link
	again := func(from netip.AddrPort) Whose {
		if from == flooder {
			r.now += 20 * time.Microsecond
			flood(links[0].LocalAddr(), "more")
		}
		return Craft
	}
	links = r.hears(again, link.Config{Address: "127.0.0.1:0"}, link.Config{Number: 1, Address: "127.0.0.1:0"})
	r.live()
	for range 200 {
		flood(links[0].LocalAddr(), "flood")
	}
	r.forget()
	for end := r.now + time.Second; r.now < end; {
		if r.now >= r.stage {
			r.stage = r.now + 5*ms
			r.air()
		}
		say(links[1].LocalAddr(), "craft")
		r.loop.Turn(r.now)
	}
	r.want(interlock.Live)
	if n := len(r.board.beats); n < 35 {
		t.Errorf("%d edges in a second of flood", n)
	}
	if slow, heard := len(r.heardOf(flooder)), len(r.heardOf(craft)); slow < 10_000 || heard < 200 {
		t.Errorf("%d of the flood and %d of the other link were read", slow, heard)
	}
	r.now += time.Second
	r.forget()
	r.loop.Turn(r.now)
	r.want(interlock.Tripped)
	if !slices.Contains(r.trips(), interlock.ReasonStalled) {
		t.Errorf("trips %v", r.trips())
	}
	if old := r.heardOf(flooder); len(old) > 0 {
		t.Errorf("%d datagrams of before the stall were taken after it", len(old))
	}
}
