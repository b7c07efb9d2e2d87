package report

import (
	"math"
	"strings"
	"testing"
	"time"

	"downhaul/interlock/after/report/lift"
	"downhaul/interlock/model/air"
	"downhaul/interlock/pad"
	"downhaul/interlock/records/session"
	"downhaul/rules"
	"downhaul/rules/card"
)

// The air of a run is what was declared last before it, else the card's.
func TestAirOfARun(t *testing.T) {
	crd := &card.Card{Air: card.Air{Celsius: 10, Pressure: 100000, Told: true}}
	declare := func(at int, what session.What, value string) session.Declaration {
		return session.Declaration{What: what, Value: value, At: time.Duration(at) * time.Second}
	}
	story := session.Story{
		Declarations: []session.Declaration{
			declare(100, session.DeclaredAir, "20 °C, 985 hPa"), declare(150, session.DeclaredWind, "6 mph"), declare(200, session.DeclaredAir, "77 °F, 1640.42 ft"),
		},
		Runs: []session.Run{{Number: 1, Begin: 50 * time.Second}},
	}
	for _, c := range []struct {
		at                int
		celsius, pressure float64
	}{{50, 10, 100000}, {120, 20, 98500}, {250, 25, 95461.3}} { // 500 m by the published standard atmosphere
		r := Run{Number: 2, begin: time.Duration(c.at) * time.Second}
		r.declared(story, crd)
		if math.Abs(r.air.Celsius-c.celsius) > 1e-9 || math.Abs(air.Pressure(r.air)-c.pressure) > 1 || !r.air.Told {
			t.Errorf("at %d s: %+v", c.at, r.air)
		}
	}
	if a := airAt(&session.Story{}, nil, time.Minute); a.Told {
		t.Errorf("nothing told: %+v", a)
	}
	if says := declaredSays(&story.Declarations[0]); says != "air: 20 °C, 985 hPa, declared, not measured" {
		t.Errorf("%q", says)
	}
}

// An air that was declared and cannot be that of the card's pad, as one reduced to sea
// level, counts as not known: a density 13 % too high would pass for so much lift.
func TestAirAgainstTheCards(t *testing.T) {
	crd := &card.Card{Craft: card.Craft{Name: "c", Mass: 30}, Steps: []card.Step{{Name: "one"}}, Air: card.Air{Celsius: 20, Elevation: 1000, Told: true}}
	for pressure, says := range map[float64]string{101300: "no weather lies between", 94000: "if that was reduced", 89500: ""} {
		s := &Session{liftCard: crd, liftPad: &pad.Pad{}, liftRuns: []*lift.Run{{Name: "session 1, run 1", Mass: 30, Air: card.Air{Celsius: 20, Pressure: pressure, Told: true}}}}
		what := lift.WhatIf{HasCelsius: true, Celsius: 30}
		l := liftOf([]*Session{s}, Asked{WhatIf: &what})
		doubts := strings.Join(l.Doubts, "\n")
		if says == "" && strings.Contains(doubts, "the air of") || !strings.Contains(doubts, says) {
			t.Errorf("%g Pa: %q", pressure, doubts)
		}
		if refused := l.WhatIf == nil; refused != (pressure == 101300) {
			t.Errorf("%g Pa: what if other air is refused: %v (%s)", pressure, refused, l.Unanswered)
		}
	}
}

// A what-if that cannot be answered is refused, and no second forecast stands beside
// the first.
func TestWhatIfAirIsRefusedWithoutAir(t *testing.T) {
	what, err := lift.ParseWhatIf("air=45°C")
	if err != nil {
		t.Fatal(err)
	}
	s := &Session{
		liftCard: &card.Card{Craft: card.Craft{Name: "c", Mass: 30}, Steps: []card.Step{{Name: "one"}}}, liftPad: &pad.Pad{},
		liftRuns: []*lift.Run{{Name: "session 1, run 1", Mass: 30}},
	}
	l := liftOf([]*Session{s}, Asked{WhatIf: &what})
	if l.WhatIf != nil || !strings.Contains(l.Unanswered, "session 1, run 1 is not known") || len(l.Doubts) == 0 {
		t.Errorf("%+v", l)
	}
	s.liftRuns[0].Air = card.Air{Celsius: 15, Pressure: 101325, Told: true}
	if l = liftOf([]*Session{s}, Asked{WhatIf: &what}); l.WhatIf == nil || l.Unanswered != "" {
		t.Errorf("with the air told: %+v", l)
	}
	if l = liftOf(nil, Asked{WhatIf: &what}); !strings.Contains(l.Unanswered, "no forecast") {
		t.Errorf("without a session: %+v", l)
	}
}

// Flights of another configuration than the newest card's count for the change alone, and
// a table that is not the card's by its hash is told.
func TestConfigurationsAndTheCardsTable(t *testing.T) {
	session := func(configuration string) *Session {
		c := &card.Card{Craft: card.Craft{Name: "c", Mass: 30}, Steps: []card.Step{{Name: "one"}}}
		c.Motors.Configuration, c.Motors.Table, c.Motors.TableHash = configuration, "motor.csv", [32]byte{1}
		return &Session{liftCard: c, liftPad: &pad.Pad{}, liftRuns: []*lift.Run{{Name: configuration, Mass: 30, Configuration: configuration}}}
	}
	table := &lift.Stand{Hash: [32]byte{1}}
	l := liftOf([]*Session{session("old net"), session("new net")}, Asked{Table: table})
	doubts := strings.Join(l.Doubts, "\n")
	if c := l.Forecast.Changes; len(c) != 1 || c[0].From != "old net" || c[0].To != "new net" || !strings.Contains(doubts, `another configuration than "new net"`) || strings.Contains(doubts, "altered") {
		t.Errorf("%+v, %q", c, doubts)
	}
	table.Hash[0] = 2
	l = liftOf([]*Session{session("new net")}, Asked{Table: table})
	if doubts := strings.Join(l.Doubts, "\n"); len(l.Forecast.Changes) > 0 || !strings.Contains(doubts, "another than the card names (motor.csv)") {
		t.Errorf("%+v, %q", l.Forecast.Changes, doubts)
	}
}

