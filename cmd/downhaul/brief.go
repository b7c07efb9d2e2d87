package main

import (
	"cmp"
	"context"
	_ "embed"
	"encoding/hex"
	"errors"
	"fmt"
	"html/template"
	"io"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"downhaul/interlock/before/hazard"
	"downhaul/interlock/records/timeofday"
	"downhaul/rules"
	"downhaul/rules/card"
	"downhaul/rules/rounding"
	"downhaul/rules/words"
)

type briefCmd struct {
	Step  string   `placeholder:"NAME" help:"The step of the test card that is to come. Without it: the one declared to the running guard, or the first that flies and that no report tells a hover of."`
	HTML  string   `name:"html" placeholder:"FILE" help:"Write the sheet as a page that prints on one side of A4 or letter."`
	Force bool     `help:"Write over a page that is there already."`
	JSON  bool     `help:"Print one JSON object."`
	Files []string `arg:"" name:"file" help:"Pad file, envelope and test card, as check takes them."`
}

func (briefCmd) Help() string {
	return "Prints the day's sheet: the step and what it asks, the limits, how far to keep out and why, the weather limit and the wind now, who stands where, " +
		"what must be done before the start, what this set-up cannot see, and room to sign. What is due comes from the records of the log folder, and from the guard " +
		"that runs on these files, where one does. Exit code 1 means that something must still be done before the start."
}

// sheet is the day's sheet; briefSchema counts its shape.
type sheet struct {
	Schema int       `json:"schema"`
	Made   time.Time `json:"made"`
	Title  string    `json:"title"`
	Craft  string    `json:"craft"`
	Pad    string    `json:"pad"`
	// Mark is set where no real relay is worked, and says so.
	Mark string `json:"mark,omitempty"`
	// Step is the one to come, empty without a card; Asks says what it asks, Lift what is
	// known of its lift, each in a sentence.
	Step string   `json:"step"`
	Asks string   `json:"asks"`
	Lift []string `json:"lift"`
	// Limits are those enforced in the step, Start what must be so to start
	// beside the wind.
	Limits []hazard.LimitRow `json:"limits"`
	Start  []string          `json:"start"`
	// KeepOut is one distance in the crew's units, empty where it is not known; WalkIn how
	// far off people stay until the rotors stand.
	KeepOut    string  `json:"keep_out"`
	KeepOutM   float64 `json:"keep_out_m"`
	KeepOutWhy string  `json:"keep_out_because"`
	WalkIn     string  `json:"walk_in"`
	// Weather is the limits and conditions on the wind, WindNow what is known of it, empty for nothing.
	Weather []string `json:"weather"`
	WindNow string   `json:"wind_now"`
	WindAsk string   `json:"-"` // what to do where it is not known
	Posts   []post   `json:"posts"`
	// Before is what must still be done before the start, by records and by the guard;
	// Crew what the crew sees to, Watched the defects that may wait.
	Before  []string `json:"before_start"`
	Crew    []string `json:"crew_sees_to"`
	Watched []string `json:"watched_defects"`
	Unseen  []string `json:"cannot_see"`
	// Observer is what no rule acts on.
	Observer []string    `json:"observer"`
	Files    []briefFile `json:"files"`
	// Guard states what was asked of a running guard.
	Guard string `json:"guard"`
}

const briefSchema = 1

type briefFile struct {
	Kind   kind   `json:"kind"`
	File   string `json:"file"`
	SHA256 string `json:"sha256"`
}

// post is one place that a person takes.
type post struct {
	Who   string `json:"who"`
	Where string `json:"where"`
}

func (c *briefCmd) Run(ctx context.Context, s *streams) error {
	found, err := readSetup(ctx, s, "brief", c.Files, "", false)
	if err != nil {
		return err
	}
	if found.Verdict == refused {
		return hint(errors.New("brief: the files have faults, and no day begins with them"), "downhaul check %s lists them", strings.Join(c.Files, " "))
	}
	out, err := c.sheet(found)
	if err != nil {
		return fmt.Errorf("brief: %w", err)
	}
	if c.HTML != "" {
		if err := notThere(c.HTML, c.Force); err != nil {
			return fmt.Errorf("brief: %w", err)
		}
		if err := makeNew(c.HTML, c.Force, func(w io.Writer) error { return briefPage.Execute(w, out) }); err != nil {
			return err
		}
	}
	return s.conclude(out, c.JSON, nil, len(out.Before) > 0)
}

// sheet fills in the sheet from what check found, the records and a running guard.
func (c *briefCmd) sheet(found *checked) (*sheet, error) {
	if found.pad == nil {
		return nil, hint(errors.New("no pad file is among the files"), "name pad file, envelope and test card")
	}
	out := &sheet{Schema: briefSchema, Made: time.Now().Truncate(time.Second), Pad: found.pad.Title, Mark: found.pad.Mark(), Lift: []string{}, Start: []string{}, Weather: []string{},
		Before: []string{}, Crew: []string{}, Watched: []string{}, Unseen: []string{}, Files: []briefFile{}}
	b := &briefing{sheet: out, found: found, pad: found.pad, card: found.card}
	b.records()
	if err := b.choose(c.Step); err != nil {
		return nil, err
	}
	if err := b.limits(); err != nil {
		return nil, err
	}
	b.lift()
	b.due()
	b.weather()
	b.posts()
	for _, u := range found.Unseen {
		out.Unseen = append(out.Unseen, u.String())
	}
	_, out.Observer = hazard.SayHazards(found.Hazards)
	for _, f := range found.Files {
		if f.Kind != isEnvelope || f.envelope == b.env {
			out.Files = append(out.Files, briefFile{f.Kind, f.File, f.SHA256})
		}
	}
	return out, nil
}

