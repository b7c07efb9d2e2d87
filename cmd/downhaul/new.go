package main

import (
	"crypto/sha256"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"text/template"
	"time"
	"unicode"

	"downhaul/interlock/before/hazard"
	"downhaul/interlock/day/derived"
	"downhaul/interlock/pad"
	"downhaul/interlock/records/stopping"
	"downhaul/interlock/sense"
	"downhaul/rules"
	"downhaul/rules/card"
	"downhaul/rules/document"
	"downhaul/rules/rounding"
)

type newCmd struct {
	Dir string `arg:"" help:"Folder for the files; it is made if need be."`
}

func (newCmd) Help() string {
	return "Asks ten questions, each with a default, and writes a commented envelope, another for steps on the ground, a pad file and a test card that pass " +
		"check. Nothing is overwritten. The files are a beginning: every limit in them is to be thought about."
}

// starter are the files with gaps for the answers.
//
//go:embed starter
var starter embed.FS

// sessionsFolder is made beside the files, so that a guard can start at once.
const sessionsFolder = "sessions"

// longestSocket is what the address of a local socket holds (see the pad file).
const longestSocket = 100

// starterNames are in the order in which they are filled: the card holds the hash of
// the limits for the ground.
var starterNames = []string{"envelope.toml", "ground.toml", "pad.toml", "card.toml"}

// filled are the answers that fill the gaps. Quantities are text with the unit that was typed.
type filled struct {
	Title, Units                   string
	Mass, Thrust                   string
	MotorThrust, TwiceThrust       string
	GroundHash                     string
	Motors, Cells                  int
	Tether, Breaking               string
	ErrorHeight, ErrorClimb        string
	Reaction                       string
	Ceiling, CeilingCaution        string
	Drift, DriftCaution            string
	Tension, TensionCaution        string
	Gust, GustCaution              string
	LinkKind, LinkAddress          string
	LinkDevice                     string
	LinkBaud                       int
	Ballast                        []ballastStep
	Clearance, ClearanceLoad       string
	CardWind                       string
	Sessions, Socket               string // absolute paths; Socket empty when too long
	mass, thrust, tether, breaking rules.Quantity
	ceiling                        rules.Quantity
}

type ballastStep struct{ Name, Mass, After string }

func (c *newCmd) Run(s *streams) error {
	for _, name := range starterNames {
		path := filepath.Join(c.Dir, name)
		if _, err := os.Lstat(path); err == nil {
			return hint(fmt.Errorf("new: %s is there already, and nothing is overwritten", path), "name another folder, or move the file away")
		} else if !errors.Is(err, fs.ErrNotExist) {
			return fmt.Errorf("new: %w", err)
		}
	}
	wrap(s.out, "", "", "Ten questions; an empty answer takes what stands in brackets. Every limit that comes of them is a first guess: read the files, and change what you know better.")
	fmt.Fprintln(s.out)
	a, err := askAll(newAsker(s.in, s.out))
	if err != nil {
		return fmt.Errorf("new: %w", err)
	}
	dir, err := filepath.Abs(c.Dir)
	if err != nil {
		return fmt.Errorf("new: %w", err)
	}
	a.Sessions = filepath.Join(dir, sessionsFolder)
	if socket := filepath.Join(dir, "guard.sock"); len(socket) <= longestSocket {
		a.Socket = socket
	}
	texts, doubts, err := a.fill()
	if err != nil {
		return fmt.Errorf("new: %w", err)
	}
	if err := writeAll(c.Dir, texts); err != nil {
		return fmt.Errorf("new: %w", err)
	}
	fmt.Fprintln(s.out)
	for _, name := range starterNames {
		fmt.Fprintf(s.out, "wrote %s\n", printable(filepath.Join(c.Dir, name)))
	}
	for _, d := range doubts {
		wrap(s.out, "Warning: ", "  ", d.Error())
	}
	fmt.Fprintf(s.out, "next: downhaul check %s\n", printable(filepath.Join(c.Dir, "*.toml")))
	if len(doubts) > 0 {
		return errFound
	}
	return nil
}

