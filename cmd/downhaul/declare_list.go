package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"

	"golang.org/x/term"

	"downhaul/interlock/day/answers"
	"downhaul/interlock/records/session"
	"downhaul/rules"
	"downhaul/rules/card"
)

type declareListCmd struct{}

func (declareListCmd) Help() string {
	return "Numbers stand in the order of the card and stay what they are all day. Press the number; what it means stands there before enter takes it. q leaves."
}

// declarable is one row of the list.
type declarable struct {
	number     int
	name, says string
	// ask puts what is still open to the person and returns what to declare; nothing is
	// declared where the person gives no answer.
	ask func(d *dialog) []session.Declaration
}

// dialog is a person at a terminal who declares by number.
type dialog struct {
	in       *bufio.Reader
	s        *streams
	terminal int // its descriptor, -1 for none
	card     *card.Card
	units    string
	initials string // given last
}

func (c *declareListCmd) Run(g *declareCmd, s *streams) error {
	d := &dialog{in: bufio.NewReader(s.in), s: s, terminal: -1}
	if in := fileOf(s.in); in != nil && term.IsTerminal(int(in.Fd())) && redraws(s.out) {
		d.terminal = int(in.Fd())
	}
	if err := d.read(&g.guardAt); err != nil {
		return fmt.Errorf("declare: %w", err)
	}
	for first := true; ; first = false {
		reply, err := g.ask(answers.Request{Do: "declare"})
		if err != nil {
			return hint(fmt.Errorf("declare: %w", err), "a defect can be noted at any time: downhaul defect TEXT")
		}
		rows := d.rows(reply.Declared)
		d.print(rows)
		if first {
			list(s.out, "Before a start the card asks", reply.Declared.Asks)
		}
		row, err := d.choose(rows)
		if err != nil || row == nil {
			return err
		}
		var last *answers.Declared
		for _, x := range row.ask(d) {
			took, err := g.send(s, x)
			if err != nil {
				wrap(s.out, "", "  ", "Not declared. "+err.Error())
				break
			}
			last = took
		}
		if last != nil {
			printDeclared(s.out, last)
		}
	}
}

// read learns of the card, and in which units the crew writes.
func (d *dialog) read(g *guardAt) error {
	reply, err := g.ask(answers.Request{Do: "files"})
	if err != nil {
		return err
	}
	if reply.Files == nil {
		return errors.New("the guard did not answer what it runs on; are tool and guard of one version?")
	}
	if env, faults := rules.ReadEnvelope("envelope.toml", []byte(reply.Files.Envelope)); len(faults) == 0 {
		d.units = env.Units
	}
	if reply.Files.Card != "" {
		c, faults := card.Read("card.toml", []byte(reply.Files.Card))
		if c == nil {
			return faults.Err()
		}
		d.card, d.units = c, c.Units
	}
	return nil
}

// rows is what can be declared, numbered: the card's steps, each with its place there, and
// the rest behind them.
func (d *dialog) rows(now *answers.Declared) (rows []declarable) {
	n := 0
	if d.card != nil {
		n = len(d.card.Steps)
	}
	weighed := false
	for i := range n {
		s := &d.card.Steps[i]
		weighed = weighed || s.BallastWithin > 0
		if s.Measured {
			continue // nobody's word counts
		}
		r := declarable{number: i + 1, name: s.Name, ask: func(d *dialog) []session.Declaration { return d.step(s) }}
		if i < len(now.Standing) {
			r.says = now.Standing[i]
		}
		if s.Kind == card.Flight {
			r.says = d.card.Show(d.card.Craft.Mass+s.Ballast, rules.Mass) + " in all, " + r.says
		}
		if strings.EqualFold(s.Name, now.Step) {
			r.says = "DECLARED, " + r.says
		}
		rows = append(rows, r)
	}
	add := func(there bool, name, says string, ask func(d *dialog) []session.Declaration) {
		if n++; there {
			rows = append(rows, declarable{n, name, says, ask})
		}
	}
	one := func(what session.What, ask string, kind rules.Kind, by bool) func(d *dialog) []session.Declaration {
		return func(d *dialog) []session.Declaration {
			x := session.Declaration{What: what, Value: d.value(ask, rules.DefaultUnit(kind, d.units))}
			if x.Value == "" || by && !d.person(&x, "Who did it? Initials") {
				return nil
			}
			return []session.Declaration{x}
		}
	}
	packs := strings.Join(now.Packs, ", ")
	add(true, "packs", pick(packs == "", "none declared", packs), (*dialog).packs)
	add(true, "wind read by hand", "", one(session.DeclaredWind, "The wind", rules.Speed, false))
	add(true, "air at the pad", now.Air, (*dialog).air)
	add(true, "stop, by a watch", "of the last opening", one(session.DeclaredStop, "From the opening until the last rotor stood", rules.Duration, true))
	add(weighed, "ballast, weighed", now.Step, one(session.DeclaredBallast, "What the scale shows", rules.Mass, true))
	add(true, "craft made safe", "packs out", func(d *dialog) []session.Declaration {
		x := session.Declaration{What: session.DeclaredSafe}
		if x.Value = d.value("The warmest pack's temperature (enter for none)", rules.DefaultUnit(rules.Temperature, d.units)); d.person(&x, "Who took the packs out? Initials") {
			return []session.Declaration{x}
		}
		return nil
	})
	return rows
}

func (d *dialog) print(rows []declarable) {
	fmt.Fprintln(d.s.out)
	wrap(d.s.out, "", "  ", "What can be declared now. Press a number, then enter; q leaves.")
	for _, r := range rows {
		beside(d.s.out, fmt.Sprintf("%3d  ", r.number), r.name, strings.Repeat(" ", 7+nameWide-1), r.says)
	}
}

