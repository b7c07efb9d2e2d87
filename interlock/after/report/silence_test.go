package report

import (
	"strings"
	"testing"
	"time"

	"downhaul/interlock/records/session"
	"downhaul/rules"
)

// A craft that fell silent in flight is one trip of its run. What went missing with it
// stands behind that in its window, and a caution that it made is no near miss.
func TestSilenceIsOneTripWithWhatItTook(t *testing.T) {
	e := eventsOf(t,
		`{"at_ns":1000000000,"kind":"state","from":"closing","state":"live","reason":"chain closed and read back"}`,
		`{"at_ns":4950000000,"kind":"caution","on":true,"reason":"past a limit","rule":"ceiling","channel":"craft.apex","value":5.5,"limit":5.4,"unit":"m"}`,
		`{"at_ns":5000000000,"kind":"relay","on":false}`,
		`{"at_ns":5000000000,"kind":"trip","trip":1,"first_out":true,"stop":"immediate","lasted_ns":200000000,"reason":"then nothing heard from the craft","rule":"ceiling","channel":"craft.apex","value":5.5,"limit":5.4,"unit":"m"}`,
		`{"at_ns":5000000000,"kind":"consequence","trip":1,"stop":"immediate","reason":"channel missing","rule":"tilt","channel":"craft.tilt","limit":0.5,"unit":"rad","cause":"too old"}`,
		`{"at_ns":5000000000,"kind":"state","from":"live","state":"tripped","reason":"nothing heard from the craft"}`,
		`{"at_ns":5300000000,"kind":"consequence","trip":1,"stop":"immediate","reason":"nothing heard from the craft"}`,
		`{"at_ns":5400000000,"kind":"consequence","trip":1,"stop":"immediate","reason":"past a limit","rule":"ceiling","channel":"craft.apex","value":6,"limit":6,"unit":"m"}`,
		`{"at_ns":6000000000,"kind":"caution","on":false,"rule":"ceiling","channel":"craft.apex","limit":5.4,"unit":"m"}`)
	env := &rules.Envelope{Rules: []rules.Rule{{Name: "ceiling", Watch: rules.Apex, Unit: "m"}, {Name: "tilt", Watch: rules.Tilt, Unit: "deg"}}}
	s := &Session{Session: "s"}
	s.Runs = runsOf(e, session.Story{}, nil, env, 7*time.Second)
	s.Episodes = episodesOf(e, s, env, time.Time{})
	const first = "ceiling: craft.apex 5.5 m, limit 5.4 m, then nothing heard from the craft for 0.2 s"
	if len(s.Runs) != 1 || s.Runs[0].Trips != 1 || s.Runs[0].FirstCause != first {
		t.Fatalf("runs: %+v; want one trip, by %q", s.Runs, first)
	}
	if len(s.Episodes) != 1 || len(s.Episodes[0].Trips) != 1 || s.Episodes[0].Trips[0].Says != first {
		t.Fatalf("episodes: %+v", s.Episodes)
	}
	var behind []string
	for _, f := range s.Episodes[0].Follows {
		if strings.HasPrefix(f.Says, "with it: ") {
			behind = append(behind, strings.TrimPrefix(f.Says, "with it: "))
		}
	}
	if got, want := strings.Join(behind, "; "), "tilt: craft.tilt too old; nothing heard from the craft; ceiling: craft.apex just past its limit, 6 m"; got != want {
		t.Errorf("behind it: %q, want %q", got, want)
	}
	if got := strings.Join(s.Episodes[0].Trips[0].With, "; "); got != strings.Join(behind, "; ") {
		t.Errorf("with the trip: %q", got)
	}
	if c := cautionsOf(e, env); len(c) != 1 || c[0].Near {
		t.Errorf("cautions: %+v; want one that was no near miss", c)
	}
}

// A channel that was told as missing before the craft fell silent is named with the
// reason that was told.
func TestToldMissingThenSilenceIsTold(t *testing.T) {
	e := eventsOf(t, `{"at_ns":5000000000,"kind":"trip","trip":1,"first_out":true,"stop":"immediate","lasted_ns":200000000,"reason":"then nothing heard from the craft","rule":"ceiling","channel":"craft.height","limit":5.4,"unit":"m","cause":"sources disagree"}`)
	const want = "ceiling: craft.height sources disagree, then nothing heard from the craft for 0.2 s"
	if got := e.list[0].cause(nil); got != want {
		t.Errorf("%q, want %q", got, want)
	}
}
