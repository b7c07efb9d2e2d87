package emulated

import (
	"flag"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"downhaul/interlock/day/answers/told"
)

var measure = flag.Bool("measure", false, "measure times on the emulated board; they are no figures of any board")

// spread is a sample's least, middle, nine in ten, and most.
func spread(d []time.Duration) string {
	slices.Sort(d)
	at := func(share float64) time.Duration {
		return d[int(share*float64(len(d)-1))].Round(10 * time.Microsecond)
	}
	return fmt.Sprintf("n %d: least %v, middle %v, 90 %% %v, most %v", len(d), at(0), at(0.5), at(0.9), at(1))
}

// TestMeasures prints what can be measured at the pins of the emulated board:
// go test -run TestMeasures -v ./hw/emulated -measure
func TestMeasures(t *testing.T) {
	if !*measure {
		t.Skip("measures only when asked with -measure")
	}
	r := boot(t, Config{}, layouts...)
	t.Logf("boot to first command %v", r.m.Booted.Round(time.Millisecond))

	// What a pin that was pulled high shows while it becomes an output that is
	// low.
	must(t, r.m.Set(everyLine["relay"], true))
	from := r.out.Now()
	r.do("pinwork hold 300ms")
	t.Logf("relay's pin pulled high from outside, then opened low: %v", switched(r.out.History(from), "relay"))
	must(t, r.m.Set(everyLine["relay"], false))

	var safe []time.Duration
	for range 20 {
		r.do("pinwork beat 0s 60s & P=$!; sleep 0.4; kill -KILL $P; wait $P; true")
		r.within(atOnce, "the relay left high", r.out.RelayOn)
		r.do("rm -rf /log/* /log/.last-session.json")
		from := r.out.Now()
		r.do("downhauld --pad /pads/horn/pad.toml >/dev/null 2>&1 & GUARD=$!")
		r.within(atOnce, "the relay low", func() bool { return !r.out.RelayOn() })
		safe = append(safe, switched(r.out.History(from), "relay")[0].At-from)
		r.do("kill -TERM $GUARD; wait $GUARD; true")
	}
	t.Logf("command to start the daemon, to relay low: %s", spread(safe))

	for _, hz := range []float64{50, 100, 500} {
		const length = 10 * time.Second
		r.do("pinwork edges 13s >/tmp/edges & P=$!; sleep 1")
		half := time.Duration(float64(time.Second) / hz / 2)
		sent, level := 0, false
		for began := time.Now(); time.Since(began) < length; sent++ {
			time.Sleep(time.Until(began.Add(time.Duration(sent) * half)))
			level = !level
			must(t, r.m.Set(eighth("anemometer")["anemometer"], level))
		}
		out := r.do("wait $P; cat /tmp/edges")
		n := number(t, out)
		t.Logf("%v Hz: %d edges sent, %v told, %v numbered as lost, %.2f %% not told", hz, sent, n["edges"], n["lost"], 100*(1-n["edges"]/float64(sent)))
	}

	r.guard(hornPad, true)
	r.makeLive()
	ticks := func() float64 {
		f := strings.Fields(r.do("cat /proc/$GUARD/stat"))
		var user, system float64
		_, err := fmt.Sscan(f[13]+" "+f[14], &user, &system)
		must(t, err)
		return user + system
	}
	before, began := ticks(), time.Now()
	beats := r.out.Now()
	time.Sleep(30 * time.Second)
	used := (ticks() - before) / 100 / time.Since(began).Seconds()
	var gaps []time.Duration
	at := r.out.Beats(beats)
	for i := 1; i < len(at); i++ {
		gaps = append(gaps, at[i]-at[i-1])
	}
	s := r.status()
	t.Logf("live for 30 s: %.0f %% of the emulated processor, longest gap of the loop since its start %.1f ms", 100*used, 1e3*s.Loop.WorstGapS)
	t.Logf("spacing of heartbeat edges seen from outside: %s", spread(gaps))

	var tilted, stopped []time.Duration
	for range 20 {
		r.makeLive()
		r.line.set(false, true)
		r.within(atOnce, "the relay low", func() bool { return !r.out.RelayOn() })
		sent := r.line.firstTilted()
		r.line.set(false, false)
		h := switched(r.out.History(0), "relay")
		tilted = append(tilted, h[len(h)-1].At-sent.Sub(r.out.began))
		r.until("tripped", func(s told.Status) bool { return s.State == "tripped" })
		r.makeLive()
		from := r.out.Now()
		r.contact("estop_a", false)
		r.contact("estop_b", false)
		r.within(atOnce, "the relay low", func() bool { return !r.out.RelayOn() })
		h = switched(r.out.History(0), "relay")
		stopped = append(stopped, h[len(h)-1].At-from)
		r.contact("estop_a", true)
		r.contact("estop_b", true)
		r.until("tripped", func(s told.Status) bool { return s.State == "tripped" })
	}
	t.Logf("datagram that leaves a limit, to relay low: %s", spread(tilted))
	t.Logf("emergency stop opened, to relay low: %s", spread(stopped))
	r.end()
}

// number reads "edges 12 lost 0 ..." as its figures by word.
func number(t *testing.T, text string) map[string]float64 {
	t.Helper()
	out := map[string]float64{}
	words := strings.Fields(text)
	for i := 0; i+1 < len(words); i += 2 {
		var v float64
		if _, err := fmt.Sscan(words[i+1], &v); err != nil {
			t.Fatalf("%q: %v", text, err)
		}
		out[words[i]] = v
	}
	return out
}
