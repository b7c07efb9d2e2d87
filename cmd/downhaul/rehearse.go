package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"downhaul/interlock/day/guard"
	"downhaul/interlock/model/craftmodel"
	"downhaul/interlock/model/rehearsal"
	"downhaul/interlock/model/rehearsal/album"
	"downhaul/interlock/records/plain"
	"downhaul/interlock/records/session"
	"downhaul/rules"
	"downhaul/rules/document"
)

// rehearseCmd flies the modelled craft of the crew's own files.
type rehearseCmd struct {
	Pad      string   `placeholder:"FILE" help:"The pad file; with --from otherwise the session's own."`
	Card     string   `placeholder:"FILE" help:"The test card; otherwise card.toml beside the pad file."`
	Envelope string   `placeholder:"FILE" help:"The limits; otherwise those of the step, or envelope.toml beside the pad file."`
	Step     string   `placeholder:"NAME" help:"The step of the card that is flown; otherwise the first that flies."`
	Auto     bool     `help:"Play the crew too, without waiting."`
	Real     bool     `name:"real-board" help:"On the pad's real board, propellers off and packs out: real buttons, relay, horn and lamp, a modelled craft."`
	All      bool     `help:"Fly every mishap that ships, and print one table."`
	From     string   `placeholder:"SESSION" help:"Fly a run of this session again: its wind and its heights; with --envelope once more with other limits."`
	Run_     int      `name:"run" placeholder:"N" help:"With --from: which run of the session (1)."`
	Seed     uint64   `default:"1" placeholder:"N" help:"Another day's wind and noise (${default})."`
	JSON     bool     `name:"json" help:"One JSON object."`
	Out      string   `placeholder:"DIR" help:"Keep files and sessions here, and write a page with a picture of each flight (a new folder; otherwise all is thrown away)."`
	Scenario []string `arg:"" optional:"" help:"Scenario files, or names of mishaps that ship; without any, a calm day."`
}

func (rehearseCmd) Help() string {
	return "Flies the modelled craft of these files (mass, motors, thrust, cells, tether from card and limits, link and sensors from the pad) " +
		"against the guard on a virtual board; its rotors obey the contactor. You press the buttons (downhaul board, in a second terminal) and the model's pilot flies the scenario; --auto plays the crew too, without waiting. What the files do not say is asked for, or printed with what " +
		"is taken instead. Everything it writes is marked as a rehearsal and lies in a folder of its own, so that nothing of it counts on card, forecast or hours: copy none of it among a pad's sessions. " +
		"With --real-board the pad's own buttons, relay, horn and lamp are worked, propellers off and packs out; what the real chain does counts: its faults hold the next start back, and its openings wear. Any sign of power in the real craft ends it. " +
		"Mishaps that ship: " + strings.Join(rehearsal.Names(), ", ") + ". " +
		"A step on the thrust stand, named by --step, runs one motor on a modelled lever: " + strings.Join(rehearsal.StandNames(), ", ") + "; beside a live one \"downhaul thrust run\" is rehearsed."
}

// refused returns which options do not go together; nil when all do.
func (c *rehearseCmd) refused() error {
	switch {
	case c.From != "" && (c.All || len(c.Scenario) > 0):
		return hint(errors.New("rehearse: --from flies what was recorded, and no mishap"), "leave out --all and the scenarios, or --from")
	case c.Run_ != 0 && c.From == "":
		return errors.New("rehearse: --run names a run of a session; --from names the session")
	case c.Run_ < 0:
		return fmt.Errorf("rehearse: --run counts from 1 (got %d)", c.Run_)
	case c.Real && (c.Auto || c.All || c.JSON || c.From != "" || c.Out != "" || len(c.Scenario) > 1):
		return hint(errors.New("rehearse: on the real board a crew presses the buttons, of one scenario at a time, and all of it is kept in the pad's log folder"), "leave out --real-board, or --auto, --all, --json, --from, --out and the other scenarios")
	case c.Pad == "" && c.From == "":
		return hint(errors.New("rehearse: no pad file named"), "--pad FILE names it; downhaul new writes one")
	case c.From == "" && !c.Auto && !c.All && (c.JSON || len(c.Scenario) > 1):
		return hint(errors.New("rehearse: you press the buttons, of one scenario at a time, and its timeline is for people"), "--auto plays the crew as well; --all flies every mishap")
	case c.All && len(c.Scenario) > 0:
		return hint(errors.New("rehearse: --all flies the mishaps that ship, and no other scenario"), "leave out --all, or the scenarios")
	}
	return nil
}

