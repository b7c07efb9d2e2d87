package main

import (
	"crypto/sha256"
	"embed"
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"text/template"
	"time"

	"downhaul/interlock/before/hazard"
	"downhaul/interlock/day/telemetry/link"
	"downhaul/interlock/model/craftmodel"
	"downhaul/interlock/pad"
	"downhaul/interlock/records/stopping"
	"downhaul/interlock/sense"
	"downhaul/rules"
	"downhaul/rules/card"
	"downhaul/rules/document"
	"downhaul/rules/rounding"
)

// starter are the files with gaps for the answers.
//
//go:embed starter
var starter embed.FS

// starterNames are in the order in which they are filled: what the link was heard to
// give is held against the pad, and the card holds the hash of the limits for the ground.
var starterNames = []string{"pad.toml", "envelope.toml", "ground.toml", "card.toml"}

// filled is what stands in the gaps. Quantities are text with their units.
type filled struct {
	*craftTold
	off                               off
	Title, Name, Units, Duty          string
	Mass, Thrust, MotorThrust         string
	TwiceThrust                       string
	Tether, Breaking                  string
	Reaction, Latest                  string
	ErrorHeight, ErrorClimb           string
	Ceiling, CeilingCaution           string
	Drift, DriftCaution, Parted       string
	Output, OutputCaution             string
	HoverOutput                       float64
	Tension, TensionCaution           string
	Gust, GustCaution, CardWind       string
	Ballast                           []ballastStep
	Clearance, ClearanceLoad, Air     string
	Pack                              string // the channel of the pack's rules
	System, Component, Motors, Cells  int
	Height, Packs                     string
	LinkKind, LinkAddress, LinkDevice string
	LinkBaud                          int
	Sessions, Socket, BoardSocket     string // absolute paths; empty when too long
	GroundHash                        string
	pad                               *pad.Pad
}

type ballastStep struct{ Name, Mass, After string }

// reckon works out what the answers leave open.
func (a *craftTold) reckon() *filled {
	f := &filled{craftTold: a, Title: a.name + ", first days on the tether", Name: a.name, Units: a.units, Duty: pick(a.duty == "watch", "watch", "guard"),
		Mass: a.mass.Text, Thrust: a.thrust.Text, Tether: a.tether.Text, Breaking: a.breaking.Text, Reaction: rules.FormatDuration(time.Duration(reaction * 1e9)),
		System: 1, Component: 1, Motors: a.motors, Cells: a.cells, Height: "local", Packs: "battery_status", Pack: "pack.lowest_cell"}
	if h := a.heard; h != nil {
		f.System, f.Component, f.Height, f.Packs = int(h.System), int(h.Component), h.height, h.packs
	}
	if a.cells > craftmodel.MostCellsTold || a.heard != nil && !a.heard.cellsTold {
		f.Pack = "pack.mean_cell"
	}
	f.LinkKind, f.LinkAddress, f.LinkDevice, f.LinkBaud = a.link.Kind.String(), a.link.Address, a.link.Address, a.link.Baud
	f.MotorThrust = rounding.Coarse(a.thrust.SI/float64(a.motors), a.thrust.Unit, 3, rounding.Near) // two digits would part it from the pad file
	// Of what stands on the card: rounding must not leave it short.
	f.TwiceThrust = rounding.Coarse(2*max(a.thrust.SI, float64(a.motors)*si(f.MotorThrust)), a.thrust.Unit, 2, rounding.Up)

	length, wind := a.unit(rules.Length), a.unit(rules.Speed)
	f.off, _ = a.ceiling()
	f.ErrorHeight, f.ErrorClimb = f.off.height, f.off.climb
	least, l := a.least(f.off), a.tether.SI
	f.Ceiling = nice(min(tautShare*l, max(ceilingShare*l, least)), length, least, tautShare*l+1e-9)
	top, limit := a.standing(f.off), si(f.Ceiling)
	// Above the prediction for a craft that stands on the pad, and a third of the room is left.
	f.CeilingCaution = nice(max(cautionShare*limit, (top+2*limit)/3), length, (top+limit)/2, 0.97*limit)
	f.Latest = rounding.Show(a.latest(f.off, limit), "s", 2, rounding.Down)
	drift := max(driftShare*l, min(1.5, l))
	f.Drift = nice(drift, length, 0.9*drift, l)
	f.DriftCaution = nice(cautionShare*drift, length, 0, 0.95*si(f.Drift))
	f.Parted = nice(max(1.3*l, l+2), length, l+1, math.Inf(1))
	f.Tension = nice(a.breaking.SI/designFactor, a.breaking.Unit, 0, a.breaking.SI/designFactor) // no more than it bears
	f.TensionCaution = nice(cautionShare*si(f.Tension), a.breaking.Unit, 0, 0.95*si(f.Tension))
	f.Gust, f.GustCaution = nice(firstGust, wind, 0, math.Inf(1)), nice(cautionShare*firstGust, wind, 0, math.Inf(1))
	f.CardWind = f.GustCaution
	small := a.in("mm", "in")
	f.Clearance, f.ClearanceLoad = nice(firstClearance, small, 0, 1), nice(firstClearance/2, small, 0, 1)
	f.Air = a.in("20 °C, 300 m", "68 °F, 1000 ft")
	// Thrust goes with the square of the output, and a hover of a pack that sags takes more.
	f.HoverOutput = math.Sqrt(1 / a.ratio())
	f.Output, f.OutputCaution = "92 %", fmt.Sprintf("%.0f %%", 5*math.Round(20*max(0.8, min(0.9, (f.HoverOutput+0.92)/2))))
	if f.HoverOutput > 0.85 {
		f.Output, f.OutputCaution = "98 %", "95 %"
	}
	f.ballast()
	return f
}

