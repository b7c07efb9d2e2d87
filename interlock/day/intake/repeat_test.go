package intake

import (
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/bluenviron/gomavlib/v3/pkg/dialects/common"
	"github.com/bluenviron/gomavlib/v3/pkg/message"

	"downhaul/interlock"
	"downhaul/interlock/day/telemetry"
	"downhaul/rules"
)

func supply() *common.MessageSysStatus {
	return &common.MessageSysStatus{VoltageBattery: 54600, CurrentBattery: 1200, BatteryRemaining: 70}
}

func packs() *common.MessageBatteryStatus {
	m := &common.MessageBatteryStatus{CurrentBattery: 1200, Voltages: [10]uint16{3900, 3900, 3900, 3900, 65535, 65535, 65535, 65535, 65535, 65535}}
	return m
}

// landed has no boot clock and never changes in a hover.
func landed() *common.MessageExtendedSysState {
	return &common.MessageExtendedSysState{LandedState: common.MAV_LANDED_STATE_IN_AIR}
}

// The newest of what a craft said last, byte for byte: neither a sign of life nor
// a value.
func TestPromise3_RepeatedFramesAreNeitherLifeNorValue(t *testing.T) {
	f := feed(t, Config{})
	craft := sender{system: 1, component: 1, seq: 250}
	at := time.Duration(0)
	last := map[int][]byte{}
	for i := range 400 {
		at += 20 * ms
		b := craft.frame(attitude(uint32(at/ms), 0.1))
		f.datagram(at, addrA, b)
		switch i % 25 {
		case 3:
			last[0] = craft.frame(heartbeat())
			f.datagram(at, addrA, last[0])
		case 9:
			last[1] = craft.frame(supply())
			f.datagram(at, addrA, last[1])
		case 14:
			last[2] = craft.frame(packs())
			f.datagram(at, addrA, last[2])
		}
	}
	before := f.in.Counts().Links[0]
	for i := range 120 {
		at += 100 * ms
		if got := f.datagram(at, addrA, last[i%3]); len(got) != 0 {
			t.Fatalf("repeat %d gave %+v", i, got)
		}
	}
	if n := f.in.Counts().Links[0]; n.Repeated != before.Repeated+120 || n.Frames != before.Frames {
		t.Errorf("counts %+v, want 120 repeated behind %+v", n, before)
	}
	// The craft goes on: at once, though its supply reads the same.
	if got := f.datagram(at, addrA, craft.frame(heartbeat()), craft.frame(supply()), craft.frame(attitude(uint32(at/ms), 0.1))); has(got, interlock.FrameInput) != 3 {
		t.Errorf("the craft itself gave %+v", got)
	}
}

// A loop of everything that was said last, of any length, also where some of it is
// new because it was lost the first time: what was heard is not heard again, and
// no later than 2 s behind the first old frame nothing is. (A loop that begins
// within five seconds of the craft's start reads as a restart, each turn anew.)
func TestPromise3_ALoopOfOldFramesIsNoCraft(t *testing.T) {
	for _, loop := range []int{1, 2, 3, 5, 40, 56, 57, 100, 144, 145, 199, 200, 201, 255, 256, 257, 300, 512, 1500} {
		for _, lossy := range []bool{false, true} {
			for _, up := range []uint32{10_000, 600_000} { // ms: how long it had been up
				dice := rand.New(rand.NewPCG(uint64(loop), uint64(up)))
				f := feed(t, Config{})
				craft := sender{system: 1, component: 1}
				var said [][]byte
				at := time.Duration(0)
				for i := range 2000 {
					at += 10 * ms
					var m message.Message = attitude(up+uint32(at/ms), 0)
					switch {
					case i%50 == 7:
						m = heartbeat()
					case i%5 == 2:
						m = supply()
					case i%20 == 9:
						m = landed()
					}
					b := craft.frame(m)
					said = append(said, b)
					if !lossy || dice.IntN(10) > 0 {
						f.datagram(at, addrA, b)
					}
				}
				said = said[len(said)-loop:]
				died, life := at, time.Duration(0)
				for i := 0; at < died+40*time.Second; i++ {
					at += 10 * ms
					if got := f.datagram(at, addrA, said[i%loop]); has(got, interlock.FrameInput) > 0 {
						life = at - died
					}
				}
				name := fmt.Sprintf("a loop of %d frames, lossy %v, up %d ms", loop, lossy, up)
				switch first := time.Duration(loop) * 10 * ms; {
				case !lossy && loop <= repeatFrames && life > 0:
					t.Errorf("%s: life %v after it died", name, life)
				case loop <= repeatFrames && life > first+10*ms:
					t.Errorf("%s: life %v after it died, behind the first turn of %v", name, life, first)
				case life > stillAfter+100*ms && !(lossy && life <= first+10*ms):
					t.Errorf("%s: life %v after it died", name, life)
				}
			}
		}
	}
}

