package main

import (
	"context"
	"encoding/hex"
	"fmt"
	"path/filepath"
	"slices"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/after/report/lift"
	"downhaul/interlock/before/hazard"
	"downhaul/interlock/pad"
	"downhaul/interlock/pad/unseen"
	"downhaul/interlock/records/plain"
	"downhaul/interlock/sense"
	"downhaul/rules"
	"downhaul/rules/card"
	"downhaul/rules/document"
	"downhaul/rules/words"
)

type checkCmd struct {
	JSON  bool     `help:"Print one JSON object."`
	All   bool     `help:"Print every rule, step and figure in a sentence, with what each number assumes."`
	Heard string   `placeholder:"FILE" help:"A recording, or what listen --json printed: budgets go by the rates that really came, and each limit, condition and sign is held against them."`
	Files []string `arg:"" name:"file" help:"Envelope, pad file or test card; several envelopes and cards may be given, one pad file."`
}

func (checkCmd) Help() string {
	return "Reads the files and lists every fault with its line and how to mend it, or the limits as one table: what " +
		"takes the power off, how soon, and what the craft does until then; what this set-up cannot see; and what may not be meant. Which kind a file is shows by what stands in it. An envelope is held against " +
		"the pad file when one is given beside it, and both against a link or a recording with --heard, which proposes lines and writes none. The envelopes that a test card names are checked too. One cause is told once, where it stands. Exit code 1 means refused or warned: which of the two " +
		"stands in the last line, and with --json in verdict (accepted, warned or refused). A file that cannot be read at all ends with 2."
}

// checked is what check found; checkSchema counts its shape.
type checked struct {
	Schema int `json:"schema"`
	// Verdict is "refused" where a file has a fault, "warned" where something may not be
	// meant, else "accepted".
	Verdict outcome       `json:"verdict"`
	Files   []checkedFile `json:"files"`
	Unseen  []unseen.Item `json:"cannot_see"`
	// Warnings are what may not be meant, each with its place: exit code 1. Notes are
	// what has to be known besides.
	Warnings []string `json:"warnings"`
	// Consequences follow from what is warned of, and are told there by their lines.
	Consequences []string        `json:"consequences"`
	Notes        []string        `json:"notes"`
	Hazards      []hazard.Hazard `json:"hazards"`
	// Held is every rule, condition and sign against the link that was heard, Paste what
	// could be written, TooSeldom what comes too seldom for any pad file. Empty without --heard.
	Held      []heldRow `json:"held"`
	Paste     []pasted  `json:"to_paste"`
	TooSeldom []string  `json:"too_seldom"`
	pad       *pad.Pad
	padFile   sense.Source
	card      *card.Card // the one with the heaviest step; nil without one
	heard     hazard.Heard
	found     *findings    // what was heard; nil without
	wrong     []channelRow // heard, and a guard would not take them
	all       bool         // every sentence is printed
	// refused and doubts are of the files, judged of what limits are worth.
	refused, doubts, judged hazard.Findings
}

const checkSchema = 1

// outcome is what check makes of the files.
type outcome string

const (
	accepted outcome = "accepted"
	warned   outcome = "warned"
	refused  outcome = "refused"
)

type checkedFile struct {
	File        string     `json:"file"`
	Kind        kind       `json:"kind"`
	Title       string     `json:"title"`
	SHA256      string     `json:"sha256"`
	Faults      []fault    `json:"faults"`
	Rules       []ruleRow  `json:"rules,omitempty"`
	Permissives []startRow `json:"permissives,omitempty"`
	Says        []string   `json:"says,omitempty"` // what a pad file or a card says, in sentences
	// Table is the rules of an envelope as a crew reads them, First what matters before
	// any other sentence.
	Table []hazard.LimitRow `json:"table,omitempty"`
	First []string          `json:"first,omitempty"`
	// Keep and Rope are of an envelope held against a pad, Lift of a card.
	Keep     *hazard.Keep `json:"keep_out,omitempty"`
	Rope     *hazard.Rope `json:"rope,omitempty"`
	Lift     *hazard.Lift `json:"lift,omitempty"`
	Motors   []motorRow   `json:"motors,omitempty"` // of a card that says where they stand
	Sum      *lift.Sum    `json:"sum,omitempty"`    // of a card that names a stand's table, with a pad
	envelope *rules.Envelope
	card     *card.Card
	source   sense.Source
}

type fault struct {
	Line int    `json:"line"`
	Key  string `json:"key"`
	// Wrong states what is wrong, Got what was found, Mend how to put it right.
	Wrong string `json:"wrong"`
	Got   string `json:"got"`
	Mend  string `json:"mend"`
	text  string
}