func (f *filled) ballast() {
	a, share := f.craftTold, f.ballastShare()
	if share == 0 {
		return
	}
	unit, most := a.unit(rules.Mass), a.thrust.SI/hazard.Gravity/leastThrust-a.mass.SI
	one := si(nice(share*a.mass.SI, unit, 0, most))
	after := "empty hover"
	for n := 1; n <= ballastSteps && float64(n)*one <= most*(1+1e-9); n++ {
		step := ballastStep{Name: fmt.Sprintf("ballast %d", n), Mass: rounding.Coarse(float64(n)*one, unit, 4, rounding.Near), After: after}
		f.Ballast, after = append(f.Ballast, step), step.Name
	}
}

// In writes what is in the reader's own units.
func (f *filled) In(metric, imperial string) string { return f.in(metric, imperial) }

// Serial and Table report how the link comes in, and whether the pad rehearses.
func (f *filled) Serial() bool { return f.link.Kind == link.Serial }

// Table reports whether the board is a virtual one.
func (f *filled) Table() bool { return f.duty == "table" }

// Guards reports whether the pad guards, with whatever board.
func (f *filled) Guards() bool { return f.duty != "watch" }

// Climb is the source of climb to name, empty for the one that goes with the height.
func (f *filled) Climb() string {
	if f.heard == nil {
		return ""
	}
	return f.heard.climb
}

// Landed reports whether the craft tells that it has landed, as far as is known.
func (f *filled) Landed() bool { return f.heard == nil || f.heard.landed }

// Grace is a grace of so many seconds, more where coming down from the ceiling takes it.
func (f *filled) Grace(s float64) string {
	return strconv.FormatFloat(max(s, 5*math.Ceil(si(f.Ceiling)/fallsAt/5)), 'f', -1, 64) + " s"
}

// Stale is the line for how long a rule's channel may be silent, where the link was
// heard to tell it more seldom than usual; empty otherwise.
func (f *filled) Stale(channel string) string {
	c, ok := rules.Lookup(channel)
	if !ok || f.heard == nil || f.pad == nil {
		return ""
	}
	b := hazard.Reaction(&rules.Rule{Watch: c.ID, StaleAfter: c.Stale}, f.pad, stopping.Times{}, f.heard.heard())
	if !b.Measured || c.Stale.Seconds() >= 2*b.Period {
		return ""
	}
	return fmt.Sprintf("\nstale_after = %q           # the link tells it every %s", nice(3*b.Period, "s", 2*b.Period, math.Inf(1)), rounding.Show(b.Period, "s", 2, rounding.Up))
}

