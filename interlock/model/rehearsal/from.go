package rehearsal

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"time"

	"downhaul/interlock/model/craftmodel"
	"downhaul/rules"
)

// Recorded is one run of a session as its recording has it, in time of the session.
type Recorded struct {
	Begin, End   time.Duration // power came on, and went off or the recording ended
	Height, Wind []Point       // m; m/s at the anemometer
	// How is how the run ended, in words.
	How string
}

// How a recording is followed; ours.
const (
	windEvery   = 500 * time.Millisecond
	heightEvery = 250 * time.Millisecond
	moves       = 0.05            // m; less of a change of height is not flown
	aloft       = 0.15            // m; below it the craft stands
	ahead       = time.Second     // the model's pilot is told of a height so much sooner
	goesOn      = 5 * time.Second // of hover behind the recording's end
)

// Scenario makes of a recording what the model's craft is told to do: the wind of each
// half second, and the heights, on which its pilot is sent along. The returned texts say
// what of the day stays unknown.
func (r *Recorded) Scenario(s *Setup) (out *craftmodel.Scenario, unknown []string) {
	length := r.End - r.Begin
	text := "title The recorded flight again\nturbulence none\n"
	type line struct {
		at   time.Duration
		says string
	}
	var lines []line
	add := func(at time.Duration, format string, args ...any) {
		lines = append(lines, line{max(0, at), fmt.Sprintf(format, args...)})
	}
	if winds := means(r.Wind, r.Begin, r.End, windEvery); len(winds) > 0 {
		last := -1.0
		for i, v := range winds {
			if !math.IsNaN(v) && math.Abs(v-last) > 0.05 {
				add(time.Duration(i)*windEvery, "wind %.2f m/s", v)
				last = v
			}
		}
		unknown = append(unknown, "the wind's direction and its part upwards: it blows one way, with the speed that the anemometer told")
	} else {
		text = "title The recorded flight again\n"
		unknown = append(unknown, fmt.Sprintf("the wind: no anemometer was heard, so it is a calm day's, %s", s.Show(s.Craft.Config.Wind, rules.Speed)))
	}
	fastest, up := 0.0, false
	told := 0.0
	heights := means(r.Height, r.Begin, r.End, heightEvery)
	for i, v := range heights {
		at := time.Duration(i) * heightEvery
		if math.IsNaN(v) {
			continue
		}
		if i > 0 && !math.IsNaN(heights[i-1]) {
			fastest = math.Max(fastest, (v-heights[i-1])/heightEvery.Seconds())
		}
		switch {
		case v > aloft && !up:
			add(at-ahead-400*time.Millisecond, "arm")
			add(at-ahead, "climb to %.2f m", v)
			up, told = true, v
		case v > aloft && math.Abs(v-told) > moves:
			add(at-ahead, "climb to %.2f m", v)
			told = v
		case v <= aloft && up:
			add(at-ahead, "land")
			up = false
		}
	}
	unknown = append(unknown, "what the pilot wanted: the model's pilot goes to the heights that were told, and to no place but over the anchor",
		"why the craft moved as it did: a fault of craft or autopilot is flown again only as far as its heights show it",
		"charge and age of the packs, and what the link lost")
	if limit := craftmodel.ClimbRate; fastest > 1.5*limit {
		unknown = append(unknown, fmt.Sprintf("the fastest climb: %s were told, and the model's pilot climbs with %s at most", s.Show(fastest, rules.Speed), s.Show(limit, rules.Speed)))
	}
	end := length
	if up {
		unknown = append(unknown, fmt.Sprintf("what would have come behind %s (%s): the craft hovers on for %.0f s, and lands", rules.FormatDuration(length.Round(10*time.Millisecond)), r.How, goesOn.Seconds()))
		end += goesOn
	}
	slices.SortStableFunc(lines, func(a, b line) int { return int(a.at - b.at) })
	for _, l := range lines {
		text += fmt.Sprintf("at %.3f s %s\n", l.at.Seconds(), l.says)
	}
	text += fmt.Sprintf("at %.3f s end\n", math.Max(end.Seconds(), 1))
	out, err := craftmodel.ParseScenario("the recording", text)
	if err != nil {
		panic(err) // made above
	}
	return out, unknown
}

// means returns the mean of each stretch between two times; NaN where nothing was told.
func means(of []Point, from, to, every time.Duration) []float64 {
	if len(of) == 0 {
		return nil
	}
	sums := make([]float64, int((to-from)/every)+1)
	counts := make([]float64, len(sums))
	for _, p := range of {
		if i := int((p.At - from) / every); p.At >= from && i < len(sums) {
			sums[i] += p.V
			counts[i]++
		}
	}
	for i := range sums {
		sums[i] /= counts[i]
	}
	return sums
}

// Apart is how far a flight's height was from the recorded one: the greatest difference
// and the one that half of the time was not passed, m, up to the end of either. It is
// false where the two have no time together.
func (r *Recorded) Apart(c *Course) (greatest, half float64, ok bool) {
	var off []float64
	for _, p := range c.Height {
		at := p.At - c.Live + r.Begin
		if p.At < c.Live || at > r.End || c.Off >= 0 && p.At > c.Off {
			continue
		}
		i := sort.Search(len(r.Height), func(i int) bool { return r.Height[i].At > at })
		if i > 0 && at-r.Height[i-1].At < time.Second {
			off = append(off, math.Abs(p.V-r.Height[i-1].V))
		}
	}
	if len(off) == 0 {
		return 0, 0, false
	}
	slices.Sort(off)
	return off[len(off)-1], off[len(off)/2], true
}