// askAll puts the ten questions.
func askAll(q *asker) (*filled, error) {
	a := &filled{}
	unit := func(k rules.Kind) string { return rules.DefaultUnit(k, a.Units) }
	first := func(metric, imperial string) string {
		if a.Units == "imperial" {
			return imperial
		}
		return metric
	}
	var err error
	ask := func(question, byDefault string, accept func(string) error) {
		if err == nil {
			err = q.ask(question, byDefault, accept)
		}
	}
	ask("What do you call the place and the day?", "First day on the tether", func(text string) error {
		if len(text) > 100 || strings.ContainsFunc(text, func(r rune) bool { return !unicode.IsPrint(r) }) {
			return errors.New("write up to 100 plain characters")
		}
		a.Title = text
		return nil
	})
	ask("Metric or imperial?", "metric", func(text string) error {
		if text != "metric" && text != "imperial" {
			return fmt.Errorf("write metric or imperial (got %q)", text)
		}
		a.Units = text
		return nil
	})
	ask("Mass of the craft, ready to fly, without ballast?", first("30 kg", "66 lb"), quantity(rules.Mass, 0.1, 5000, &a.mass))
	ask("How many motors?", "8", count(1, 16, &a.Motors))
	ask("Full thrust of all motors together? (The default is twice the weight.)",
		rounded(2*hazard.Gravity*a.mass.SI, unit(rules.Force)), func(text string) error {
			if err := quantity(rules.Force, 1, 1e6, &a.thrust)(text); err != nil {
				return err
			}
			if w := hazard.Gravity * a.mass.SI; a.thrust.SI <= w {
				return fmt.Errorf("that lifts nothing: the craft weighs %s", rounding.Show(w, a.thrust.Unit, 3, rounding.Up))
			}
			return nil
		})
	ask("Cells in series in the pack?", "12", count(1, 28, &a.Cells))
	ask("Length of the tether?", first("9 m", "30 ft"), quantity(rules.Length, 0.5, 500, &a.tether))
	ask("Breaking strength of the tether?", first("22 kN", "5000 lbf"), quantity(rules.Force, 10, 1e7, &a.breaking))
	a.ErrorHeight, a.ErrorClimb, a.Reaction = first("0.3 m", "1 ft"), first("0.2 m/s", "0.5 mph"), "300 ms"
	ask("How high may it go, with the coast after a cut counted in? (The default is three quarters of the tether, and more where full thrust asks for it.)",
		rounding.Coarse(a.usualCeiling(), unit(rules.Length), 2, rounding.Near), func(text string) error {
			if err := quantity(rules.Length, 0.3, 500, &a.ceiling)(text); err != nil {
				return err
			}
			if a.ceiling.SI > a.tether.SI {
				return fmt.Errorf("the tether is only %s long", a.tether.Text)
			}
			if top := a.standing(sense.Freshest); a.ceiling.SI <= top {
				up := func(v float64) string { return rounding.Show(v, a.ceiling.Unit, 2, rounding.Up) }
				return fmt.Errorf("this ceiling leaves %s to hover: standing on the pad the predicted apex is %s already, with so much thrust; it takes a tether of some %s, or less thrust",
					rounding.Show(a.ceiling.SI-top, a.ceiling.Unit, 2, rounding.Down), up(top), up(1.2*top))
			}
			return nil
		})
	ask("Where does the telemetry come in? (udp://, tcp:// or serial://)", "udp://0.0.0.0:40123", func(text string) error {
		l, err := parseLink(text)
		a.LinkKind, a.LinkAddress, a.LinkDevice, a.LinkBaud = l.Kind.String(), l.Address, l.Address, l.Baud
		return err
	})
	return a, err
}

// standing is the apex that these answers predict, m, while the craft stands on the
// pad and its height is so old, s.
func (a *filled) standing(age float64) float64 {
	si := func(text string, k rules.Kind) float64 {
		q, _ := rules.ParseQuantity(text, k) // our own texts
		return q.SI
	}
	return derived.Coast(si(a.ErrorHeight, rules.Length), si(a.ErrorClimb, rules.Speed), si(a.Reaction, rules.Duration)+age, max(0, a.thrust.SI/a.mass.SI-hazard.Gravity))
}

