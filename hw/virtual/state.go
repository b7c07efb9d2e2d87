package virtual

import "time"

// stateVersion is the version of State as JSON.
const stateVersion = 1

// State is what can be seen of a virtual board. Times are seconds since the
// board was opened.
type State struct {
	Version int     `json:"version"`
	At      float64 `json:"at_s"`
	// Note states what the board is not.
	Note    string        `json:"note"`
	Inputs  []InputState  `json:"inputs"`
	Outputs []OutputState `json:"outputs"`
	// Watchdog: it sees a good heartbeat and holds.
	Watchdog bool `json:"watchdog_holds"`
	// Coil: current flows through the contactor's coil.
	Coil bool `json:"coil_energised"`
	// Power: the contactor's main contact is closed, power reaches the rotors.
	Power     bool       `json:"power_at_rotors"`
	Contactor string     `json:"contactor"` // "open" or "closed"
	Heartbeat BeatState  `json:"heartbeat"`
	Wind      float64    `json:"anemometer_hz"`
	Load      *float64   `json:"load_n"` // nil: no load cell
	Faults    []FaultRow `json:"faults"` // what break brought in
	// Dropped counts output edges that the trace no longer holds.
	Dropped uint64 `json:"trace_dropped"`
}

// InputState is one input line.
type InputState struct {
	Name string `json:"name"`
	// Level is the electrical level that the guard reads: 1 is high.
	Level int `json:"level"`
	// Says is the contact itself in plain words, whatever its wire does.
	Says       string `json:"says"`
	WireBroken bool   `json:"wire_broken"`
	// Wired: the contact is wired to an input of the guard. An emergency stop
	// that is not still stands in the coil's supply.
	Wired bool `json:"wired"`
	// Since is when the level last changed, as far as it was looked at; the board's
	// opening where it never did.
	Since float64 `json:"since_s"`
}

// OutputState is one output line.
type OutputState struct {
	Name string `json:"name"`
	On   bool   `json:"on"`
	Says string `json:"says"`
	// Changed is when it last changed; nil is never.
	Changed *float64 `json:"changed_s"`
}

// BeatState sums up the heartbeat's edges. The gaps are those among the last
// 1024 edges, nil with fewer than two.
type BeatState struct {
	Edges    uint64   `json:"edges"`
	LeastGap *float64 `json:"least_gap_s"`
	MostGap  *float64 `json:"most_gap_s"`
}

// FaultRow is one fault that is in.
type FaultRow struct {
	Name string `json:"name"`
	Says string `json:"says"`
}

const rehearsal = "virtual board: a rehearsal, no safety function"

var outputSays = [4][2]string{
	relayLine:     {"off: the guard asks for no power", "on: the guard asks for power"},
	heartbeatLine: {"low", "high"},
	buzzerLine:    {"silent", "sounding"},
	lampLine:      {"dark", "lit"},
}

// Show is the board as it is now. It fails on a closed board.
func (v *Board) Show() (State, error) {
	now := v.cfg.Now()
	v.mu.Lock()
	defer v.mu.Unlock()
	if err := v.tick(now); err != nil {
		return State{}, err
	}
	v.rotor.advance(v.at)
	s := State{
		Version: stateVersion, At: v.at.Seconds(), Note: rehearsal,
		Watchdog: v.chain.Holding(), Coil: v.chain.Coil(), Power: v.chain.PowerOn(), Contactor: "open",
		Heartbeat: beatState(&v.beats), Wind: v.rotor.hz,
		Inputs: []InputState{}, Outputs: []OutputState{}, Faults: []FaultRow{},
	}
	if s.Power {
		s.Contactor = "closed"
	}
	if !v.converter.cfg.Absent {
		force := v.converter.force
		s.Load = &force
	}
	if v.trace.total > traceKept {
		s.Dropped = v.trace.total - traceKept
	}
	for i := range v.contacts {
		s.Inputs = append(s.Inputs, v.inputState(i))
	}
	for l, o := range v.out {
		row := OutputState{Name: lineNames[l], On: o.on, Says: outputSays[l][0]}
		if o.on {
			row.Says = outputSays[l][1]
		}
		if o.moved {
			at := o.at.Seconds()
			row.Changed = &at
		}
		s.Outputs = append(s.Outputs, row)
	}
	for i := range boardFaults {
		if f := &boardFaults[i]; f.in(v) {
			s.Faults = append(s.Faults, FaultRow{f.name, f.says})
		}
	}
	for i := range v.contacts[:v.wired] {
		if c := &v.contacts[i]; c.broken {
			s.Faults = append(s.Faults, FaultRow{c.name, "the wire of this input is broken"})
		}
	}
	return s, nil
}

// inputState is the row of contact i. The caller holds mu.
func (v *Board) inputState(i int) InputState {
	c := &v.contacts[i]
	row := InputState{Name: c.name, Wired: i < v.wired, WireBroken: c.broken}
	seen := v.circuit(c)
	if c.high(seen) && row.Wired {
		row.Level = 1
	}
	is := seen
	switch c.kind {
	case mirrorContact: // its wire is the chain's
		row.WireBroken = v.chain.Faulty(MirrorWire)
		is = !v.chain.PowerOn()
	case rotorContact:
		row.WireBroken = v.rotor.broken
		is = v.rotor.closed
	}
	row.Says, row.Since = c.says(is), c.since.Seconds()
	return row
}

func beatState(r *ring) BeatState {
	edges, _ := r.since(0)
	s := BeatState{Edges: r.total}
	if least, most, ok := gaps(edges); ok {
		a, b := least.Seconds(), most.Seconds()
		s.LeastGap, s.MostGap = &a, &b
	}
	return s
}

// gaps gives the least and the most time between neighbours.
func gaps(edges []OutputEdge) (least, most time.Duration, ok bool) {
	least = Never
	for i := 1; i < len(edges); i++ {
		gap := edges[i].At - edges[i-1].At
		least, most = min(least, gap), max(most, gap)
	}
	return least, most, len(edges) > 1
}
