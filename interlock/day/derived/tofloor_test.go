package derived

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"downhaul/interlock/limits"
	"downhaul/rules"
)

// cellModel is a published model of one cell: its resting voltage at a charge, and
// what 1 A takes: at once, and by two slow parts (ohm, farad) one after the other.
type cellModel struct {
	name string
	amp  float64 // hours, of the published cell
	rest func(q float64) float64
	sag  func(q float64) (quick, r1, c1, r2, c2 float64)
}

var cellModels = []cellModel{
	// M. Chen and G. A. Rincón-Mora, IEEE Trans. Energy Conversion 21 (2006), 504:
	// lithium polymer, 0.85 Ah.
	{"lithium polymer", 0.85,
		func(q float64) float64 {
			return -1.031*math.Exp(-35*q) + 3.685 + 0.2156*q - 0.1178*q*q + 0.3201*q*q*q
		},
		func(q float64) (quick, r1, c1, r2, c2 float64) {
			return 0.1562*math.Exp(-24.37*q) + 0.07446,
				0.3208*math.Exp(-29.14*q) + 0.04669, -752.9*math.Exp(-13.51*q) + 703.6,
				6.603*math.Exp(-155.2*q) + 0.04984, -6056*math.Exp(-27.12*q) + 4475
		}},
	// O. Tremblay, L.-A. Dessaint and A.-I. Dekkiche, IEEE VPPC 2007: lithium-ion,
	// 1 Ah, from memory. It has one resistance; a third of it is taken for slow.
	{"lithium-ion", 1,
		func(q float64) float64 { return 3.7348 - 0.00876/q + 0.468*math.Exp(-3.5294*(1-q)) },
		func(float64) (quick, r1, c1, r2, c2 float64) { return 0.06, 0.015, 700, 0.015, 4500 }},
}

// hover is a flight of three such cells, one with 4 % less in it, until the weakest
// rests at nothing.
type hover struct {
	cell    cellModel
	rate    float64 // mean current over capacity, 1/h
	ohms    float64 // share of the published resistance: cells for high currents have less
	gusts   float64 // share of the current
	every   time.Duration
	noise   float64 // V, of a cell's reading
	floor   float64 // V, of a cell under load
	newPack bool    // BATTERY_STATUS with its cells; else SYS_STATUS
}

// fly feeds the flight, which stands 90 s first, and calls each after each message
// with the time left until the weakest cell under the mean load meets the floor.
func (h hover) fly(t *testing.T, seed uint64, each func(left float64, r limits.Result)) (missing, told int) {
	t.Helper()
	type reading struct {
		at               time.Duration
		volts, amps, low float64
		clean            float64
	}
	const step = 0.1
	var log []reading
	chance := rand.New(rand.NewPCG(seed, 7))
	charge, slow1, slow2 := [3]float64{1, 1, 0.96}, [3]float64{}, [3]float64{}
	gust, next, before := 0.0, time.Duration(0), 3.9
	for at := time.Duration(0); charge[2] > 0.012; at += ms(100) {
		mean := h.rate * h.cell.amp * 3.7 / before // what it takes to hover is a power
		if at < 90*time.Second {
			mean = 0.02 * h.cell.amp
		}
		gust += -gust*step/2 + h.gusts*math.Sqrt(step)*chance.NormFloat64() // fades in 2 s
		amps := math.Max(0, mean*(1+gust))
		r := reading{at: at, amps: math.Round(amps*100) / 100, low: math.Inf(1), clean: math.Inf(1)}
		before = 0
		for k := range charge {
			quick, r1, c1, r2, c2 := h.cell.sag(charge[k])
			slow1[k] += step * (amps - slow1[k]/(r1*h.ohms)) / (c1 / h.ohms)
			slow2[k] += step * (amps - slow2[k]/(r2*h.ohms)) / (c2 / h.ohms)
			rest := h.cell.rest(charge[k]) - slow1[k] - slow2[k]
			volts := rest - amps*quick*h.ohms
			before += volts / 3
			read := math.Round((volts+h.noise*chance.NormFloat64())*1000) / 1000
			r.volts += read
			r.low, r.clean = math.Min(r.low, read), math.Min(r.clean, rest-mean*quick*h.ohms)
			charge[k] -= amps * step / 3600 / h.cell.amp
		}
		if at >= next && r.low > 2 {
			next += h.every
			log = append(log, r)
		}
	}
	end := -1.0
	for _, r := range log {
		if r.clean <= h.floor {
			end = seconds(r.at)
			break
		}
	}
	if end < 300 {
		t.Fatalf("the floor is met after %v s: no hover to try", end)
	}
	cfg := whole()
	cfg.PackFloor = 3 * h.floor
	if h.newPack {
		cfg.PackVoltage, cfg.PackCurrent = rules.Pack1Voltage, rules.Pack1Current
	}
	rig := newRig(t, cfg, rules.PackToFloor)
	for _, r := range log {
		left := end - seconds(r.at)
		if left <= 0 {
			break
		}
		rig.put(r.at, cfg.PackCurrent, r.amps)
		rig.put(r.at, cfg.PackVoltage, r.volts)
		if h.newPack {
			rig.put(r.at, rules.Pack1LowestCell, r.low)
		}
		if r.at < floorSpan+h.every {
			continue
		}
		told++
		if got := rig.last[rules.PackToFloor]; got.Quality == rules.Missing {
			missing++
		} else {
			each(left, got)
		}
	}
	return missing, told
}