type ruleRow struct {
	Name     string `json:"name"`
	Line     int    `json:"line"`
	Channel  string `json:"channel"`
	Sentence string `json:"sentence"`
	// RestsOn is whose word the channel is; empty without a pad file.
	RestsOn string `json:"rests_on,omitempty"`
	// Reaction is the longest that the rule may take on this pad; null without
	// a pad file, and where nothing feeds the rule.
	Reaction *hazard.Budget `json:"reaction"`
	// Meanwhile is what the craft does in that time.
	Meanwhile *hazard.Meanwhile `json:"meanwhile"`
	// Without is the reason for a rule that nothing can feed.
	Without string `json:"without,omitempty"`
	reacts  string
}

type startRow struct {
	Name     string `json:"name"`
	Line     int    `json:"line"`
	Channel  string `json:"channel"`
	Sentence string `json:"sentence"`
	RestsOn  string `json:"rests_on,omitempty"`
}

func (c *checkCmd) Run(ctx context.Context, s *streams) error {
	out, err := readSetup(ctx, s, "check", c.Files, c.Heard, c.All)
	if err != nil {
		return err
	}
	return s.conclude(out, c.JSON, nil, out.Verdict != accepted)
}

// readSetup reads files of the three kinds and judges them.
func readSetup(ctx context.Context, s *streams, command string, files []string, heard string, all bool) (*checked, error) {
	out := &checked{Schema: checkSchema, Files: []checkedFile{}, Unseen: []unseen.Item{}, Warnings: []string{}, Consequences: []string{}, Notes: []string{}, Hazards: []hazard.Hazard{},
		Held: []heldRow{}, Paste: []pasted{}, TooSeldom: []string{}, all: all}
	if heard != "" {
		var err error
		if out.found, err = wasHeard(ctx, s, "check", heard); err != nil {
			return nil, err
		}
		out.heard, out.wrong = out.found.budgets(), out.found.Wrong
	}
	pads := 0
	for _, name := range files {
		if out.has(name) {
			continue // a card named it already
		}
		text, err := plain.Read(name, plain.Setup)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", command, unreadable(name, err))
		}
		f := out.read(name, text)
		if f.Kind == isPad {
			pads++
		}
		out.Files = append(out.Files, f)
	}
	if pads > 1 {
		return nil, hint(fmt.Errorf("%s: more than one pad file, so nobody knows against which to hold the envelope", command), "give one pad file at a time")
	}
	out.holdAgainstPad()
	out.sums()
	out.senses(time.Now())
	out.tellWrong()
	out.holdAgainstLink()
	out.sayHeld()
	out.conclude()
	out.lookAround()
	// What is at fault stands first: a fault in one file explains what is missing in
	// the others.
	slices.SortStableFunc(out.Files, func(a, b checkedFile) int { return min(len(b.Faults), 1) - min(len(a.Faults), 1) })
	return out, nil
}

// read reads one file of any kind. The envelopes that a card names are added to
// c.Files in front of it.
func (c *checked) read(name string, text []byte) checkedFile {
	f := checkedFile{File: name, Kind: kindOf(text), Faults: []fault{}, source: sense.Source{Name: name, Text: text}}
	if faults := twoInOne(name, text); faults != nil {
		f.add(faults)
		f.Kind = isNone
		return f
	}
	switch f.Kind {
	case isEnvelope:
		e, faults := rules.ReadEnvelope(name, text)
		f.add(faults)
		if e != nil {
			f.envelope, f.Title, f.SHA256 = e, e.Title, hex.EncodeToString(e.Hash[:])
		}
	case isPad:
		p, faults := pad.Read(name, text)
		f.add(faults)
		c.padFile = f.source
		if p != nil {
			c.pad = p
			f.Title, f.SHA256, f.Says = p.Title, hex.EncodeToString(p.Hash[:]), padSays(p)
		}
	case isCard:
		crd, faults := card.Read(name, text)
		f.add(faults)
		if crd != nil {
			f.Title, f.SHA256, f.Says = crd.Title, hex.EncodeToString(crd.Hash[:]), cardSays(crd)
			f.card, f.Motors = crd, motorRows(crd)
			c.stepEnvelopes(&f, crd)
			says, lift := hazard.Card(crd)
			f.Says, f.Lift = append(f.Says, says...), lift
			if c.card == nil || hazard.Heaviest(crd) > hazard.Heaviest(c.card) {
				c.card = crd
			}
		}
	default:
		f.add(noneOf(name, text))
	}
	return f
}

