package report

import (
	"fmt"
	"slices"
	"strings"

	"downhaul/interlock/records/session"
	"downhaul/rules/words"
)

// Across is what several sessions say together.
type Across struct {
	// Rows stand in the order of the sessions.
	Rows []AcrossRow `json:"rows"`
	// Worn is what the sessions together took out of craft and chain.
	Worn Worn `json:"counted"`
	// Packs is the same of each pack that was declared for a run, by its name.
	Packs []PackWorn `json:"counted_of_packs"`

	crafts int // that the sessions name; more than one share the chain and nothing else
}

// Says is what was counted, in one sentence.
func (a *Across) Says() string {
	if a.crafts > 1 {
		return fmt.Sprintf("%s, of %d crafts together", a.Worn.Says(), a.crafts)
	}
	return a.Worn.Says()
}

// PackWorn is what sessions took out of one pack; its openings are those of its runs.
type PackWorn struct {
	Pack string `json:"pack"`
	Worn
}

// Worn counts what wears: starts, the time with power on, and openings of the
// contactor. Sessions that only watched held no relay and count for nothing.
type Worn struct {
	Starts   int     `json:"starts"`
	LiveS    float64 `json:"live_s"`
	Openings int     `json:"openings"`
}

// Says is the count in one sentence.
func (w *Worn) Says() string {
	return fmt.Sprintf("%s, power on for %s, %s of the contactor", words.Count(w.Starts, "start"), Took(&Quantity{Value: w.LiveS}), words.Count(w.Openings, "opening"))
}

// AcrossRow is one session among others.
type AcrossRow struct {
	Session string `json:"session"`
	Number  int    `json:"number"`
	Runs    int    `json:"runs"`
	Trips   int    `json:"trips"`
	// Faults are those of the chain.
	Faults int `json:"chain_faults"`
	Near   int `json:"near_misses"`
	// Resistance is that of each pack in order, Drop the longest time from relay
	// to readback.
	Resistance []*Quantity  `json:"resistance"`
	Drop       *Quantity    `json:"longest_relay_to_readback"`
	Hovers     []HoverPoint `json:"hovers"`
}

// HoverPoint is the hover output of one run at its ballast.
type HoverPoint struct {
	Run     int       `json:"run"`
	Step    string    `json:"step"`
	Ballast *Quantity `json:"ballast"`
	Output  *Quantity `json:"output"`
}

func acrossOf(sessions []*Session) Across {
	a := Across{Rows: []AcrossRow{}, Packs: []PackWorn{}}
	count := counted(sessions)
	crafts := map[string]bool{}
	for _, s := range sessions {
		if s.Duty != session.DutyWatch && slices.Contains(count, s) {
			a.wear(s)
			if s.craft != "" && len(s.Runs) > 0 {
				crafts[strings.ToLower(s.craft)] = true
				a.crafts = len(crafts)
			}
		}
		a.Rows = append(a.Rows, acrossRow(s))
	}
	return a
}

func acrossRow(s *Session) AcrossRow {
	row := AcrossRow{Session: s.Session, Number: s.Number, Runs: len(s.Runs), Faults: len(s.ChainFaults), Resistance: []*Quantity{}, Hovers: []HoverPoint{}}
	row.Trips = s.trips(func(string) bool { return true })
	row.Near = nearMisses(s.Spans)
	for _, p := range s.Packs {
		row.Resistance = append(row.Resistance, p.Resistance)
	}
	for _, o := range s.Openings {
		if o.DropOut != nil && (row.Drop == nil || o.DropOut.Value > row.Drop.Value) {
			row.Drop = o.DropOut
		}
	}
	for _, r := range s.Runs {
		if r.Hover != nil {
			row.Hovers = append(row.Hovers, HoverPoint{r.Number, r.Step, r.Ballast, r.Hover})
		}
	}
	return row
}

// wear adds what a session took out of craft, chain and packs.
func (a *Across) wear(s *Session) {
	a.Worn.Openings += len(s.Openings)
	for _, r := range s.Runs {
		own := Worn{Starts: 1, LiveS: r.Lasted.Value}
		for _, o := range s.Openings {
			if o.Run == r.Number {
				own.Openings++
			}
		}
		a.Worn.Starts++
		a.Worn.LiveS += own.LiveS
		for _, name := range r.Packs {
			w := a.pack(name)
			w.Starts++
			w.LiveS += own.LiveS
			w.Openings += own.Openings
		}
	}
}

// pack returns the count of a pack; the card takes its name in any case.
func (a *Across) pack(name string) *Worn {
	i := slices.IndexFunc(a.Packs, func(p PackWorn) bool { return strings.EqualFold(p.Pack, name) })
	if i < 0 {
		i, a.Packs = len(a.Packs), append(a.Packs, PackWorn{Pack: name})
	}
	return &a.Packs[i].Worn
}