// A hover to the floor, by two published curves, links and floors: never missing
// after the first minute, no trip of "below 60 s" while more than 120 s are left,
// and in the last minute at most 1.3 times the truth (and 3 s, two messages). A
// knee that comes later and sharper than the lithium polymer cell's is told up to
// twice the truth.
func TestPackToFloorOfAModelledHover(t *testing.T) {
	slow := 1600 * time.Millisecond
	for _, h := range []hover{
		{cell: cellModels[0], rate: 3, ohms: 0.35, gusts: 0.05, every: slow, noise: 0.003, floor: 3.4, newPack: true},
		{cell: cellModels[0], rate: 4, ohms: 0.35, gusts: 0.05, every: slow, noise: 0.003, floor: 3.3, newPack: true},
		{cell: cellModels[0], rate: 4, ohms: 0.35, gusts: 0.05, every: 3200 * time.Millisecond, noise: 0.003, floor: 3.5, newPack: true},
		{cell: cellModels[0], rate: 4, ohms: 0.35, gusts: 0.05, every: ms(100), noise: 0.003, floor: 3.4, newPack: true},
		{cell: cellModels[0], rate: 6, ohms: 0.2, gusts: 0.05, every: ms(500), noise: 0.003, floor: 3.4, newPack: true},
		{cell: cellModels[0], rate: 1.5, ohms: 0.6, gusts: 0.05, every: slow, noise: 0.003, floor: 3.4, newPack: true},
		{cell: cellModels[1], rate: 4, ohms: 0.3, gusts: 0.05, every: slow, noise: 0.003, floor: 3.4, newPack: true},
		{cell: cellModels[1], rate: 2, ohms: 0.5, gusts: 0.05, every: slow, noise: 0.003, floor: 3.4, newPack: true},
	} {
		name := fmt.Sprintf("%s %gC floor %g every %v", h.cell.name, h.rate, h.floor, h.every)
		t.Run(name, func(t *testing.T) {
			for seed := range uint64(4) {
				trips, below, late, last, worst := 0, false, 0, 0, 0.0
				times := 1.3
				if h.cell.amp == 1 {
					times = 2
				}
				missing, told := h.fly(t, seed, func(left float64, r limits.Result) {
					if left > 120 {
						trips, below = trips+b2i(r.Value < 60 && !below), r.Value < 60
					}
					if left < 60 {
						last++
						late += b2i(r.Value > times*left+3)
						worst = math.Max(worst, r.Value/(left+3))
					}
				})
				if missing > 0 || trips > 0 || late*20 > last {
					t.Errorf("flight %d: missing %d of %d, %d false trips, %d of the last minute's %d values too long, worst %.2f", seed, missing, told, trips, late, last, worst)
				}
			}
		})
	}
}

func b2i(b bool) int {
	if b {
		return 1
	}
	return 0
}

