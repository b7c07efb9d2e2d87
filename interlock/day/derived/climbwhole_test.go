package derived

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"downhaul/interlock/limits"
	"downhaul/rules"
)

// climbTold is one message with a climb, as the whole history keeps it.
type climbTold struct {
	at    time.Duration
	rates [3]float64 // of the three climbs, 0 for one that is not heard
}

// keptHeight is a height that was kept, or the one that is judged.
type keptHeight struct {
	at     time.Duration
	height float64
}

// climbHistory judges from all that was told since the last silence whether the source's
// climb runs against the height: the comment of climb, written down a second time.
type climbHistory struct {
	source  int
	told    []climbTold
	kept    []keptHeight
	newest  time.Duration // height
	against rules.Cause
}

// rose is what a climb adds up to from one time to another, both of messages.
func (h *climbHistory) rose(k int, from, to time.Duration) (sum float64) {
	for i := 1; i < len(h.told); i++ {
		if a, b := h.told[i-1], h.told[i]; a.at >= from && b.at <= to {
			sum += (a.rates[k] + b.rates[k]) / 2 * (b.at - a.at).Seconds()
		}
	}
	return sum
}

// add takes a message with a climb, and the last good height (quality Missing for none).
// A height counts once; where nothing is kept any more, an old one counts anew.
func (h *climbHistory) add(at time.Duration, rates [3]float64, height limits.Reading) {
	if n := len(h.told); n > 0 && at-h.told[n-1].at > 2*time.Second {
		h.told, h.kept = nil, nil
	}
	h.told = append(h.told, climbTold{at, rates})
	if height.Quality != rules.Good || height.At == h.newest && len(h.kept) > 0 {
		return
	}
	now := keptHeight{height.At, height.Value}
	if len(h.kept) > 0 {
		h.judge(now)
	}
	h.newest = now.at
	h.kept = slices.DeleteFunc(h.kept, func(k keptHeight) bool { return now.at-k.at > 5*time.Second })
	if n := len(h.kept); n == 0 || now.at-h.kept[n-1].at >= 250*time.Millisecond {
		h.kept = append(h.kept, now)
	}
}

func (h *climbHistory) judge(now keptHeight) {
	first := h.kept[0]
	rise := now.height - first.height
	moved := math.Abs(rise) >= 2
	off := func(k int) float64 { return math.Abs(rise - h.rose(k, first.at, now.at)) }
	follows := func(k int) bool { return moved && off(k) <= math.Abs(rise)/2 }
	if follows(h.source) {
		h.against = rules.NoCause
		return
	}
	if h.against == rules.NoCause {
		var ofHeight, ofClimb []float64
		step := 0.0
		for i, a := range h.kept {
			b := now
			if i+1 < len(h.kept) {
				b = h.kept[i+1]
			}
			up, told, s := b.height-a.height, h.rose(h.source, a.at, b.at), (b.at - a.at).Seconds()
			ofHeight, ofClimb = append(ofHeight, up/s), append(ofClimb, told/s)
			step = max(step, math.Abs(up-told))
		}
		spread := max(slices.Max(ofHeight)-slices.Min(ofHeight), slices.Max(ofClimb)-slices.Min(ofClimb))
		if off(h.source)-step <= 2+math.Abs(rise)/4+(1.5+(now.at-h.newest).Seconds())*spread {
			return
		}
	} else if !moved {
		return
	}
	h.against = rules.ClimbAgainst
	for k, cause := range []rules.Cause{rules.GlobalFits, rules.LocalFits, rules.HUDFits} {
		if k != h.source && follows(k) {
			h.against = cause
		}
	}
}

