package prove

import (
	"errors"

	"downhaul/rules"
)

// errStopped means that whoever was told of the progress did not want to go on.
var errStopped = errors.New("prove: interrupted")

// Run makes the whole proof test. An error means that it could not be made; a
// rule that fails, or cannot be proved, is in the report.
func Run(setup Setup) (*Report, error) {
	p, err := newPlan(setup)
	if err != nil {
		return nil, err
	}
	n, of, stopped := 0, len(setup.Envelope.Rules)+2, false
	say := func(what string) {
		n++
		stopped = stopped || setup.Progress != nil && !setup.Progress(what, min(n, of), of)
	}
	out := &Report{Schema: Schema, Rules: []Row{}, Starts: []Case{}}
	say("the way to live")
	b, err := p.depart()
	if err != nil {
		return nil, err
	}
	wanted := func(rule string) bool { return setup.only == nil || setup.only(rule) }
	rows := map[int][]Row{}
	for i := range p.env.Rules {
		if p.asideWhy[p.origin(i)] != "" || !wanted(p.env.Rules[i].Name) {
			continue
		}
		if say(p.env.Rules[i].Name); stopped {
			return nil, errStopped
		}
		rows[p.origin(i)] = p.prove(i, b)
	}
	for i := range setup.Envelope.Rules {
		if !wanted(setup.Envelope.Rules[i].Name) {
			continue
		}
		r, ok := rows[i]
		if !ok && !p.never[i] && setup.Fed(setup.Envelope.Rules[i].Watch) != rules.NotFed {
			if say(setup.Envelope.Rules[i].Name); stopped {
				return nil, errStopped
			}
			r = p.byItself(i)
		}
		if r == nil {
			r = []Row{p.unproven(i)}
		}
		out.Rules = append(out.Rules, r...)
	}
	if say("the conditions of a start"); stopped {
		return nil, errStopped
	}
	if wanted("") {
		s := &starts{p: p, b: b, out: out.Starts}
		s.all()
		out.Starts = s.out
	}
	out.Notes = append([]string{}, p.notes...)
	out.close()
	return out, nil
}

// depart makes the pads from which proofs set out, without the rules that nothing
// drives and those that stand against the others.
func (p *plan) depart() (*bases, error) {
	p.unfed()
	p.without(func(i int) string {
		r := &p.env.Rules[i]
		switch why := p.outOfReach(r); {
		case p.asideWhy[i] != "":
			return ""
		case why != "":
			p.never[i] = true
			return why
		case byLoad(r.Watch) && len(p.env.Rules) > 1:
			return loadAlone
		case r.Watch == rules.LinkAge && len(p.env.Rules) > 1:
			return "silence would have them act as well"
		}
		return ""
	}, func(int) string { return "" })
	return p.begin()
}

// unfed notes the rules that nothing feeds on this pad.
func (p *plan) unfed() {
	e := p.setup.Envelope
	for i := range e.Rules {
		r := &e.Rules[i]
		if p.setup.Fed(r.Watch) != rules.NotFed {
			continue
		}
		why := "nothing on this pad feeds " + r.Watch.String()
		if a, ok := e.Absent(r.Watch); ok {
			why += " (" + a.Reason + ")"
		}
		p.asideWhy[i] = why
	}
}

// byItself proves a rule that the others could not be proved with in a core of
// its own; nil if it cannot be done.
func (p *plan) byItself(i int) (rows []Row) {
	beside := p.asideWhy[i]
	alone, b, err := p.alone(i)
	if err != nil {
		p.asideWhy[i] = err.Error()
		return nil
	}
	for _, s := range sidesOf(&alone.env.Rules[0]) {
		row, _ := alone.side(0, s, b)
		row.Beside = beside
		rows = append(rows, row)
	}
	return rows
}

// unproven is the row of a rule that was not tried.
func (p *plan) unproven(i int) Row {
	r := &p.setup.Envelope.Rules[i]
	s := sidesOf(r)[0]
	return Row{Rule: r.Name, Line: r.Line, Channel: r.Watch.String(), Side: s.name, Unit: unitOf(r), Limit: s.limit,
		Stop: r.Stop.String(), StaleAfter: r.StaleAfter.Seconds(), Outcome: NotProven, Why: p.asideWhy[i], Cases: []Case{}, Index: i}
}