// settled is a pack of three cells that has told its voltage and 10 A for two minutes.
func settled(t *testing.T, fall float64) (*rig, time.Duration) {
	t.Helper()
	r := newRig(t, whole(), rules.PackToFloor) // floor 10.2 V
	at := time.Duration(0)
	for ; at <= 2*time.Minute; at += ms(500) {
		load(r, at, 11.7-fall*seconds(at), 10)
		if at < floorSpan {
			r.wantMissing(t, rules.PackToFloor, rules.NotFilled)
		}
	}
	return r, at - ms(500)
}

// What is told of a pack that does not fall, of one that is at its floor, without its
// current, after a silence; and that a line stays a line above the knee.
func TestPackToFloor(t *testing.T) {
	r, at := settled(t, 0)
	r.wantGood(t, rules.PackToFloor, rules.PackToFloor.Channel().High, 0)
	// No current belongs to it, or no voltage.
	r.miss(at+ms(100), rules.SupplyCurrent, rules.Sentinel)
	r.put(at+ms(100), rules.SupplyVoltage, 11.1)
	r.wantMissing(t, rules.PackToFloor, rules.InputMissing)
	r.miss(at+ms(200), rules.SupplyVoltage, rules.Implausible)
	r.wantMissing(t, rules.PackToFloor, rules.InputMissing)
	// A doubtful one is told, and is in no line.
	r.put(at+ms(300), rules.SupplyCurrent, 10)
	r.doubtful(at+ms(300), rules.SupplyVoltage, 10.3, rules.OutOfRange)
	r.wantDoubtful(t, rules.PackToFloor, rules.OutOfRange)
	load(r, at+ms(500), 11.7, 10)
	r.wantGood(t, rules.PackToFloor, rules.PackToFloor.Channel().High, 0)
	// The floor, at once.
	load(r, at+ms(1000), 10.2, 10)
	r.wantGood(t, rules.PackToFloor, 0, 0)
	// After more than a minute of silence it begins anew.
	load(r, at+ms(1000)+floorSpan, 11.7, 10)
	if got := r.last[rules.PackToFloor]; got.Quality != rules.Good {
		t.Errorf("after a minute: %+v", got)
	}
	load(r, at+ms(1001)+2*floorSpan, 11.7, 10)
	r.wantMissing(t, rules.PackToFloor, rules.NotFilled)

	// 11.4 V and 2.5 mV/s less: 480 s on a line, of which the knee takes.
	r, _ = settled(t, 0.0025)
	if got := r.last[rules.PackToFloor]; got.Quality != rules.Good || got.Value < 100 || got.Value > 480 {
		t.Errorf("expected less than the 480 s of a line, got %+v", got)
	}
	// With a floor above the knee it is the line's.
	cfg := whole()
	cfg.PackFloor = 11.25
	r = newRig(t, cfg, rules.PackToFloor)
	for at := time.Duration(0); at <= 2*time.Minute; at += ms(500) {
		load(r, at, 12-0.0025*seconds(at), 10)
	}
	r.wantGood(t, rules.PackToFloor, (11.7-11.25)/0.0025, 6)
}

// The lowest cell counts, not the mean: 0.1 V below it, 0.1 V less to the floor. It is
// told behind the voltage of its message, or in a slower message beside the supply's.
func TestPackToFloorOfTheLowestCell(t *testing.T) {
	for _, supply := range []bool{false, true} {
		cfg := whole()
		cfg.PackFloor = 11.25
		if !supply {
			cfg.PackVoltage, cfg.PackCurrent = rules.Pack1Voltage, rules.Pack1Current
		}
		r := newRig(t, cfg, rules.PackToFloor)
		for k := range 400 {
			at := time.Duration(k) * ms(500)
			volts := 12.3 - 0.0015*seconds(at)
			r.put(at, cfg.PackCurrent, 10)
			r.put(at, cfg.PackVoltage, volts)
			if !supply || k%7 == 3 {
				r.put(at+ms(50), rules.Pack1Voltage, volts)
				r.put(at+ms(50), rules.Pack1LowestCell, volts/3-0.1)
			}
		}
		r.wantGood(t, rules.PackToFloor, 3*(4-0.1-3.75)/0.0015, 6)
	}
}

