package report

// Across is what several sessions say together.
type Across struct {
	// Rows stand in the order of the sessions.
	Rows []AcrossRow `json:"rows"`
}

// AcrossRow is one session among others.
type AcrossRow struct {
	Session string `json:"session"`
	Number  int    `json:"number"`
	Runs    int    `json:"runs"`
	Trips   int    `json:"trips"`
	Near    int    `json:"near_misses"`
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
	a := Across{Rows: []AcrossRow{}}
	for _, s := range sessions {
		row := AcrossRow{Session: s.Session, Number: s.Number, Runs: len(s.Runs), Resistance: []*Quantity{}, Hovers: []HoverPoint{}}
		for i := range s.Episodes {
			row.Trips += len(s.Episodes[i].Trips)
		}
		for _, c := range s.Cautions {
			if c.Near {
				row.Near++
			}
		}
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
		a.Rows = append(a.Rows, row)
	}
	return a
}