func (c *rehearseCmd) Run(ctx context.Context, s *streams) (err error) {
	if err := c.refused(); err != nil {
		return err
	}
	var files guard.Files
	if c.From == "" {
		if files, err = c.files(); err != nil {
			return err
		}
	}
	if c.Real {
		if len(c.Scenario) == 0 {
			c.Scenario = []string{rehearsal.Calm}
		}
		return c.onBoard(ctx, s, files)
	}
	dir, thrown, err := c.folder()
	if err != nil {
		return err
	}
	if thrown {
		defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	} else {
		defer func() { _ = os.Remove(dir) }() // where nothing was flown it is empty, and goes
	}
	if c.From != "" {
		return c.from(ctx, s, dir)
	}
	set, err := rehearsal.Prepare(files, c.Step, dir, c.Envelope == "")
	if err != nil {
		return err
	}
	set.Craft.Config.Seed = c.Seed
	for _, name := range c.Scenario { // before anything is flown or said
		if _, err := scenarioOf(set, name); err != nil {
			return err
		}
	}
	if !c.JSON {
		printRehearsed(s, set)
	}
	if c.All && set.Craft.Step.Stand != nil {
		return hint(errors.New("rehearse: --all flies the mishaps of a flight, and this step runs on the thrust stand"), "name one of %s", strings.Join(rehearsal.StandNames(), ", "))
	}
	if c.All {
		return c.all(ctx, s, set, dir)
	}
	if len(c.Scenario) == 0 {
		c.Scenario = []string{pick(set.Craft.Step.Stand != nil, rehearsal.OnStand, rehearsal.Calm)}
	}
	if !c.Auto {
		return c.live(ctx, s, set, dir, thrown)
	}
	return c.auto(s, set, dir, thrown)
}

// auto flies the scenarios one after another, the crew played too.
func (c *rehearseCmd) auto(s *streams, set *rehearsal.Setup, dir string, thrown bool) error {
	var results []*rehearsal.Result
	for i, name := range c.Scenario {
		r, err := c.fly(set, name, filepath.Join(dir, fmt.Sprintf("%02d", i+1)))
		if err != nil {
			return err
		}
		if results = append(results, r); !c.JSON {
			printFlight(s, set, r, thrown)
		}
	}
	if c.JSON {
		if err := printJSON(s.out, rehearsedJSON(set, results, thrown)); err != nil {
			return err
		}
	}
	if err := c.page(s, dir, album.Shown{Setup: set, Flights: results}); err != nil {
		return err
	}
	if slices.ContainsFunc(results, func(r *rehearsal.Result) bool { return !r.AsExpected }) {
		return errFound
	}
	return nil
}

// files reads the files that are named.
func (c *rehearseCmd) files() (files guard.Files, err error) {
	if info, err := os.Stat(c.Pad); err == nil && info.IsDir() {
		return files, hint(fmt.Errorf("rehearse: %s is a folder", c.Pad), "--pad names the pad file in it, such as %s", filepath.Join(c.Pad, session.Pad))
	}
	if files, err = guard.ReadFiles(c.Pad, c.Envelope, c.Card); err == nil {
		err = otherKind(c.Pad, files.Pad.Text, isPad)
	}
	if err != nil {
		err = fmt.Errorf("rehearse: %w", err)
	}
	if errors.Is(err, os.ErrNotExist) {
		err = hint(err, "downhaul new DIR writes files to begin with")
	}
	return files, err
}

// folder is where the sessions go, and whether they are thrown away.
func (c *rehearseCmd) folder() (dir string, thrown bool, err error) {
	if c.Out == "" {
		if dir, err = os.MkdirTemp("", "downhaul-rehearsal-"); err != nil {
			err = fmt.Errorf("rehearse: %w", err)
		}
		return dir, true, err
	}
	if dir, err = filepath.Abs(c.Out); err != nil {
		return "", false, fmt.Errorf("rehearse: %w", err)
	}
	if err := os.Mkdir(dir, 0o755); err != nil {
		return "", false, hint(fmt.Errorf("rehearse: %w", err), "--out names a folder that is not there yet; nothing is overwritten")
	}
	return dir, false, nil
}

