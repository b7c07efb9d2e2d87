package guard

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"downhaul/interlock"
)

const (
	audioRate = 8000 // samples a second
	pitch     = 2400 // Hz, in the band of small buzzers
	listened  = 1500 * ms
	envelope  = 10 * ms // an envelope has one value for each of these
)

// The rooms that the sounds are heard in. None of them is a measured one (common
// practice, no source): a field, a hall whose sound falls by 60 dB in a quarter of a
// second, a yard of hard walls in which it falls by 20 dB in that time, and one wall
// 43 m away that sends half of it back a quarter of a second later.
var rooms = []struct {
	name string
	back func(*rand.Rand) []float64
}{
	{"field", func(*rand.Rand) []float64 { return []float64{1} }},
	{"hall", func(r *rand.Rand) []float64 { return fading(r, 60) }},
	{"yard", func(r *rand.Rand) []float64 { return fading(r, 20) }},
	{"wall", func(*rand.Rand) []float64 {
		back := make([]float64, audioRate/4+1)
		back[0], back[len(back)-1] = 1, 0.5
		return back
	}},
}

// fading returns noise that falls by that many dB in a quarter of a second, and
// goes on for half a second.
func fading(r *rand.Rand, db float64) []float64 {
	back := make([]float64, audioRate/2)
	for i := range back {
		back[i] = r.NormFloat64() * math.Pow(10, -db/20*float64(i)/(audioRate/4))
	}
	return back
}

// rendered returns the sound as it leaves the buzzer, with the tone of the flash
// over its beginning where it has one.
func rendered(s interlock.Sound, flash bool) []float64 {
	tone := make([]float64, int(listened.Seconds()*audioRate))
	for i := range tone {
		at := time.Duration(i) * time.Second / audioRate
		on, _ := sounding(s, at)
		if on || flash && at < lampFor/2 {
			tone[i] = math.Sin(2 * math.Pi * pitch * float64(i) / audioRate)
		}
	}
	return tone
}

// envelopeIn returns how loud the tone is in a room, one root mean square for each
// step, the loudest 1.
func envelopeIn(tone, back []float64) []float64 {
	wet := make([]float64, len(tone))
	for k, b := range back {
		if b != 0 {
			for i, x := range tone[:len(tone)-k] {
				wet[i+k] += b * x
			}
		}
	}
	var out []float64
	for part := range slices.Chunk(wet, int(envelope.Seconds()*audioRate)) {
		sum := 0.0
		for _, x := range part {
			sum += x * x
		}
		out = append(out, math.Sqrt(sum/float64(len(part))))
	}
	top := slices.Max(out)
	for i := range out {
		out[i] /= top
	}
	return out
}

// likeness returns the correlation of two envelopes; 0 where one never changes.
func likeness(a, b []float64) float64 {
	mean := func(x []float64) (m float64) {
		for _, v := range x {
			m += v / float64(len(x))
		}
		return m
	}
	ma, mb := mean(a), mean(b)
	var aa, bb, ab float64
	for i := range a {
		x, y := a[i]-ma, b[i]-mb
		aa, bb, ab = aa+x*x, bb+y*y, ab+x*y
	}
	if aa < 1e-3 || bb < 1e-3 {
		return 0
	}
	return ab / math.Sqrt(aa*bb)
}

// Any two sounds are told apart within a second and a half, in each of the rooms
// and under the tone of the flash: their envelopes correlate by less than mostAlike,
// and all but a trip's falls at least once to under deepest of its loudest, where a
// trip's, once there, never does: the two of them stand for opposite acts.
func TestSoundsAreToldApartInAnEcho(t *testing.T) {
	const mostAlike, deepest, settled = 0.4, 0.6, 400 * ms
	type voice struct {
		sound interlock.Sound
		flash bool
	}
	voices := []voice{
		{interlock.SoundReset, false}, {interlock.SoundCaution, false}, {interlock.SoundClosing, false},
		{interlock.SoundBringDown, false}, {interlock.SoundTripped, false}, {interlock.SoundTripped, true},
		{interlock.SoundFault, false}, {interlock.SoundFault, true},
	}
	worst := math.Inf(-1)
	for _, room := range rooms {
		back := room.back(rand.New(rand.NewPCG(1, 2)))
		heard := map[voice][]float64{}
		for _, v := range voices {
			heard[v] = envelopeIn(rendered(v.sound, v.flash), back)
			low := slices.Min(heard[v][settled/envelope:])
			if trip := v.sound == interlock.SoundTripped; trip != (low > deepest) {
				t.Errorf("in the %s, %v (flash %v) falls to %.2f of its loudest", room.name, v.sound, v.flash, low)
			}
		}
		for i, a := range voices {
			for _, b := range voices[i+1:] {
				if a.sound == b.sound {
					continue
				}
				like := likeness(heard[a], heard[b])
				worst = max(worst, like)
				if like >= mostAlike {
					t.Errorf("in the %s, %v and %v (flash %v, %v) correlate by %.2f, want under %.2f", room.name, a.sound, b.sound, a.flash, b.flash, like, mostAlike)
				}
			}
		}
	}
	t.Logf("the two most alike correlate by %.2f", worst)
}

// A fault is a rhythm and never a held tone, and nobody beside the pad takes one of
// the sounds for another alarm: ISO 8201's evacuation signal is three tones of half a
// second, half a second apart, and a pause; a gas alarm's is four short tones and a
// pause (the latter from memory).
func TestSoundsThatBelongToOthers(t *testing.T) {
	for i, p := range patterns[interlock.SoundFault] {
		if i%2 == 0 && p > 500*ms {
			t.Errorf("a fault holds its tone for %v", p)
		}
	}
	for s, p := range patterns {
		if len(p) != 6 && len(p) != 8 {
			continue
		}
		var shortest, longest time.Duration = p[0], p[0]
		for i := 0; i < len(p); i += 2 {
			shortest, longest = min(shortest, p[i]), max(longest, p[i])
		}
		if longest < shortest*3/2 && p[len(p)-1] > p[1]*3/2 {
			t.Errorf("%v is %d like tones and a pause: %v", interlock.Sound(s), len(p)/2, p)
		}
	}
}