// usualCeiling is three quarters of the tether, or what leaves room to hover under
// the predicted apex, and less than the tether.
func (a *filled) usualCeiling() float64 {
	return min(0.95*a.tether.SI, max(0.75*a.tether.SI, a.standing(sense.Freshest)+1))
}

// Grace is a grace of so many seconds, more where it is high up.
func (a *filled) Grace(s float64) string { return rounded(s*max(1, a.ceiling.SI/20), "s") }

// quantity accepts a quantity of the kind from low to high (SI).
func quantity(k rules.Kind, low, high float64, into *rules.Quantity) func(string) error {
	return func(text string) error {
		q, err := rules.ParseQuantity(text, k)
		if err != nil {
			return err
		}
		if q.SI < low || q.SI > high {
			return fmt.Errorf("want from %s to %s (got %q)", rules.Format(low, q.Unit), rules.Format(high, q.Unit), text)
		}
		*into = q
		return nil
	}
}

// count accepts a whole number.
func count(low, high int, into *int) func(string) error {
	return func(text string) error {
		n, err := strconv.Atoi(text)
		if err != nil || n < low || n > high {
			return fmt.Errorf("want a whole number from %d to %d (got %q)", low, high, text)
		}
		*into = n
		return nil
	}
}

// rounded is a value in the unit with two significant digits: a first guess
// must not look exact.
func rounded(si float64, unit string) string { return rounding.Coarse(si, unit, 2, rounding.Near) }

// Shares from which the first guesses come; ours, from judgement.
const (
	cautionShare = 0.8 // a caution stands at four fifths of its limit
	driftShare   = 0.5 // of the tether's length
	designFactor = 10  // breaking strength over working load, as in the file
	firstGust    = 8.0 // m/s
	ballastShare = 0.1 // of the mass, for each step
	ballastSteps = 5
	leastThrust  = 1.4 // times the weight, with all ballast
	// from a blade's tip to whatever is next to it, m
	firstClearance = 0.04
)

func smallLength(units string) string {
	if units == "imperial" {
		return "in"
	}
	return "mm"
}

// fill works the rest out, fills the gaps, and holds the files against the
// same readers as check: what does not pass is not written.
func (a *filled) fill() (map[string][]byte, document.Faults, error) {
	a.Mass, a.Thrust, a.Tether, a.Breaking = a.mass.Text, a.thrust.Text, a.tether.Text, a.breaking.Text
	a.MotorThrust = rounding.Coarse(a.thrust.SI/float64(a.Motors), a.thrust.Unit, 3, rounding.Near) // two digits would part it from the pad file
	// Of what stands on the card: rounding must not leave it short.
	if one, err := rules.ParseQuantity(a.MotorThrust, rules.Force); err == nil {
		a.TwiceThrust = rounding.Coarse(2*max(a.thrust.SI, float64(a.Motors)*one.SI), a.thrust.Unit, 2, rounding.Up)
	}
	a.Ceiling = a.ceiling.Text
	// Above the prediction for a craft that stands on the pad, and a third of the room is left.
	a.CeilingCaution = rounded(max(cautionShare*a.ceiling.SI, (a.standing(sense.Freshest)+2*a.ceiling.SI)/3), a.ceiling.Unit)
	a.Drift = rounded(driftShare*a.tether.SI, a.tether.Unit)
	a.DriftCaution = rounded(cautionShare*driftShare*a.tether.SI, a.tether.Unit)
	a.Tension = rounding.Coarse(a.breaking.SI/designFactor, a.breaking.Unit, 2, rounding.Down) // no more than it bears
	a.TensionCaution = rounded(cautionShare*a.breaking.SI/designFactor, a.breaking.Unit)
	wind := rules.DefaultUnit(rules.Speed, a.Units)
	a.Gust, a.GustCaution = rounded(firstGust, wind), rounded(cautionShare*firstGust, wind)
	a.Clearance, a.ClearanceLoad = rounded(firstClearance, smallLength(a.Units)), rounded(firstClearance/2, smallLength(a.Units))
	a.CardWind = rounded(cautionShare*firstGust, wind)
	after := "empty hover"
	share := min(ballastShare, (a.thrust.SI/(hazard.Gravity*a.mass.SI)/leastThrust-1)/ballastSteps)
	for n := 1; n <= ballastSteps && share > 0.01; n++ {
		step := ballastStep{Name: fmt.Sprintf("ballast %d", n), Mass: rounded(float64(n)*share*a.mass.SI, a.mass.Unit), After: after}
		a.Ballast, after = append(a.Ballast, step), step.Name
	}
	all, err := template.New("").Funcs(template.FuncMap{"quote": strconv.Quote}).ParseFS(starter, "starter/*.toml")
	if err != nil {
		return nil, nil, err
	}
	texts := map[string][]byte{}
	for _, name := range starterNames {
		var b strings.Builder
		if err := all.ExecuteTemplate(&b, name, a); err != nil {
			return nil, nil, err
		}
		texts[name] = []byte(b.String())
		if name == "ground.toml" {
			a.GroundHash = fmt.Sprintf("%x", sha256.Sum256(texts[name]))
		}
	}
	doubts, err := passes(texts)
	return texts, doubts, err
}

