package report

import (
	"math"
	"testing"

	"downhaul/interlock"
	"downhaul/interlock/before/bench"
	"downhaul/interlock/day/intake"
	"downhaul/interlock/records/recording"
	"downhaul/rules"
	"downhaul/rules/architecture"
)

// TestPacks_RealFlight: of the recording of a real small quadrotor it is noted
// beside it: pack 10.04 to 11.36 V, 0.12 to 24.51 A, and 0.039 Ω from current
// steps over 1 A.
func TestPacks_RealFlight(t *testing.T) {
	name := architecture.Data(t, "telemetry/quad-crash-then-mission.pcap")[0]
	env, faults := rules.ReadEnvelope("e.toml", []byte("version = 1\n[[rule]]\nname = \"low\"\nwatch = \"pack.voltage\"\nbelow = \"1 V\"\nstop = \"immediate\"\n"))
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	setup, _, err := bench.Watching([]string{name}, env, nil)
	if err != nil {
		t.Fatal(err)
	}
	rec, err := recording.Open(name)
	if err != nil {
		t.Fatal(err)
	}
	defer rec.Close()
	ch := &channels{}
	b := newBattery("pack", packCells(0))
	b.listen(ch)
	_, err = bench.Replay(name, rec, setup, bench.Seeing(ch.wants,
		func(_ *intake.Chunk, _ []interlock.Input, told []bench.Told) { ch.take(told) }))
	if err != nil {
		t.Fatal(err)
	}
	p := b.pack("", "metric")
	near := func(what string, q *Quantity, want, within float64) {
		t.Helper()
		if q == nil || math.Abs(q.Value-want) > within {
			t.Errorf("%s: %v, want %v", what, q, want)
		}
	}
	near("resistance", p.Resistance, 0.039, 0.0005)
	near("lowest voltage", p.Lowest, 10.04, 0.005)
	near("largest current", p.Most, 24.51, 0.005)
	// By Ohm's law no sag is larger than what the largest current makes.
	if p.Sag == nil || p.Sag.Value > 24.51*0.045 || p.Sag.Value < 0.5 {
		t.Errorf("sag %v", p.Sag)
	}
}

// TestPacks_ChargeIsTheSumOfTheCurrent: 10 A for 6 minutes are 1 Ah, by the
// ampere hour's own meaning (3600 C); a silence of a minute in it is left out,
// and said.
func TestPacks_ChargeIsTheSumOfTheCurrent(t *testing.T) {
	for _, c := range []struct {
		gap  bool
		want float64
	}{{false, 3600}, {true, 3000}} {
		ch := &channels{}
		b := newBattery("pack", packCells(0))
		b.listen(ch)
		for s := 0; s <= 360; s++ {
			if c.gap && s > 100 && s < 160 {
				continue
			}
			send(ch, seconds10(s), rules.Pack1Current, 10)
			send(ch, seconds10(s), rules.Pack1Voltage, 50)
		}
		p := b.pack("", "metric")
		if p.Charge == nil || math.Abs(p.Charge.Value-c.want) > 1e-6 {
			t.Errorf("gap %v: charge %v C, want %v", c.gap, p.Charge.Value, c.want)
		}
		if said := len(p.Doubts) > 0 && contains(p.Doubts, "was not told for 60 s"); said != c.gap {
			t.Errorf("gap %v: doubts %q", c.gap, p.Doubts)
		}
	}
}
