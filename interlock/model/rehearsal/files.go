package rehearsal

import (
	"bytes"
	"fmt"
	"net/netip"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/BurntSushi/toml"

	"downhaul/interlock"
	"downhaul/interlock/day/guard"
	"downhaul/interlock/pad"
	"downhaul/interlock/records/plain"
	"downhaul/interlock/records/session"
	"downhaul/rules"
	"downhaul/rules/card"
	"downhaul/rules/document"
)

// Setup is the files of a rehearsal: the limits as they are, pad and card as they
// must be to run without hardware and on no record of a real day.
type Setup struct {
	Files   guard.Files
	Checked guard.Checked
	Craft   *Craft
	// Changed is what the copies of pad and card have otherwise, in words.
	Changed []string
	// Watched reports whether the pad only watches and is rehearsed as if it guarded.
	Watched bool
	// Quiet leaves the scenario's acts out of the timeline: those of a recording are many.
	Quiet bool

	original guard.Files
	step     string
	stands   time.Duration // how long the rotors are taken to run after the opening
	proven   bool
	held     *float64 // the hover's height where a trial sets it, m
	place    place
	declares string // a step on the ground that is declared instead; empty is none
}

// declared is the name of the step that the crew declares.
func (s *Setup) declared() string {
	if s.declares != "" {
		return s.declares
	}
	return s.Craft.Step.Name
}

// place is where a guard runs by itself; the zero place is a stepped guard's.
type place struct {
	link netip.AddrPort // where it listens
	pins *Pins          // its real board, nil on a virtual one
}

// Prepare checks the files and makes those of the rehearsal, whose sessions go to
// the folder dir. Where the step has limits of its own, and ownLimits is set, they
// stand instead of the day's.
func Prepare(files guard.Files, step, dir string, ownLimits bool) (*Setup, error) {
	return prepare(files, step, dir, ownLimits, place{})
}

// Live returns the set-up for a guard that runs by itself, with its sockets in the
// folder and the craft heard at an address of this computer.
func (s *Setup) Live(dir string, link netip.AddrPort) (*Setup, error) {
	return s.at(dir, place{link: link})
}

// OnPins is Live on the pad's real board.
func (s *Setup) OnPins(dir string, link netip.AddrPort, pins *Pins) (*Setup, error) {
	return s.at(dir, place{link, pins})
}

func (s *Setup) at(dir string, where place) (*Setup, error) {
	own, err := prepare(s.original, s.step, dir, false, where)
	if err == nil {
		own.Craft.Config.Seed = s.Craft.Config.Seed
	}
	return own, err
}

func prepare(files guard.Files, step, dir string, ownLimits bool, where place) (*Setup, error) {
	checked, faults := files.Check()
	if len(faults) > 0 {
		return nil, faults
	}
	craft, faults := model(files, checked, step)
	if len(faults) > 0 {
		return nil, faults
	}
	if own := craft.Step.Envelope; own != "" && ownLimits {
		name := filepath.Join(filepath.Dir(files.Card.Name), own)
		text, err := plain.Read(name, plain.Setup)
		if err != nil {
			return nil, err
		}
		files.Envelope = guard.File{Name: name, Text: text}
		return prepare(files, step, dir, false, where)
	}
	s := &Setup{Craft: craft, original: files, step: step, place: where}
	return s, s.make(checked, dir)
}

// with returns the set-up with other limits.
func (s *Setup) with(envelope []byte, dir string) (*Setup, error) {
	files := s.original
	files.Envelope.Text = envelope
	return Prepare(files, s.step, dir, false)
}

func (s *Setup) make(c guard.Checked, dir string) error {
	s.stands, s.proven = c.Pad.Stated().Standing, c.Pad.Stop.Proven
	s.Watched = c.Pad.Duty == interlock.Watch
	s.Files.Envelope = s.original.Envelope
	var err error
	if s.Files.Pad, err = rewrite(s.original.Pad, filepath.Join(dir, session.Pad), func(t map[string]any) { s.pad(t, dir) }); err != nil {
		return err
	}
	if s.Files.Card, err = rewrite(s.original.Card, filepath.Join(dir, session.Card), func(t map[string]any) { s.card(t, c.Card) }); err != nil {
		return err
	}
	var faults document.Faults
	if s.Checked, faults = s.Files.Check(); len(faults) > 0 {
		return fmt.Errorf("the files of the rehearsal, made from yours: %w", faults)
	}
	return nil
}

// rewrite changes a file that was checked.
func rewrite(f guard.File, name string, change func(map[string]any)) (guard.File, error) {
	var t map[string]any
	if _, err := toml.Decode(string(f.Text), &t); err != nil {
		return guard.File{}, fmt.Errorf("%s: %w", f.Name, err)
	}
	change(t)
	var b bytes.Buffer
	b.WriteString("# A copy for a rehearsal, made by downhaul rehearse from " + filepath.Base(f.Name) + ".\n")
	if err := toml.NewEncoder(&b).Encode(t); err != nil {
		return guard.File{}, fmt.Errorf("%s: %w", f.Name, err)
	}
	return guard.File{Name: name, Text: b.Bytes()}, nil
}

