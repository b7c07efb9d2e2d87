package intake

import (
	"math"
	"testing"
	"time"

	"downhaul/interlock"
	"downhaul/rules"
)

func TestLinkLoss(t *testing.T) {
	f := feed(t, Config{})
	craft := sender{system: 1, component: 1, seq: 250} // over the wrap
	var got []interlock.Input
	says := 0
	for i := range 300 { // 10 a second; every fifth is lost
		b := craft.frame(attitude(uint32(i*100), 0))
		if i%5 == 2 {
			continue
		}
		in := f.datagram(time.Duration(i)*100*ms, addrA, b)
		if _, ok := value(in, rules.LinkLoss); ok {
			says++
		}
		got = append(got, in...)
	}
	if says != 29 {
		t.Errorf("loss was sampled %d times in 30 s, want 29", says)
	}
	if s, _ := value(got, rules.LinkLoss); math.Abs(s.Value-0.2) > 0.01 || s.Quality != rules.Good {
		t.Errorf("loss %+v, want 0.2", s)
	}
	// 11 s without loss: the old losses have left the window.
	got = nil
	for i := 300; i < 415; i++ {
		got = append(got, f.datagram(time.Duration(i)*100*ms, addrA, craft.frame(attitude(uint32(i*100), 0)))...)
	}
	if s, _ := value(got, rules.LinkLoss); s.Value != 0 {
		t.Errorf("loss %+v, want 0", s)
	}
}

func TestOvertakingIsNoLoss(t *testing.T) {
	f := feed(t, Config{})
	craft := sender{system: 1, component: 1}
	var last interlock.Sample
	for i := range 60 {
		a, b := craft.frame(heartbeat()), craft.frame(heartbeat())
		c, d := craft.frame(attitude(uint32(i*100), 0)), craft.frame(attitude(uint32(i*100+50), 0))
		got := f.datagram(time.Duration(i)*100*ms, addrA, b, a, d, c)
		if s, ok := value(got, rules.LinkLoss); ok {
			last = s
		}
	}
	// A sample may fall between a frame and the one it overtook.
	if last.Quality != rules.Good || last.Value > 0.03 {
		t.Errorf("loss %+v of a link that only swaps frames", last)
	}
	// A restart counts anew and is no loss.
	craft.seq += 100
	for i := range 12 {
		got := f.datagram(time.Duration(i)*time.Second+6*time.Second, addrA, craft.frame(attitude(uint32(i), 0)))
		if s, _ := value(got, rules.LinkLoss); s.Value > 0.03 {
			t.Errorf("loss %+v after a restart", s)
		}
	}
}

func TestLongSilenceIsLoss(t *testing.T) {
	f := feed(t, Config{})
	craft := sender{system: 1, component: 1}
	at := time.Duration(0)
	beat := func(d time.Duration) (last float64) {
		for end := at + d; at < end; at += 100 * ms {
			if s, ok := value(f.datagram(at, addrA, craft.frame(heartbeat())), rules.LinkLoss); ok {
				last = s.Value
			}
		}
		return last
	}
	beat(5 * time.Second)
	// 200 frames lost in 4 s of silence: a long gap, no frame that came late.
	at += 4 * time.Second
	craft.seq += 200
	if got := beat(1500 * ms); got < 0.7 {
		t.Errorf("200 lost, some 60 heard: loss %v", got)
	}
	// 60 s of silence and no gap in the numbers: what was lost before is old.
	at += 60 * time.Second
	if got := beat(1500 * ms); got != 0 {
		t.Errorf("a minute later: loss %v, want 0", got)
	}
}