// Whatever comes (climbs that are turned, lag, step or fall silent, heights that rest,
// jump, and come at the borders of what is kept and of what is a silence), the climb is
// told, or is missing and for which cause, as the whole history gives. All numbers are
// eighths and sixteenths, so that what is at a border is there exactly.
func TestClimbAgainstTheWholeHistory(t *testing.T) {
	seen := map[rules.Cause]int{}
	turns := 0
	for seed := range uint64(1500) {
		dice := rand.New(rand.NewPCG(seed, 13))
		cfg := whole()
		cfg.ClimbSource = climbs[seed%3]
		heightID := rules.HeightGlobal
		if cfg.ClimbSource == rules.ClimbLocal {
			heightID = rules.HeightLocal
		}
		r := newRig(t, cfg, rules.Climb)
		h := climbHistory{source: int(seed % 3)}
		at, height, rate := 10*time.Second, 0.0, 0.0
		sign, heardAt := 1.0, [3]time.Duration{-time.Hour, -time.Hour, -time.Hour}
		last := [3]float64{}
		steady := seed%4 == 0
		for range 120 {
			gap := []time.Duration{125, 250, 375, 500, 250, 250}[dice.IntN(6)] * time.Millisecond
			if steady {
				gap = []time.Duration{125, 250, 500, 1000}[seed/4%4] * time.Millisecond
			}
			switch dice.IntN(30) {
			case 0:
				gap = 2 * time.Second
			case 1:
				gap = 2125 * time.Millisecond
			case 2:
				sign = -sign
				turns++
			case 3:
				height += []float64{-4, -2, 2, 3, 6}[dice.IntN(5)]
			}
			at += gap
			height += rate * gap.Seconds()
			if dice.IntN(8) == 0 {
				rate = float64(dice.IntN(17)-8) / 2
			}
			for k, id := range climbs {
				v := rate
				if k == h.source {
					v *= sign
				} else if k != int(seed%7) {
					continue // not heard
				} else if dice.IntN(6) == 0 {
					continue // this time
				}
				last[k], heardAt[k] = v, at
				if k != h.source {
					r.put(at, id, v)
				}
			}
			fresh := dice.IntN(5) > 0 || steady
			if fresh {
				r.put(at, heightID, height)
			} else if dice.IntN(4) == 0 {
				r.doubtful(at, heightID, height+8, rules.OutOfRange)
			}
			r.put(at, cfg.ClimbSource, last[h.source])
			var rates [3]float64
			for k := range rates {
				if at-heardAt[k] <= time.Second {
					rates[k] = last[k]
				}
			}
			h.add(at, rates, r.t[heightID])
			got := r.last[rules.Climb]
			if got.Cause != h.against || h.against == rules.NoCause && (got.Quality != rules.Good || got.Value != last[h.source]) {
				t.Fatalf("seed %d at %v: %+v, the whole history gives %v", seed, at, got, h.against)
			}
			seen[got.Cause]++
		}
	}
	t.Log(seen, turns)
	for _, c := range []rules.Cause{rules.NoCause, rules.ClimbAgainst, rules.GlobalFits, rules.LocalFits, rules.HUDFits} {
		if seen[c] < 200 {
			t.Errorf("%v only %d times: this tries little", c, seen[c])
		}
	}
}

// What the craft rose in a silence that begins anew is no part of the 2 m by which a climb
// must have followed the height to count again.
func TestClimbComesBackByWhatWasHeardAlone(t *testing.T) {
	r := newRig(t, whole(), rules.Climb)
	at, h := 50*time.Second, 3.0
	rise := func(by, told, metres float64) {
		for ; metres > 0; metres -= 0.25 * by {
			h += 0.25 * by
			r.put(at, rules.HeightGlobal, h)
			r.put(at, rules.ClimbGlobal, told)
			at += ms(250)
		}
	}
	rise(2, -2, 8)
	r.wantMissing(t, rules.Climb, rules.ClimbAgainst)
	for range 2 {
		at, h = at+ms(2250), h+1
		rise(2, 2, 1.5)
		r.wantMissing(t, rules.Climb, rules.ClimbAgainst)
	}
	rise(2, 2, 1.5)
	r.wantGood(t, rules.Climb, 2, 0)
}
