package guard

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/answers/told"
)

var allSounds = []interlock.Sound{interlock.Silent, interlock.SoundReset, interlock.SoundCaution, interlock.SoundClosing,
	interlock.SoundBringDown, interlock.SoundTripped, interlock.SoundFault}

// heard is a sound as an ear has it over ten seconds: the lengths on and off
// in milliseconds.
func heard(s interlock.Sound) (out string) {
	const long = 10 * time.Second
	last := false
	var since time.Duration
	for at := time.Duration(0); at <= long; at += ms {
		on, _ := sounding(s, at)
		if at == 0 {
			last = on
			continue
		}
		if on != last {
			out += fmt.Sprintf("%v %d ", last, (at-since)/ms)
			last, since = on, at
		}
	}
	return out
}

func TestSoundsAreToldApart(t *testing.T) {
	seen := map[string]interlock.Sound{}
	for _, s := range allSounds {
		h := heard(s)
		if other, twice := seen[h]; twice {
			t.Errorf("%v sounds like %v: %s", s, other, h)
		}
		seen[h] = s
		if s == interlock.Silent != (h == "") {
			t.Errorf("%v: %q", s, h)
		}
		// No sound has a silence in which it could be taken for over: ours,
		// two seconds.
		for at := time.Duration(0); s > interlock.SoundReset && at < 10*time.Second; at += 2 * time.Second {
			any := false
			for d := time.Duration(0); d < 2*time.Second; d += ms {
				on, _ := sounding(s, at+d)
				any = any || on
			}
			if !any {
				t.Errorf("%v is silent for two seconds from %v", s, at)
			}
		}
	}
}

func TestSoundsByTheirTimes(t *testing.T) {
	for _, row := range []struct {
		sound interlock.Sound
		at    time.Duration
		on    bool
		hold  time.Duration
	}{
		{interlock.Silent, 0, false, 0},
		{interlock.SoundReset, 0, true, 80 * ms},
		{interlock.SoundReset, 80 * ms, false, 400 * ms},
		{interlock.SoundReset, 480 * ms, true, 80 * ms},
		{interlock.SoundReset, 559 * ms, true, ms},
		{interlock.SoundReset, 560 * ms, false, 0}, // said once
		{interlock.SoundReset, time.Hour, false, 0},
		{interlock.SoundCaution, 119 * ms, true, ms},
		{interlock.SoundCaution, 120 * ms, false, 1180 * ms},
		{interlock.SoundCaution, 1300 * ms, true, 120 * ms}, // again
		{interlock.SoundClosing, 250 * ms, false, 250 * ms},
		{interlock.SoundBringDown, 700 * ms, true, 70 * ms},
		{interlock.SoundTripped, 2499 * ms, true, ms},
		{interlock.SoundTripped, 2500 * ms, false, 500 * ms},
		{interlock.SoundTripped, 3000*ms*1000 + 1, true, 2500*ms - 1},
		{interlock.SoundFault, 399 * ms, true, ms},
		{interlock.SoundFault, 400 * ms, false, 200 * ms},
		{interlock.SoundFault, 1000 * ms, false, 800 * ms},
		{interlock.Sound(200), 0, false, 0},
	} {
		if on, hold := sounding(row.sound, row.at); on != row.on || hold != row.hold {
			t.Errorf("%v at %v: %v for %v, want %v for %v", row.sound, row.at, on, hold, row.on, row.hold)
		}
	}
}

// What the loop drives is the pattern, edge by edge, from the instant of the
// sound on.
func TestLoopDrivesTheBuzzer(t *testing.T) {
	r := newRig(t)
	r.ready()
	r.run(time.Second) // past the sound of the reset
	must(t, r.board.Press("start"))
	before, _ := r.board.Trace()
	r.run(1990 * ms)
	r.want(interlock.Closing)
	trace, _ := r.board.Trace()
	var first time.Duration
	n := 0
	for _, e := range trace[len(before):] {
		if e.Line != "buzzer" {
			continue
		}
		if n == 0 {
			first = e.At
		}
		if want := first + time.Duration(n)*250*ms; e.On != (n%2 == 0) || e.At < want || e.At > want+5*ms {
			t.Fatalf("edge %d: %v at %v, want about %v", n, e.On, e.At-first, want-first)
		}
		n++
	}
	if n != 8 {
		t.Errorf("%d edges in just under two seconds, want 8", n)
	}
}

// The most urgent wins: in a trip on top of a caution the trip is heard.
func TestMostUrgentSoundWins(t *testing.T) {
	r := newRig(t)
	r.live()
	r.mute = true // no frame of the craft itself may end the caution
	r.say(r.bank(0.45))
	r.loop.Turn(r.now)
	if r.loop.sound != interlock.SoundCaution {
		t.Fatalf("%v is heard in a caution", r.loop.sound)
	}
	r.say(r.bank(1))
	r.now += 2 * ms
	r.say(r.bank(1))
	r.loop.Turn(r.now)
	if r.loop.sound != interlock.SoundTripped {
		t.Errorf("%v is heard in a trip", r.loop.sound)
	}
	must(t, r.board.Break("weld"))
	r.run(time.Second)
	if r.loop.sound != interlock.SoundFault {
		t.Errorf("%v is heard with a welded contactor", r.loop.sound)
	}
}

// A contactor that stays or comes closed is the one thing to be told in the
// largest letters (promise 6).
func TestPromise06_PowerNotRemovedIsSaidFirst(t *testing.T) {
	for why, want := range map[interlock.Reason]bool{
		interlock.ReasonPowerRemains: true, interlock.ReasonReadbackClosed: true,
		interlock.ReasonReadbackNot: false, interlock.ReasonRelayFailed: false,
	} {
		text := told.Sentence(&interlock.View{State: interlock.Fault, Duty: interlock.Guard, Why: why})
		if got := strings.HasPrefix(text, "POWER NOT REMOVED: use the hard-wired stop"); got != want {
			t.Errorf("%v: %s", why, text)
		}
	}
}