// Healthy crafts of all kinds: rates at which a heartbeat at rest has the same
// number again and again, loss, outages, frames out of order, two channels that
// count for themselves. What has no boot clock and never changes is what could be
// taken for a repeat: never is one refused twice in a row, and every staleness time
// of ours bears one frame that was lost.
func TestHealthyCraftsAreNotLostToRepeats(t *testing.T) {
	worst, refused, all := time.Duration(0), uint64(0), 0
	for seed := range uint64(100) { // 3,000 were tried
		dice := rand.New(rand.NewPCG(seed, 10))
		// 16, 32, 64, 128 and 256 frames a second keep a heartbeat at the same few
		// numbers for ever; others wander.
		rate := []int{10, 16, 32, 50, 64, 100, 128, 200, 256, 257, 400}[dice.IntN(11)]
		if dice.IntN(4) == 0 {
			rate = 10 + dice.IntN(390)
		}
		loss := []float64{0, 0, 0.02, 0.1, 0.3, 0.5, 0.7}[dice.IntN(7)]
		channels := 1 + dice.IntN(2)
		swaps := dice.IntN(3) == 0
		outages := dice.IntN(2) == 0
		crafts := [2]sender{{system: 1, component: 1, seq: uint8(dice.IntN(256))}, {system: 1, component: 1, seq: uint8(dice.IntN(256))}}
		f := feed(t, Config{})
		type kind struct {
			came, taken time.Duration // the last that came in, and the last that counted
			missed      int           // came in and did not count, one after another
		}
		kinds := map[byte]*kind{}
		seen := f.in.Counts().Links[0].Frames
		deliver := func(at time.Duration, b []byte) {
			f.datagram(at, addrA, b)
			now := f.in.Counts().Links[0].Frames
			k := kinds[b[7]]
			if k == nil {
				k = &kind{came: at, taken: at}
				kinds[b[7]] = k
			}
			all++
			if now > seen {
				k.taken, k.missed = at, 0
			} else if b[7] != 30 {
				refused++
				worst = max(worst, at-k.taken)
				k.missed++
				// Of two channels one is ahead: what the other says may be what that
				// one said before, and does not count, but that one counts.
				if channels == 1 && k.missed > 1 || channels == 2 && loss == 0 && !outages && at-k.taken > 1010*ms {
					t.Fatalf("seed %d (%d frames a second, loss %.2f, %d channels, swaps %v, outages %v): message %d came %d times in a row and did not count, %v",
						seed, rate, loss, channels, swaps, outages, b[7], k.missed, at-k.taken)
				}
			}
			seen = now
			k.came = at
		}
		var held []byte
		until := 0 // an outage's end, in frames
		period := time.Second / time.Duration(rate)
		for i := range 12 * rate {
			at := time.Duration(i) * period
			for c := range channels {
				s := &crafts[c]
				var b []byte
				switch {
				case i%rate == 3:
					b = s.frame(heartbeat())
				case i%max(1, rate/2) == 4:
					b = s.frame(supply())
				case i%max(1, rate/2) == 5:
					b = s.frame(landed())
				default:
					b = s.frame(attitude(1000+uint32(at/ms), 0))
				}
				if outages && i >= until && dice.IntN(4*rate) == 0 {
					until = i + 40 + dice.IntN(300)
				}
				if i < until || dice.Float64() < loss {
					continue
				}
				switch {
				case held != nil:
					deliver(at, b)
					deliver(at, held)
					held = nil
				case swaps && dice.IntN(8) == 0:
					held = b
				default:
					deliver(at, b)
				}
			}
		}
	}
	t.Logf("of %d frames %d without a boot clock were refused; the longest wait for one that counted was %v", all, refused, worst)
}