// limits takes the envelope that holds in the step: its own, or the one that is no
// step's own.
func (b *briefing) limits() error {
	var own []string // of any step
	if b.card != nil {
		for i := range b.card.Steps {
			if s := &b.card.Steps[i]; s.Envelope != "" {
				own = append(own, hex.EncodeToString(s.EnvelopeHash[:]))
			}
		}
	}
	var fit []*checkedFile
	for i := range b.found.Files {
		f := &b.found.Files[i]
		switch {
		case f.envelope == nil:
		case b.step != nil && b.step.Envelope != "":
			if f.envelope.Hash == b.step.EnvelopeHash {
				fit = append(fit, f)
			}
		case !slices.Contains(own, f.SHA256):
			fit = append(fit, f)
		}
	}
	if len(fit) != 1 {
		return hint(fmt.Errorf("%s among the files could be the day's limits; want one", words.Count(len(fit), "envelope")), "name the envelope that the guard will run on")
	}
	f := fit[0]
	b.env, b.Title, b.Limits = f.envelope, f.Title, f.Table
	for _, p := range f.Permissives {
		if ch, ok := rules.Lookup(p.Channel); ok && ch.ID.OfWind() {
			continue // with the weather
		}
		text, _, _ := strings.Cut(strings.TrimPrefix(p.Sentence, "To start, "), ". ")
		b.Start = append(b.Start, text)
	}
	unit := rules.DefaultUnit(rules.Length, b.env.Units)
	b.KeepOutWhy, b.slack = f.Keep.Why(), f.Rope.SlackSays
	if f.Keep.Out != nil {
		b.KeepOutM, b.KeepOut = *f.Keep.Out, rounding.Show(*f.Keep.Out, unit, 2, rounding.Up)
	}
	if f.Keep.Separation != nil {
		stop, _ := b.found.stop()
		b.WalkIn = fmt.Sprintf("Rotors may turn for %s after power off (%s): nobody within %s of them until they stand, the craft is disarmed and the packs are out.",
			rules.FormatDuration(stop.Rotors.Standing), stop.Rotors.Says(), rounding.Show(*f.Keep.Separation, unit, 2, rounding.Up))
	}
	return nil
}

// lift reports what is known of the step's lift: by the last report, by the stand's table,
// or by what the card states.
func (b *briefing) lift() {
	if b.step == nil || b.step.Kind != card.Flight {
		return
	}
	share := func(v float64) string { return rounding.Show(v, "%", 2, rounding.Down) }
	if b.forecast != nil {
		text := "Last report (" + timeofday.Day(b.forecastMade) + "): "
		text += pick(b.forecast.Go, "go", "no go") + ": " + strings.TrimSuffix(b.forecast.Says, ".") + "."
		if b.forecast.Numbers {
			text += fmt.Sprintf(" Lift to spare %s to %s.", share(b.forecast.Low), share(b.forecast.High))
		}
		b.Lift = append(b.Lift, text)
	} else {
		b.Lift = append(b.Lift, "No report foresees the lift of this step.")
	}
	for i := range b.found.Files {
		f := &b.found.Files[i]
		if f.card != b.card {
			continue
		}
		if f.Sum != nil {
			for _, says := range f.Sum.Verdicts(b.card.Units) {
				if name := fmt.Sprintf("Step %q: ", b.step.Name); strings.HasPrefix(says, name) {
					b.Lift = append(b.Lift, "By the stand's table: "+strings.TrimPrefix(says, name))
				}
			}
			continue
		}
		for _, text := range f.lifts() {
			if strings.HasPrefix(text, b.step.Name+": ") {
				b.Lift = append(b.Lift, "As the card states, standing still: thrust "+strings.TrimPrefix(text, b.step.Name+": ")+" times the weight.")
			}
		}
	}
}

// posts reports who stands where; common practice, no source.
func (b *briefing) posts() {
	out := "outside the keep-out"
	if b.KeepOut != "" {
		out = b.KeepOut + " or more from the anchor"
	}
	b.Posts = []post{
		{"Pilot", out + ", craft in sight, hands free of everything else"},
		{"Emergency stop", out + ", one hand on the hard-wired stop while the craft is armed"},
		{"Lookout at the gate", "keeps people and animals out, and calls wind and limits"},
	}
	if b.env.Tether.Tending != "" || b.slack != "" {
		slack := cmp.Or(b.slack, "how much may lie loose: not known")
		b.Posts = append(b.Posts, post{"Rope", strings.TrimPrefix(b.env.Tether.Tending+"; "+slack, "; ")})
	}
	if b.pad.Board.Line("hold").Fitted {
		b.Posts = append(b.Posts, post{"Hold-to-run", "holds the switch; letting go takes the power off"})
	}
}

//go:embed brief.gohtml
var briefText string

var briefPage = template.Must(template.New("brief").Funcs(template.FuncMap{"day": timeofday.Day, "short": func(s string) string { return s[:min(len(s), 12)] }, "base": filepath.Base}).Parse(briefText))

// asks is what a step is, in a sentence without its name and without what must stand
// before it, which is a list of its own.
func asks(s *card.Step, c *card.Card) string {
	text, _, _ := strings.Cut(strings.TrimPrefix(strings.TrimSuffix(words.Step(s, c), "."), s.Name+": "), "; first: ")
	return strings.ToUpper(text[:1]) + text[1:] + "."
}