// ComesEvery are the lines for how far apart signs come, where the link was heard to tell
// them more seldom than usual; empty otherwise.
func (f *filled) ComesEvery() string {
	if f.heard == nil {
		return ""
	}
	every, _ := comesEvery(f.heard.spacings, f.heard.channel, f.heard.climbFrom)
	if len(every) == 0 {
		return ""
	}
	return padLines(every, "")
}

// places works out the paths. A socket's is short, or there is none.
func (f *filled) places(dir string) error {
	socket := func(name string) string {
		if path := filepath.Join(dir, name); len(path) <= longestSocket {
			return path
		}
		return ""
	}
	f.Sessions, f.Socket, f.BoardSocket = filepath.Join(dir, sessionsFolder), socket("guard.sock"), socket("board.sock")
	if f.Table() && f.BoardSocket == "" {
		return hint(fmt.Errorf("the folder's path is too long for the board's socket, which takes %d bytes", longestSocket), "name a folder nearer to the root, such as /tmp/pad")
	}
	return nil
}

// texts fills the gaps, and holds the files against the same readers as check: what
// does not pass is not written.
func (f *filled) texts() (map[string][]byte, document.Faults, error) {
	all, err := template.New("").Funcs(template.FuncMap{"quote": strconv.Quote}).ParseFS(starter, "starter/*.toml")
	if err != nil {
		return nil, nil, err
	}
	texts := map[string][]byte{}
	for _, name := range starterNames {
		var b strings.Builder
		if err := all.ExecuteTemplate(&b, name, f); err != nil {
			return nil, nil, err
		}
		texts[name] = []byte(b.String())
		switch name {
		case "pad.toml":
			f.pad, _ = pad.Read(name, texts[name])
		case "ground.toml":
			f.GroundHash = fmt.Sprintf("%x", sha256.Sum256(texts[name]))
		}
	}
	doubts, err := passes(texts, f.heard.heard())
	return texts, doubts, err
}

// passes holds the files against their readers and each other, and gives what is
// doubtful in them.
func passes(texts map[string][]byte, heard hazard.Heard) (doubts document.Faults, err error) {
	e, faults := rules.ReadEnvelope("envelope.toml", texts["envelope.toml"])
	g, ground := rules.ReadEnvelope("ground.toml", texts["ground.toml"])
	p, more := pad.Read("pad.toml", texts["pad.toml"])
	crd, last := card.Read("card.toml", texts["card.toml"])
	all := slices.Concat(faults, ground, more, last)
	if e != nil && p != nil {
		all = append(all, e.CheckFed("envelope.toml", p.Fed)...)
	}
	if g != nil && p != nil {
		all = append(all, g.CheckFed("ground.toml", p.Fed)...)
	}
	if crd != nil && p != nil {
		all = append(all, p.CheckCard("card.toml", crd)...)
	}
	for name, limits := range map[string]*rules.Envelope{"envelope.toml": e, "ground.toml": g} {
		from := func(name string) sense.Source { return sense.Source{Name: name, Text: texts[name]} }
		refused, some := hazard.Sense(&sense.Files{Pad: p, Envelope: limits, Card: crd, PadFile: from("pad.toml"), LimitFile: from(name), CardFile: from("card.toml")}, stopping.Times{}, heard, time.Now())
		all = append(all, refused...)
		for _, d := range some {
			if !slices.Contains(doubts, d) {
				doubts = append(doubts, d)
			}
		}
	}
	doubts.Sort()
	if err := all.Err(); err != nil {
		return nil, hint(fmt.Errorf("these answers do not fit together, and nothing was written:\n%w", err), "call it again with other answers")
	}
	return doubts, nil
}