// Behind a gap of any length the craft is heard again at once, and three frames
// later nothing of what it said before stands in its way.
func TestACraftGoesOnBehindAnyGap(t *testing.T) {
	for gap := range 600 {
		f := feed(t, Config{})
		craft := sender{system: 1, component: 1}
		at := time.Duration(0)
		say := func(quiet bool) (static, counted int) {
			at += 10 * ms
			var frames [][]byte
			for range 2 {
				frames = append(frames, craft.frame(heartbeat()), craft.frame(attitude(uint32(at/ms), 0)))
				at += 10 * ms
			}
			if quiet {
				return 0, 0
			}
			for i, b := range frames {
				got := has(f.datagram(at, addrA, b), interlock.FrameInput)
				if i%2 == 0 {
					static, counted = static+1, counted+got
				} else if got != 1 {
					t.Fatalf("gap %d: a frame with a clock that moves on did not count", gap)
				}
			}
			return static, counted
		}
		for range 100 {
			say(false)
		}
		for range gap / 4 {
			say(true)
		}
		craft.seq += uint8(gap % 4)
		say(false)
		say(false)
		for range 100 {
			if static, counted := say(false); static != counted {
				t.Fatalf("gap %d: %d of %d heartbeats counted", gap, counted, static)
			}
		}
	}
}

// A restart is told from old frames by what the clock says: no craft has been up
// for longer than it was not heard.
func TestRestartIsNoRepeatAndOldFramesAreNoRestart(t *testing.T) {
	up := uint32(300_000)
	begin := func() (*feeder, *sender) {
		f, craft := feed(t, Config{}), &sender{system: 1, component: 1, seq: 77}
		for i := range uint32(200) {
			f.datagram(time.Duration(i)*20*ms, addrA, craft.frame(attitude(up+i*20, 0)), craft.frame(heartbeat()))
		}
		return f, craft
	}
	f, _ := begin()
	again := &sender{system: 1, component: 1}
	for i := range uint32(50) {
		got := f.datagram(6*time.Second+time.Duration(i)*20*ms, addrA, again.frame(attitude(1500+i*20, 0)), again.frame(heartbeat()))
		if has(got, interlock.FrameInput) != 2 || clashes(got) != 0 {
			t.Fatalf("frame %d behind a restart: %+v", i, got)
		}
	}
	if n := f.in.Counts().Links[0]; n.Restarts != 1 || n.Repeated != 0 {
		t.Errorf("a restart: %+v", n)
	}
	// Old frames while the craft is silent: a clock that ran back, once, and nothing
	// else.
	f, _ = begin()
	for i := range uint32(50) {
		got := f.datagram(6*time.Second+time.Duration(i)*20*ms, addrA, again.frame(attitude(up-60_000+i*20, 0)))
		if s, ok := value(got, rules.CraftBootClock); i == 0 && len(got) == 1 && ok && s.Value == 240 {
			continue
		}
		if len(got) != 0 {
			t.Fatalf("old frame %d gave %+v", i, got)
		}
	}
	// The same while the craft goes on: two clocks, which is said.
	f, craft := begin()
	said := 0
	for i := range uint32(50) {
		at := 4*time.Second + time.Duration(i)*20*ms
		got := f.datagram(at, addrA, again.frame(attitude(up-60_000+i*20, 0)))
		said += clashes(got)
		if has(got, interlock.FrameInput) != 0 {
			t.Fatalf("old frame %d was taken: %+v", i, got)
		}
		if got := f.datagram(at, addrA, craft.frame(attitude(up+4000+i*20, 0))); has(got, interlock.FrameInput) != 1 {
			t.Fatalf("the craft's own frame %d gave %+v", i, got)
		}
	}
	if said != 1 {
		t.Errorf("two clocks were said %d times in a second, want once", said)
	}
	// A clock that was set back for good is believed in the end.
	f, craft = begin()
	heard := time.Duration(0)
	for i := range uint32(2000) {
		at := 4*time.Second + time.Duration(i)*20*ms
		if got := f.datagram(at, addrA, craft.frame(attitude(up-60_000+i*20, 0))); has(got, interlock.FrameInput) > 0 && heard == 0 {
			heard = at - 4*time.Second
		}
	}
	if heard < 30*time.Second || heard > 31*time.Second {
		t.Errorf("a clock that was set back was believed after %v, want 30 s", heard)
	}
}

// Frames that differ in any byte are no repeats of each other, whatever their length;
// the longest has 280 (MAVLink 2, signed).
func TestEveryByteCountsInASum(t *testing.T) {
	for n := 1; n <= 280; n++ {
		raw := make([]byte, n)
		whole := sumOf(&telemetry.Frame{Raw: raw})
		for k := range raw {
			raw[k] ^= 0x80
			if sumOf(&telemetry.Frame{Raw: raw}) == whole {
				t.Errorf("of %d bytes, number %d does not count", n, k)
			}
			raw[k] ^= 0x80
		}
	}
}