// table returns a table of a file, made where there is none.
func table(t map[string]any, name string) map[string]any {
	sub, ok := t[name].(map[string]any)
	if !ok {
		sub = map[string]any{}
		t[name] = sub
	}
	return sub
}

// pad puts the pad on a virtual board and this computer.
func (s *Setup) pad(t map[string]any, dir string) {
	changed := func(format string, args ...any) { s.Changed = append(s.Changed, fmt.Sprintf(format, args...)) }
	t["duty"], t["log_folder"] = "guard", dir
	delete(t, "socket") // a stepped guard has none
	delete(t, "socket_group")
	board := table(t, "board")
	board["kind"] = string(pad.Virtual)
	delete(board, "socket")
	if s.place.link.IsValid() {
		t["socket"] = filepath.Join(dir, "guard.sock")
	}
	switch {
	case s.place.pins != nil:
		board["kind"] = string(pad.Rehearsal)
		changed("anemometer and load cell are modelled, as the craft is")
	case s.place.link.IsValid():
		board["socket"] = filepath.Join(dir, "board.sock")
		// As on a desk computer with other work; a real pad keeps 20 ms and 50 ms.
		board["stale_after"] = "400 ms"
		table(t, "watchdog")["longest_gap"] = "500 ms"
	}
	if s.Watched {
		changed("the pad only watches; it is rehearsed as if it guarded, with every line of a virtual board")
		delete(board, "lines")
		absent := table(t, "absent")
		for _, line := range []string{"relay", "heartbeat", "reset", "start"} {
			delete(absent, line)
		}
		if reach := table(t, "reach"); reach["how"] == nil {
			reach["how"] = "wired pair"
		}
	}
	if !s.proven {
		changed("the stop counts as measured, with the %s that are stated: a flight is not held back for it", rules.FormatDuration(s.stands))
		t["stop"] = map[string]any{"measured": rules.FormatDuration(s.stands), "method": "stated, for a rehearsal", "date": time.Now().Format(time.DateOnly), "by": "rehearsal"}
	}
	if lines, ok := board["lines"].(map[string]any); ok && s.place.pins == nil {
		for name, text := range lines {
			if words, ok := text.(string); ok {
				_, rest, more := strings.Cut(words, ",")
				lines[name] = "virtual"
				if more {
					lines[name] = "virtual," + rest
				}
			}
		}
	}
	table(t, "commission")["required"] = false
	table(t, "computer")["real_time"] = false
	delete(t, "keep")
	delete(t, "proof")
	if t["signing"] != nil {
		changed("frames are not signed")
		delete(t, "signing")
	}
	for _, name := range []string{"watchdog", "load_cell"} {
		if sub, ok := t[name].(map[string]any); ok {
			delete(sub, "device")
			delete(sub, "timeout")
		}
	}
	links, _ := t["link"].([]map[string]any)
	for i, l := range links {
		for _, key := range []string{"device", "baud", "from"} {
			delete(l, key)
		}
		l["kind"], l["address"] = "udp", fmt.Sprintf("127.0.0.1:%d", 40123+i)
		if s.place.link.IsValid() && i == 0 {
			l["address"] = s.place.link.String()
		}
	}
	if len(links) > 1 {
		changed("the craft is heard on the first link alone")
	}
}

// card takes out of the card's steps what only earlier days can show.
func (s *Setup) card(t map[string]any, c *card.Card) {
	steps, _ := t["step"].([]map[string]any)
	shown := map[string]bool{}
	for _, row := range steps {
		if row["kind"] != "stand" { // which is none without
			delete(row, "envelope")
			delete(row, "envelope_sha256")
		}
		for _, key := range []string{"hover", "no_trips", "reserve"} {
			delete(row, key)
		}
		if row["measured_by"] != nil {
			for _, key := range []string{"measured_by", "tie_down", "anchor"} {
				delete(row, key)
			}
			if row["pass"] == nil {
				row["pass"] = "taken as measured, for the rehearsal"
			}
		}
		needs, _ := row["needs"].([]any)
		row["needs"] = slices.DeleteFunc(needs, func(need any) bool {
			name, _ := need.(string)
			step, ok := c.Step(name)
			flew := ok && step.Kind == card.Flight
			if flew {
				shown[step.Name] = true
			}
			return flew
		})
		if len(row["needs"].([]any)) == 0 {
			delete(row, "needs")
		}
	}
	if len(shown) > 0 || s.Craft.Step.Shown.Hover > 0 || s.Craft.Step.Shown.HasReserve {
		s.Changed = append(s.Changed, "what only earlier flights can show is taken as shown; inspections and ground steps are told as passed")
	}
}