// The curve is the published one to 0.03 V from 2 % of the charge to 60 %, and its
// inverse is its inverse.
func TestRestingCurve(t *testing.T) {
	for q := 0.02; q <= 0.6; q += 0.01 {
		if got, want := restAt(q), cellModels[0].rest(q); math.Abs(got-want) > 0.03 {
			t.Errorf("at %v: %v V, published %v", q, got, want)
		}
		if got := chargeAt(restAt(q)); math.Abs(got-q) > 1e-9 {
			t.Errorf("%v comes back as %v", q, got)
		}
	}
	// Below the empty cell's 2.65 V it goes on, so that a lower floor is met late, and at
	// its ends it stays.
	for volts, want := range map[float64]float64{2.5: -0.0040, -1000: -0.125, 100: 8} {
		if got := chargeAt(volts); math.Abs(got-want) > 1e-4 {
			t.Errorf("%v V is a charge of %v, want %v", volts, got, want)
		}
	}
	if got := restAt(chargeAt(2.5)); math.Abs(got-2.5) > 1e-9 {
		t.Errorf("2.5 V comes back as %v", got)
	}
}

// The charge at a voltage is the last of 2^40 steps over the curve that still lies below
// it: at the voltage of a step that is the one before. A record holds every digit of what
// rests on it, so that a replay of it finds the same.
func TestTheChargeIsTheLastStepBelow(t *testing.T) {
	const step = 8.125 / (1 << 40)
	at := func(k int64) float64 { return -0.125 + float64(k)*step }
	for volts := 2.5; volts < 4.5; volts += 0.01 {
		low, high := int64(0), int64(1)<<40 // the first step in [low, high] that is not below volts
		for low < high {
			if k := (low + high) / 2; restAt(at(k)) >= volts {
				high = k
			} else {
				low = k + 1
			}
		}
		if got, want := chargeAt(volts), at(low-1); got != want {
			t.Errorf("%v V is a charge of %v, want %v", volts, got, want)
		}
	}
	for _, q := range []float64{0.5 * (8 - 0.125), 0.890625, 0.3828125} { // where the halving comes by
		if got := chargeAt(restAt(q)); got != q-step {
			t.Errorf("at the charge %v itself: %v, want the step below", q, got)
		}
	}
}

// A line that is where it should be has no time left, whether it falls or not; one that
// falls too slowly for the channel's range has the longest time of that, and never more,
// however the quotient is rounded.
func TestReachesAtItsBorders(t *testing.T) {
	most := rules.PackToFloor.Channel().High
	slow := 0.0 // a fall at which the time, worked out, is past the range by a rounding
	for s := 1e-6; s < 2e-6 && slow == 0; s += 1e-9 {
		if float64(most*s)/s > most {
			slow = s
		}
	}
	if slow == 0 {
		t.Fatal("no fall was found that rounds past the range")
	}
	for _, c := range []struct{ left, falls, want float64 }{
		{0, 0, 0}, {0, 0.001, 0}, {0, -0.001, 0}, {-0.1, 0, 0}, {-0.1, 0.001, 0},
		{0.5, 0, most}, {0.5, -0.001, most}, {0.5, 1e-9, most}, {most * slow, slow, most},
		{0.5, 0.001, 500}, {0.5, 0.25, 2},
	} {
		f := toFloor{n: 1, xx: 1, y: [2]float64{3.5 + c.left}, xy: [2]float64{-c.falls}}
		if c.left == float64(most*slow) {
			f.y[0] = c.left // 3.5 V would round it
			if got := f.reaches(0, 0); got != most {
				t.Errorf("a fall of %v V/s: %v s, want %v", c.falls, got, most)
			}
			continue
		}
		if got := f.reaches(0, 3.5); math.Abs(got-c.want) > 1e-9 {
			t.Errorf("%v V left, falling %v V/s: %v s, want %v", c.left, c.falls, got, c.want)
		}
	}
}

// With no good voltage yet there is no line, however late the first doubtful one comes.
func TestPackToFloorBeforeItsFirstVoltage(t *testing.T) {
	for _, at := range []time.Duration{0, floorSpan - 1, floorSpan, time.Hour} {
		r := newRig(t, whole(), rules.PackToFloor)
		r.put(at, rules.SupplyCurrent, 10)
		r.doubtful(at, rules.SupplyVoltage, 11.5, rules.OutOfRange)
		r.wantMissing(t, rules.PackToFloor, rules.NotFilled)
	}
}