// fly flies one scenario in a folder of its own.
func (c *rehearseCmd) fly(set *rehearsal.Setup, name, dir string) (*rehearsal.Result, error) {
	scenario, err := scenarioOf(set, name)
	if err != nil {
		return nil, err
	}
	own, err := set.In(dir)
	if err != nil {
		return nil, err
	}
	return own.Fly(strings.TrimSuffix(filepath.Base(name), ".txt"), scenario)
}

// scenarioOf reads a mishap that ships, or a file.
func scenarioOf(set *rehearsal.Setup, name string) (*craftmodel.Scenario, error) {
	if slices.Contains(rehearsal.Names(), name) || slices.Contains(rehearsal.StandNames(), name) {
		return set.Shipped(name)
	}
	text, err := plain.Read(name, plain.Setup)
	if err != nil {
		if errors.Is(err, os.ErrNotExist) && !strings.ContainsAny(name, "/.") {
			return nil, hint(fmt.Errorf("rehearse: %q is neither a mishap that ships nor a file", name), "%s", strings.TrimSpace(document.Nearest(name, rehearsal.Names())+" downhaul rehearse --help names all"))
		}
		return nil, fmt.Errorf("rehearse: %w", err)
	}
	return set.Read(name, string(text))
}

const rehearsedMark = "A rehearsal: the craft is a model, and nothing here counts on card, forecast or hours."

// printRehearsed prints what is flown, and what was taken for it.
func printRehearsed(s *streams, set *rehearsal.Setup) {
	c := set.Craft
	wrap(s.out, "", "", rehearsedMark)
	wrap(s.out, "Craft:     ", "           ", set.Sentence())
	if !c.Room {
		wrap(s.out, "Warning:   ", "           ", "the limits on height leave no room for a hover; downhaul check says what each is worth.")
	}
	for i, text := range c.Assumed {
		wrap(s.out, pick(i == 0, "Taken:     ", "           "), "           ", text+".")
	}
	for i, text := range set.Changed {
		wrap(s.out, pick(i == 0, "Otherwise: ", "           "), "           ", text+".")
	}
	fmt.Fprintln(s.out)
}

// line prints one line of a timeline.
func (s *streams) line(l rehearsal.Line) {
	wrap(s.out, fmt.Sprintf("%6.2f s  %-7s", l.At.Seconds(), l.Who), strings.Repeat(" ", 17), l.Says)
}

// printFlight prints the timeline of one flight, and how it came out.
func printFlight(s *streams, set *rehearsal.Setup, r *rehearsal.Result, thrown bool) {
	wrap(s.out, "", "", pick(r.Title != "", r.Title, r.Name)+" (rehearsal)")
	if r.Lacks != "" {
		wrap(s.out, "Not flown:  ", "            ", "this pad has no "+r.Lacks+".")
		return
	}
	for _, l := range r.Timeline {
		s.line(l)
	}
	t := r.Truth
	if r.NoStart != "" {
		wrap(s.out, "Not flown:  ", "            ", "the crew waited in vain for "+r.NoStart+".")
	}
	wrap(s.out, "Reached:    ", "            ", fmt.Sprintf("height %s, pull %s, off the anchor %s, arrival at %s.", set.Show(t.Height, rules.Length),
		set.Show(t.Tension, rules.Force), set.Show(t.Distance, rules.Length), set.Show(t.Arrival, rules.Speed)))
	for _, h := range r.Harms {
		wrap(s.out, pick(h.Seen, "Came of it: ", "NOT SEEN:   "), "            ", h.What+".")
	}
	if r.Expect != "" {
		wrap(s.out, "Expected:   ", "            ", pick(r.Expect == "none", "no stop", r.Expect)+": "+pick(r.AsExpected, "so it was.", "IT WAS NOT."))
	}
	if !thrown {
		wrap(s.out, "Session:    ", "            ", r.Session)
	}
	fmt.Fprintln(s.out)
}
