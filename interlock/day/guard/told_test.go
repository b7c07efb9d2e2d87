package guard

import (
	"encoding/json"
	"sync"
	"weak"

	"downhaul/interlock/day/answers"
	"downhaul/interlock/day/answers/told"
)

// Status returns what people are told of the guard, by the very bytes that go over its
// socket: what is lost on that way would be missing on every screen.
func (g *Guard) Status() told.Status {
	var seen answers.Seen
	if err := again(g.Seen(), &seen); err != nil {
		panic(err)
	}
	runs, ok := runsOn.Load(weak.Make(g))
	if !ok {
		r, err := told.Read(seen.Session, g.Files())
		if err != nil {
			panic(err)
		}
		runs, _ = runsOn.LoadOrStore(weak.Make(g), r)
	}
	return *runs.(*told.Setup).Status(&seen)
}

// runsOn is what each guard runs on, read once: tests ask again and again. It keeps no guard
// that is done with.
var runsOn sync.Map

// again reads back what is written as JSON.
func again(from, into any) error {
	text, err := json.Marshal(from)
	if err != nil {
		return err
	}
	return json.Unmarshal(text, into)
}