// has reports whether the file was read already.
func (c *checked) has(name string) bool {
	return slices.ContainsFunc(c.Files, func(f checkedFile) bool { return filepath.Clean(f.File) == filepath.Clean(name) })
}

func (f *checkedFile) add(faults document.Faults) {
	for _, x := range faults {
		f.Faults = append(f.Faults, faultOf(x))
	}
}

func faultOf(x document.Fault) fault { return fault{x.Line, x.Key, x.Wrong, x.Got, x.Mend, x.Error()} }

// holdAgainstPad checks that the pad feeds what the envelopes watch, and turns
// their rules into rows.
func (c *checked) holdAgainstPad() {
	for i := range c.Files {
		f := &c.Files[i]
		if f.card != nil && c.pad != nil {
			f.add(c.pad.CheckCard(f.File, f.card))
		}
		e := f.envelope
		if e == nil {
			continue
		}
		if c.pad != nil {
			f.add(e.CheckFed(f.File, c.pad.Fed))
		}
		v := c.judge(f)
		for j := range e.Rules {
			r := &e.Rules[j]
			row := ruleRow{Name: r.Name, Line: r.Line, Channel: r.Watch.String(), Sentence: words.Rule(r), RestsOn: c.restsOn(r.Watch)}
			if a, ok := e.Absent(r.Watch); ok {
				row.Without = a.Reason
			}
			if c.pad != nil && c.pad.Fed(r.Watch) != rules.NotFed {
				row.Reaction, row.Meanwhile = &v.Budgets[j], &v.Meanwhile[j]
				row.reacts = v.Budgets[j].Says(r.Stop, c.pad.Duty == interlock.Watch)
				if m := v.Meanwhile[j].Says; m != "" {
					row.reacts += " " + m
				}
			}
			f.Rules = append(f.Rules, row)
			if c.pad == nil {
				f.Table = append(f.Table, hazard.LimitRowOf(r))
			}
		}
		for j := range e.Permissives {
			p := &e.Permissives[j]
			f.Permissives = append(f.Permissives, startRow{p.Name, p.Line, p.Watch.String(), words.Permissive(p), c.restsOn(p.Watch)})
		}
	}
}

// judge returns what the limits of an envelope are worth on this pad; without one, nothing.
func (c *checked) judge(f *checkedFile) (v hazard.Verdict) {
	if c.pad == nil {
		return v
	}
	stop, _ := c.stop()
	v = hazard.Judge(hazard.Case{Envelope: f.envelope, Limits: f.source, PadFile: c.padFile, CardFile: c.cardFile(), Pad: c.pad, Card: c.card, Stop: stop, Heard: c.heard})
	f.Says, f.Keep, f.Rope, f.Table, f.First = append(f.Says, v.Says...), &v.Keep, &v.Rope, v.Table, v.First
	for _, w := range v.Warnings { // of the pad, they are those of each envelope
		if !slices.Contains(c.Notes, w) {
			c.Notes = append(c.Notes, w)
		}
	}
	c.judged = append(c.judged, v.Doubts...)
	return v
}

// cardFile is the file of the card that counts.
func (c *checked) cardFile() sense.Source {
	for i := range c.Files {
		if c.Files[i].card == c.card && c.card != nil {
			return c.Files[i].source
		}
	}
	return sense.Source{}
}

func (c *checked) restsOn(id rules.ChannelID) string {
	if c.pad == nil {
		return ""
	}
	return c.pad.Fed(id).String()
}

// lookAround lists what the set-up cannot see and what else must be said.
func (c *checked) lookAround() {
	p := c.pad
	if p == nil {
		if c.padFile.Name == "" && slices.ContainsFunc(c.Files, func(f checkedFile) bool { return f.envelope != nil }) {
			c.Notes = append(c.Notes, "no pad file was given, so nobody knows which rules anything feeds: check both together")
		}
		return
	}
	var envelopes []*rules.Envelope
	unread := false
	for i := range c.Files {
		if e := c.Files[i].envelope; e != nil {
			envelopes = append(envelopes, e)
		}
		unread = unread || c.Files[i].Kind == isEnvelope && len(c.Files[i].Faults) > 0
	}
	c.Unseen = unseen.List(p, envelopes...)
	if !unread { // a refused envelope's rules would count as none
		c.Hazards = hazard.Hazards(p, envelopes...)
	}
	if p.Duty == interlock.Watch {
		c.Notes = append(c.Notes, "this pad only watches: buzzer, page and log; no relay is ever closed, and none opens")
	} else {
		c.stopWarnings()
	}
	if p.Board.Kind == pad.Virtual {
		c.Notes = append(c.Notes, "the board is a virtual one: a rehearsal without any safety function")
	}
}
