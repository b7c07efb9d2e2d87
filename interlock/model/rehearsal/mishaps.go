package rehearsal

import (
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"regexp"
	"strconv"
	"strings"

	"downhaul/interlock/model/craftmodel"
	"downhaul/rules"
)

//go:embed mishaps/*.txt stands/*.txt
var shipped embed.FS

// Calm is the flight in which nothing goes wrong.
const Calm = "00-calm"

// OnStand is the run on a thrust stand in which nothing goes wrong.
const OnStand = "stand"

// Names is every mishap that ships, the calm day first.
func Names() []string { return in("mishaps") }

// StandNames is every run on a thrust stand that ships.
func StandNames() []string { return in("stands") }

func in(folder string) []string {
	entries, err := fs.ReadDir(shipped, folder)
	if err != nil {
		panic(err) // it is in the program
	}
	var names []string
	for _, e := range entries {
		names = append(names, strings.TrimSuffix(e.Name(), ".txt"))
	}
	return names
}

// Shipped reads a mishap that ships.
func (s *Setup) Shipped(name string) (*craftmodel.Scenario, error) {
	folder, names := "mishaps/", Names()
	if s.Craft.Step.Stand != nil {
		folder, names = "stands/", StandNames()
	}
	text, err := fs.ReadFile(shipped, folder+name+".txt")
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("nothing that ships for step %q is called %q; there are %s", s.Craft.Step.Name, name, strings.Join(names, ", "))
	}
	if err != nil {
		return nil, err
	}
	return s.Read(name, string(text))
}

var wordsOf = regexp.MustCompile(`-?\b(HOVER|TOP|SNAG|LONG|WEIGHT|HEAVIER|GUST|FLUTTER|WEAK)\b`)

// Read reads a scenario. Words in capitals stand for values of these files: HOVER is a
// height at which nothing trips, TOP one that the tether does not let the craft
// reach, SNAG what is left of a tether that snagged just above the hover and LONG three times the tether, WEIGHT the
// craft's weight, HEAVIER the step's ballast and a seventh of the craft more, GUST
// half as much wind again as the gust limit. On a thrust stand FLUTTER is three quarters of
// the propeller maker's speed and WEAK six tenths of the current at full output.
func (s *Setup) Read(file, text string) (*craftmodel.Scenario, error) {
	c := s.Craft
	values := map[string]string{
		"HOVER":   metres(c.Hover),
		"TOP":     metres(1.5*c.Config.TetherLength + 1),
		"SNAG":    metres(c.Config.LegHeight + 1.1*c.Hover + 0.1),
		"LONG":    metres(3 * c.Config.TetherLength),
		"WEIGHT":  number(s.weight()) + " N",
		"HEAVIER": number(c.Config.Ballast+c.Config.Mass/7) + " kg",
		"GUST":    number(1.5*s.gustLimit()) + " m/s",
		"WEAK":    number(0.6*c.fullAmps) + " A",
	}
	if c.Step.Stand != nil {
		values["FLUTTER"] = number(0.75*60*c.Step.Stand.MaxSpeed) + " rpm"
	}
	return craftmodel.ParseScenario(file, wordsOf.ReplaceAllStringFunc(text, func(w string) string {
		if rest, negative := strings.CutPrefix(w, "-"); negative {
			return "-" + values[rest]
		}
		return values[w]
	}))
}

func number(v float64) string { return strconv.FormatFloat(v, 'f', 3, 64) }

func metres(v float64) string { return number(v) + " m" }

// gustLimit is the lowest limit on wind, m/s; 8 where there is none.
func (s *Setup) gustLimit() float64 {
	least := 0.0
	for _, r := range s.Checked.Envelope.Rules {
		switch r.Watch {
		case rules.Gust, rules.WindSpeed:
			if r.Form == rules.Above && (least == 0 || r.Limit < least) {
				least = r.Limit
			}
		}
	}
	if least == 0 {
		return 8
	}
	return least
}

// lacks returns the device of a scenario that the pad has not, empty for none.
func (s *Setup) lacks(scenario *craftmodel.Scenario) string {
	p := s.Checked.Pad
	if step, asked := s.ground(scenario); asked && step == nil {
		return "step on the ground with limits of its own"
	}
	for _, e := range scenario.Events {
		switch e.Act {
		case craftmodel.CellSticks, craftmodel.CellOff:
			if !p.LoadCell.Fitted {
				return "load cell"
			}
		case craftmodel.CupsStick:
			if !p.Wind.Fitted {
				return "anemometer"
			}
		case craftmodel.PadAct:
			w := strings.Fields(e.Text)
			if len(w) != 2 {
				continue
			}
			switch line := w[1]; line {
			case "gate", "hold", "anemometer":
				if !p.Board.Line(line).Fitted {
					return line
				}
			case "estop":
				if !p.Board.Line("estop_a").Fitted {
					return "emergency stop"
				}
			case "load_cell":
				if !p.LoadCell.Fitted {
					return "load cell"
				}
			}
		}
	}
	return ""
}