// A forwarder that thins the flow out passes a few frames of many, with their
// numbers: the steps between those are longer than any that reads as "ahead", and
// messages that never change have the same few numbers again and again. With a
// boot clock that moves on each of them counts.
func TestAThinnedFlowIsNotLostToRepeats(t *testing.T) {
	for rate := 16; rate <= 512; rate += 16 { // frames that the craft numbers in a second
		for _, clocks := range []int{1, 2, 4, 10} { // of these, attitudes that come through
			f := feed(t, Config{})
			craft := sender{system: 1, component: 1}
			taken, worst, seen := map[byte]time.Duration{}, map[byte]time.Duration{}, uint64(0)
			for i := range 120 * rate {
				at := time.Duration(i) * time.Second / time.Duration(rate)
				craft.seq = uint8(i)
				var b []byte
				switch {
				case i%rate == 3:
					b = craft.frame(heartbeat())
				case i%rate == 5:
					b = craft.frame(landed())
				case i%rate == 7:
					b = craft.frame(supply())
				case i%max(1, rate/clocks) == 0:
					b = craft.frame(attitude(1000+uint32(at/ms), 0))
				default:
					continue
				}
				f.datagram(at, addrA, b)
				if n := f.in.Counts().Links[0].Frames; n > seen {
					seen = n
					worst[b[7]] = max(worst[b[7]], at-taken[b[7]])
					taken[b[7]] = at
				}
			}
			for id, wait := range worst {
				if wait > 2010*ms {
					t.Errorf("%d frames a second, %d of them with a clock come through: message %d did not count for %v", rate, clocks, id, wait)
				}
			}
		}
	}
}

// What goes on saying only what has no boot clock, however long its loop, and even
// under new numbers, is no craft for much longer than its clock was ever missing
// while others of its frames came.
//
//fault:row the craft is dead, and a forwarder goes on with its heartbeats and voltages, under new numbers | silent 10 s after its last boot clock, or 5 times the longest that it was ever without one
func TestPromise3_ADeadCraftIsNotKeptAliveByWhatHasNoClock(t *testing.T) {
	for _, loop := range []int{1, 10, 55, 110, 330, 1000} { // frames
		for _, anew := range []bool{false, true} {
			f := feed(t, Config{})
			craft := sender{system: 1, component: 1}
			var said []message.Message
			var raw [][]byte
			at := time.Duration(0)
			for i := range 6000 {
				at += 20 * ms
				var m message.Message = attitude(600_000+uint32(at/ms), 0)
				switch {
				case i%50 == 7:
					m = heartbeat()
				case i%10 == 2:
					s := supply()
					s.VoltageBattery = uint16(54000 - i/10)
					m = s
				}
				b := craft.frame(m)
				if b[7] != 30 {
					said, raw = append(said, m), append(raw, b)
				}
				f.datagram(at, addrA, b)
			}
			said, raw = said[len(said)-min(loop, len(said)):], raw[len(raw)-min(loop, len(raw)):]
			died, life := at, time.Duration(0)
			for i := 0; at < died+3*time.Minute; i++ {
				at += 200 * ms
				b := raw[i%len(raw)]
				if anew {
					b = craft.frame(said[i%len(said)])
				}
				if has(f.datagram(at, addrA, b), interlock.FrameInput) > 0 {
					life = at - died
				}
			}
			if life > goneAfter+time.Second {
				t.Errorf("a loop of %d frames without a clock, new numbers %v: life %v after it died", loop, anew, life)
			}
			// It goes on: at once.
			if got := f.datagram(at, addrA, craft.frame(attitude(600_000+uint32(at/ms), 0)), craft.frame(landed())); has(got, interlock.FrameInput) != 2 {
				t.Errorf("a loop of %d frames: the craft itself gave %+v", loop, got)
			}
		}
	}
}

// A craft whose clock comes seldom, or with long outages, is not taken for dead.
func TestACraftWithAClockThatComesSeldomIsHeard(t *testing.T) {
	for _, every := range []int{1, 5, 20, 60, 300} { // s
		f := feed(t, Config{})
		craft := sender{system: 1, component: 1}
		for s := range 30 * every {
			at := time.Duration(s) * time.Second
			b := craft.frame(heartbeat())
			if s%every == 0 {
				b = craft.frame(attitude(1000+uint32(at/ms), 0))
			}
			if s/every == 25 && every <= 5 && s%every > 0 || s > 300 && s < 400 && every < 60 {
				continue // an outage
			}
			if got := f.datagram(at, addrA, b); has(got, interlock.FrameInput) != 1 {
				t.Fatalf("a clock every %d s: the frame at %v gave %+v", every, at, got)
			}
		}
	}
}