// What six motors lifted says nothing of four, whatever the craft is called; weaker motors by
// the card are told, since only the crew knows whether they are others.
func TestFlightsOfOtherMotors(t *testing.T) {
	session := func(name string, count int, thrust float64) *Session {
		c := &card.Card{Craft: card.Craft{Name: "c", Mass: 30}, Steps: []card.Step{{Name: "one", Ballast: 5}}}
		c.Motors.Count, c.Motors.Thrust = count, thrust
		return &Session{liftCard: c, liftPad: &pad.Pad{}, liftRuns: []*lift.Run{{Name: name, Mass: 30}}, Runs: []Run{{Mass: quantity(35, rules.Mass, "kg"), Ballast: quantity(5, rules.Mass, "kg")}}}
	}
	now := session("session 2, run 1", 4, 100)
	now.Runs = nil
	l := liftOf([]*Session{session("session 1, run 1", 6, 100), now}, Asked{})
	if c := l.Forecast.Changes; len(c) != 1 || c[0].From != "6 motors" || strings.Contains(strings.Join(l.Doubts, "\n"), "no heavier step") {
		t.Errorf("of six motors: %+v, %q", c, l.Doubts)
	}
	for was, told := range map[float64]bool{101: false, 90: false, 110: true} {
		l = liftOf([]*Session{session("session 1, run 1", 4, was), now}, Asked{})
		if doubts := strings.Join(l.Doubts, "\n"); len(l.Forecast.Changes) > 0 || strings.Contains(doubts, "CAUTION: session 1, run 1") != told {
			t.Errorf("%g N a motor before: %q", was, doubts)
		}
	}
}

// What runs tied down or on the thrust stand lifts nothing: it has no mass for the forecast,
// which would take full output there for an attempt that stayed on the ground.
func TestARunOnTheGroundIsNoEvidenceOfLift(t *testing.T) {
	crd := &card.Card{Craft: card.Craft{Name: "c", Mass: 30}, Steps: []card.Step{{Name: "fly", Ballast: 5}, {Name: "stop test", Kind: card.Ground}, {Name: "stand", Kind: card.Ground, Stand: &card.Stand{}}}}
	for _, s := range crd.Steps {
		r := Run{Step: s.Name}
		r.declared(session.Story{}, crd)
		if flies := s.Kind == card.Flight; (r.Mass != nil) != flies || len(r.Doubts) > 0 {
			t.Errorf("%s: mass %+v, doubts %q", s.Name, r.Mass, r.Doubts)
		}
		l := liftOf([]*Session{{liftCard: crd, liftPad: &pad.Pad{}, Runs: []Run{r}}}, Asked{})
		if doubts := strings.Join(l.Doubts, " "); strings.Contains(doubts, "left out: the mass is not known") {
			t.Errorf("%s: %q", s.Name, doubts)
		}
	}
}

// A log folder may hold two crafts' sessions, and they may be named in any order: the
// forecast is of the craft of the newest, and rests on no flight of the other.
func TestTheForecastIsOfOneCraft(t *testing.T) {
	session := func(day int, craft string, mass, ballast float64) *Session {
		c := &card.Card{Craft: card.Craft{Name: craft, Mass: mass}, Steps: []card.Step{{Name: "empty"}, {Name: "ballast 5", Ballast: 5}, {Name: "ballast 50", Ballast: 50}}}
		return &Session{craft: craft, liftCard: c, liftPad: &pad.Pad{}, Began: time.Date(2026, 5, day, 9, 0, 0, 0, time.UTC), Session: craft, Lasted: seconds(time.Second),
			liftRuns: []*lift.Run{{Name: craft, Mass: mass + ballast}}, Runs: []Run{{Mass: &Quantity{Value: mass + ballast}, Ballast: &Quantity{Value: ballast}, Lasted: seconds(time.Second)}}}
	}
	for _, order := range [][]int{{0, 1, 2}, {2, 1, 0}, {1, 2, 0}} {
		all := []*Session{session(1, "small", 30, 0), session(2, "Large", 90, 20), session(3, "Small", 31, 0)}
		var given []*Session
		for _, i := range order {
			given = append(given, all[i])
		}
		r := Of(time.Unix(0, 0), "test", given, nil, Asked{})
		next, doubts := r.Lift.Forecast.Next, strings.Join(r.Lift.Doubts, "\n")
		if len(next) != 2 || next[0].Name != "ballast 5" || next[0].Mass != 36 || r.Sessions[0] != given[0] {
			t.Errorf("in the order %v: the next steps are %+v", order, next)
		}
		if unused := strings.Join(r.Lift.Forecast.Unused, "\n"); strings.Contains(unused, "Large") || !strings.Contains(unused, "small") || !strings.Contains(doubts, "1 session left out: of another craft than Small") {
			t.Errorf("in the order %v: %q, %q", order, unused, doubts)
		}
	}
}