// passes holds the files against their readers and each other, and gives what is
// doubtful in them.
func passes(texts map[string][]byte) (doubts document.Faults, err error) {
	e, faults := rules.ReadEnvelope("envelope.toml", texts["envelope.toml"])
	g, ground := rules.ReadEnvelope("ground.toml", texts["ground.toml"])
	p, more := pad.Read("pad.toml", texts["pad.toml"])
	crd, last := card.Read("card.toml", texts["card.toml"])
	all := append(append(append(append(document.Faults(nil), faults...), ground...), more...), last...)
	if e != nil && p != nil {
		all = append(all, e.CheckFed("envelope.toml", p.Fed)...)
	}
	if g != nil && p != nil {
		all = append(all, g.CheckFed("ground.toml", p.Fed)...)
	}
	if crd != nil && p != nil {
		all = append(all, p.CheckCard("card.toml", crd)...)
	}
	for i, limits := range []*rules.Envelope{e, g} {
		name := starterNames[i]
		from := func(name string) sense.Source { return sense.Source{Name: name, Text: texts[name]} }
		refused, some := hazard.Sense(&sense.Files{Pad: p, Envelope: limits, Card: crd, PadFile: from("pad.toml"), LimitFile: from(name), CardFile: from("card.toml")}, stopping.Times{}, nil, time.Now())
		all = append(all, refused...)
		for _, d := range some {
			if !slices.Contains(doubts, d) {
				doubts = append(doubts, d)
			}
		}
	}
	if err := all.Err(); err != nil {
		return nil, hint(fmt.Errorf("these answers do not fit together, and nothing was written:\n%w", err), "call it again with other answers")
	}
	return doubts, nil
}

// writeAll writes all files or none.
func writeAll(dir string, texts map[string][]byte) (err error) {
	var made []string
	defer func() {
		if err != nil {
			for _, path := range made {
				_ = os.Remove(path)
			}
		}
	}()
	if _, statErr := os.Stat(dir); errors.Is(statErr, fs.ErrNotExist) {
		if err := os.MkdirAll(dir, 0o755); err != nil {
			return err
		}
		made = append(made, dir)
	}
	sessions := filepath.Join(dir, sessionsFolder)
	if err := os.Mkdir(sessions, 0o755); err == nil {
		made = append([]string{sessions}, made...)
	} else if !errors.Is(err, fs.ErrExist) {
		return err
	}
	for _, name := range starterNames {
		path := filepath.Join(dir, name)
		f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
		if err != nil {
			return err
		}
		made = append([]string{path}, made...) // files go before their folder
		_, err = f.Write(texts[name])
		if err = errors.Join(err, f.Close()); err != nil {
			return err
		}
	}
	return nil
}
