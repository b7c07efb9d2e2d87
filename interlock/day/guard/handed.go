package guard

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"downhaul/interlock/records/session"
	"downhaul/interlock/records/stopping"
	"downhaul/interlock/records/tiltcheck"
	"downhaul/rules/card"
)

// handed is what a start hands on of all sessions before its own: the next reads the last on top.
type handed struct {
	Ledger int            `json:"ledger"` // the newest entry that stood there
	Stops  stopping.Tally `json:"stops"`
	Ladder ladder         `json:"ladder"`
}

// ladder is what the sessions and tilt checks of a craft come to for one card.
type ladder struct {
	Card     string        `json:"card_sha256"`
	Software string        `json:"software"`
	Newest   time.Duration `json:"newest"` // of all that was declared and checked; see onCard
	Check    int           `json:"check"`  // number of the last of them, 0 for none
	// Report is the record of a report that rests on every session which is not in Runs.
	Report  int           `json:"report"`
	Results []card.Result `json:"results"`
	Runs    []card.Flown  `json:"runs"`
	Fell    time.Duration `json:"fell,omitempty"`
}

// onCard returns the time on a card's clock: since 1970, within a century.
func onCard(t time.Time) time.Duration {
	const century = 100 * 365 * 24 * time.Hour
	return max(-century, min(t.Sub(time.Unix(0, 0)), century))
}

// earlier is what was handed on, and the sessions to read on top of it, or all.
type earlier struct {
	handed
	sessions []*session.Session
	all      bool
	lost     []string // names of what cannot be read whole
}

// lose notes something that cannot be read whole, and why.
func (g *Guard) lose(e *earlier, name string, why error) {
	e.lost = append(e.lost, name)
	g.reread = append(g.reread, fmt.Sprintf("%v, so what was declared and flown in it does not count", why))
}

// handOn hands on what was found. What is lost may be brought back: until it is, or is moved
// away, each start reads all.
func (g *Guard) handOn() error {
	if g.lost {
		return nil
	}
	g.handed.Stops = g.stops.tally
	return g.session.HandOn(g.handed)
}

// lookBack finds what earlier sessions left.
func (g *Guard) lookBack() (*earlier, error) {
	e := new(earlier)
	facts, top, why := g.session.Since()
	if facts == nil || json.Unmarshal(facts, &e.handed) != nil {
		e.handed = handed{}
		return e, g.readAll(e, why)
	}
	e.sessions = top
	return e, nil
}

// readAll has all sessions read after all, and tells why.
func (g *Guard) readAll(e *earlier, why string) (err error) {
	if e.all {
		return nil
	}
	e.all = true
	var broken []session.Ending
	e.sessions, broken, err = session.Earlier(g.pad.LogFolder, g.session.Info.Mark)
	e.sessions = slices.DeleteFunc(e.sessions, func(s *session.Session) bool { return s.Info.Session == g.session.Info.Session })
	if why != "" && len(e.sessions) > 0 {
		g.reread = append(g.reread, "all earlier sessions were read, which takes a while: "+why)
	}
	for _, b := range broken {
		g.lose(e, b.Session, errors.New(b.Says))
	}
	return err
}

// mine returns the card of a session of the card's craft (its own copy, unless its hash is that
// of today's), nil of another's, and an empty one of no card: what fell may be this craft.
func (d *declared) mine(s *session.Session) (*card.Card, error) {
	i := slices.IndexFunc(s.Info.Files, func(f session.FileInfo) bool { return f.Name == session.Card })
	if i < 0 {
		return &card.Card{}, nil
	}
	if s.Info.Files[i].SHA256 == hashOf(d.card) {
		return d.card, nil
	}
	text, err := s.Text(session.Card)
	if err != nil {
		return nil, err
	}
	c, faults := card.Read(session.Card, text)
	if c == nil {
		return nil, fmt.Errorf("session %s: %w", s.Info.Session, faults.Err())
	}
	if !strings.EqualFold(c.Craft.Name, d.card.Craft.Name) {
		return nil, nil
	}
	return c, nil
}

// remember takes over what earlier sessions of the same craft hold on record, in the
// order on record: a check of the tilt response comes behind the session that was the
// newest when it was made. A clock that stands before the newest of them counts as that
// one's time: a board without a clock battery makes no old inspection young.
func (g *Guard) remember(start time.Time, e *earlier) error {
	d := &g.declared
	checks, bad, err := tiltcheck.Records(g.pad.LogFolder, d.card)
	if err != nil {
		return err
	}
	l := e.Ladder
	report, number, trouble, err := g.reported(l.Report)
	if n := len(checks) - 1; n >= 0 && checks[n].After >= g.session.Info.Number {
		return fmt.Errorf("record %d of tilt was made behind session %d, and this is session %d: it is of another log folder, or sessions are gone; move it away, and check the tilt response anew (downhaul tilt)",
			checks[n].Number, checks[n].After, g.session.Info.Number)
	}
	last := slices.IndexFunc(checks, func(r *tiltcheck.Record) bool { return r.Number == l.Check })
	stands := l.Card == hashOf(d.card) && l.Software == g.opts.Software && (l.Check == 0 || last >= 0) && (l.Report == 0 || number > 0)
	if err == nil && !stands {
		l, last = ladder{Card: hashOf(d.card), Software: g.opts.Software}, -1
		if err = g.readAll(e, "the last start had another test card, or a record that it rested on was changed"); err == nil {
			report, number, trouble, err = g.reported(0)
		}
	}
	if err != nil {
		return err
	}
	for _, err := range append(bad, trouble...) {
		g.reread = append(g.reread, err.Error())
	}
	d.facts.Hovers, d.facts.Forecast = report.Hovers, report.Forecast
	if d.card.ForecastsAsked() {
		l.Report, d.report = number, number
	}
	checks = checks[last+1:]
	check := func(before int) {
		for ; len(checks) > 0 && checks[0].After < before; checks = checks[1:] {
			l.Check, l.Newest = checks[0].Number, max(l.Newest, onCard(checks[0].Made))
			d.measured(checks[0])
		}
	}
	d.facts.Results, d.facts.Runs, d.facts.Fell = l.Results, l.Runs, l.Fell
	many := 250
	for _, s := range e.sessions {
		mine, err := d.mine(s)
		var story session.Story
		if mine != nil {
			story, err = s.Story()
		}
		if err != nil {
			g.lose(e, s.Info.Session, err)
		}
		if mine == nil {
			continue
		}
		check(s.Info.Number)
		d.retell(&story, &s.Info, mine)
		for i := range story.Declarations {
			l.Newest = max(l.Newest, onCard(story.Declarations[i].Wall))
		}
		if len(d.facts.Results)+len(d.facts.Runs) > many {
			d.card.Shorten(&d.facts)
			many = max(many, 2*len(d.facts.Runs))
		}
	}
	check(g.session.Info.Number)
	d.card.Shorten(&d.facts)
	d.begin = max(l.Newest, onCard(start))
	l.Results, l.Runs, l.Fell = slices.Clone(d.facts.Results), slices.Clone(d.facts.Runs), d.facts.Fell
	e.Ladder = l
	if d.facts.Fell == whoKnows {
		d.facts.Fell = d.begin
	}
	return nil
}
