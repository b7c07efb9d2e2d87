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
	var got []interlock.Input
	for i := range 12 {
		got = append(got, f.datagram(time.Duration(i)*time.Second+6*time.Second, addrA, craft.frame(attitude(uint32(i), 0)))...)
	}
	if s, _ := value(got, rules.LinkLoss); s.Value > 0.03 {
		t.Errorf("loss %+v after a restart", s)
	}
}