// choose waits until enter takes a number that stands in the list. What the number means
// is shown before that: a glove hits the next key as easily.
func (d *dialog) choose(rows []declarable) (chosen *declarable, err error) {
	if d.terminal >= 0 {
		before, err := term.MakeRaw(d.terminal)
		if err != nil {
			return nil, err
		}
		defer func() {
			_ = term.Restore(d.terminal, before)
			fmt.Fprintln(d.s.out)
		}()
	}
	typed := ""
	for {
		chosen = nil
		for i := range rows {
			if strconv.Itoa(rows[i].number) == typed {
				chosen = &rows[i]
			}
		}
		says := pick(typed == "", "Number: ", typed+" is not in the list")
		if chosen != nil {
			says = fmt.Sprintf("%s  %s: %s. Enter takes it.", typed, chosen.name, chosen.says)
		}
		if d.terminal >= 0 {
			r := []rune(printable(says))
			fmt.Fprint(d.s.out, "\r\x1b[K"+string(r[:min(len(r), columns-1)]))
		}
		key, err := d.in.ReadByte()
		switch {
		case err == io.EOF || key == 'q' || key == 3 || key == 4:
			return nil, nil
		case err != nil:
			return nil, err
		case key >= '0' && key <= '9' && len(typed) < 3:
			typed += string(key)
		case (key == 127 || key == 8) && typed != "":
			typed = typed[:len(typed)-1]
		case (key == '\r' || key == '\n') && chosen != nil:
			if d.terminal < 0 {
				wrap(d.s.out, "", "  ", strings.TrimSuffix(says, " Enter takes it."))
			}
			return chosen, nil
		case (key == '\r' || key == '\n') && typed == "":
		case (key == '\r' || key == '\n') && d.terminal < 0:
			fmt.Fprintln(d.s.out, says)
			typed = ""
		default:
			typed = ""
		}
	}
}

// line asks for a line; empty is no answer.
func (d *dialog) line(question string) string {
	fmt.Fprintf(d.s.out, "  %s: ", question)
	text, _ := d.in.ReadString('\n')
	if d.terminal < 0 {
		fmt.Fprintln(d.s.out, printable(strings.TrimSpace(text)))
	}
	return strings.TrimSpace(text)
}

// value asks for a quantity; a bare number is in the crew's own unit, and is shown with it.
func (d *dialog) value(question, unit string) string {
	text := d.line(fmt.Sprintf("%s, in %s", question, unit))
	if _, err := strconv.ParseFloat(text, 64); err == nil {
		text += " " + unit
	}
	return text
}

// person asks for initials, and offers those that were given last.
func (d *dialog) person(x *session.Declaration, question string) bool {
	if d.initials != "" {
		question += " [" + d.initials + "]"
	}
	if text := d.line(question); text != "" {
		d.initials = text
	}
	x.Initials = d.initials
	return d.initials != ""
}

// step is what somebody declares about a step of the card.
func (d *dialog) step(s *card.Step) []session.Declaration {
	passes := s.Kind == card.Inspection
	if s.Kind == card.Ground && !s.Stopping {
		passes = strings.HasPrefix(strings.ToLower(d.line("s: it is the step now, r: its result [s]")), "r")
	}
	if !passes {
		out := []session.Declaration{{What: session.DeclaredStep, Step: s.Name}}
		for n := range s.ConfirmedBy {
			x := session.Declaration{What: session.DeclaredConfirm, Initials: d.line(fmt.Sprintf("Initials of person %d of %d", n+1, s.ConfirmedBy))}
			if x.Initials == "" {
				break
			}
			out = append(out, x)
		}
		return out
	}
	x := session.Declaration{What: session.DeclaredInspection, Step: s.Name}
	if s.Limit.Form == card.Passes {
		switch strings.ToLower(d.line("p: " + s.Limit.Wants() + "; f: fail")) {
		case "p", "pass":
			x.Value = "pass"
		case "f", "fail":
			x.Value = "fail"
		}
	} else {
		x.Value = d.value("Wanted "+s.Limit.Wants()+"; found", s.Limit.Unit)
	}
	if x.Value == "" || !d.person(&x, "Who looked? Initials") {
		return nil
	}
	return []session.Declaration{x}
}

// packs takes the card's packs by their place there, or names.
func (d *dialog) packs() []session.Declaration {
	question := "Packs, by name"
	if d.card != nil && len(d.card.Packs) > 0 {
		question = "Packs, by number or name:"
		for i, p := range d.card.Packs {
			question += fmt.Sprintf(" %d %s", i+1, p.Name)
		}
	}
	names := strings.FieldsFunc(d.line(question), func(r rune) bool { return r == ' ' || r == ',' })
	for i, name := range names {
		if n, err := strconv.Atoi(name); err == nil && d.card != nil && n >= 1 && n <= len(d.card.Packs) {
			if _, named := d.card.Pack(name); !named {
				names[i] = d.card.Packs[n-1].Name
			}
		}
	}
	if len(names) == 0 {
		return nil
	}
	return []session.Declaration{{What: session.DeclaredPacks, Packs: names}}
}

// air takes the air's temperature, and its pressure or the pad's elevation.
func (d *dialog) air() []session.Declaration {
	warm := d.value("Temperature", rules.DefaultUnit(rules.Temperature, d.units))
	if warm == "" {
		return nil
	}
	where := d.value("Elevation of the pad, or the pressure with its unit", rules.DefaultUnit(rules.Length, d.units))
	if where == "" {
		return nil
	}
	return []session.Declaration{{What: session.DeclaredAir, Value: warm + ", " + where}}
}
