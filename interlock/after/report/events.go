package report

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/before/bench"
	"downhaul/interlock/day/telemetry/words"
	"downhaul/interlock/records/session"
	"downhaul/interlock/records/triplog"
	"downhaul/interlock/records/triplog/inspect"
	"downhaul/rules"
	aloud "downhaul/rules/words"
)

// decision is one decision as its textual form tells it, from the trip log or
// from a replay alike.
type decision struct {
	AtNS       int64    `json:"at_ns"`
	Kind       string   `json:"kind"`
	On         bool     `json:"on"`
	From       string   `json:"from"`
	State      string   `json:"state"`
	Trip       uint32   `json:"trip"`
	FirstOut   bool     `json:"first_out"`
	Stop       string   `json:"stop"`
	Reason     string   `json:"reason"`
	Rule       string   `json:"rule"`
	Permissive string   `json:"permissive"`
	Channel    string   `json:"channel"`
	Value      *float64 `json:"value"`
	Limit      *float64 `json:"limit"`
	Unit       string   `json:"unit"`
	Cause      string   `json:"cause"`
	Line       string   `json:"line"`
	LastedNS   int64    `json:"lasted_ns"`

	// flashed is when the lamp had last flashed, for the state flashFor; that is
	// empty before the first.
	flashed  time.Duration
	flashFor string
}

func (d *decision) at() time.Duration { return time.Duration(d.AtNS) }

// mostEvents bounds the decisions that are kept: a thin link can bring a
// hundred thousand in ten hours. Ours.
const mostEvents = 50_000

// events is what was decided, in order.
type events struct {
	list     []decision
	unlisted int // trips and cautions beyond
	flash    decision

	// Where most is set, so many trips are listed with what follows them; over is told of
	// those beyond, and unlistedAt has when they were, by rule, and what came with them.
	most, trips int
	over        func(*decision)
	unlistedAt  map[string][]time.Duration
}

// mostTrips bounds the trips of a recording, or of a guard that only watched, that are
// listed one by one; ours.
const mostTrips = 500

// add takes a decision in its textual form. What says nothing to a reader of
// the day is left out.
func (e *events) add(text []byte) error {
	if bytes.Contains(text, []byte(`"kind":"sound"`)) {
		return nil
	}
	var d decision
	if err := json.Unmarshal(text, &d); err != nil {
		return err
	}
	if d.Kind == "lamp" {
		e.flash = d
		return nil
	}
	d.flashed, d.flashFor = e.flash.at(), e.flash.State
	if e.most > 0 && e.beyond(&d) {
		return nil
	}
	if len(e.list) >= mostEvents && d.Kind != "state" && d.Kind != "relay" {
		if d.Kind == "trip" || d.Kind == "caution" && d.On {
			e.unlisted++
		}
		return nil
	}
	e.list = append(e.list, d)
	return nil
}

// bound has mostTrips listed one by one, and over told of the others.
func (e *events) bound(over func(*decision)) {
	e.most, e.over, e.unlistedAt = mostTrips, over, map[string][]time.Duration{}
}

// beyond counts trips, and reports whether a decision belongs to one that is not listed.
func (e *events) beyond(d *decision) bool {
	switch d.Kind {
	case "trip":
		e.trips++
	case "consequence", "clear":
	default:
		return false
	}
	if e.trips <= e.most {
		return false
	}
	if d.Kind == "trip" {
		e.unlisted++
		e.over(d)
	}
	if d.Kind != "clear" {
		e.unlistedAt[d.Rule] = append(e.unlistedAt[d.Rule], d.at())
	}
	return true
}

// logged is what the trip log holds.
type logged struct {
	events
	texts  [][32]byte // a digest of every decision, to compare a replay with
	report triplog.Report
	parts  []string
	said   []Said
	words  []Words // of the craft; a recording has more of them
	lost   uint64
	last   time.Duration // of the last good line
}

// readLog reads what verifies of the trip log; nothing of what stands behind a
// line that does not is believed.
func readLog(s *session.Session) (*logged, error) {
	l := &logged{}
	var err error
	if l.parts, err = s.TripParts(); err != nil {
		return l, err
	}
	if len(l.parts) == 0 {
		return l, errors.New("there is no trip log")
	}
	if l.report, err = inspect.Files(l.parts...); err != nil {
		return l, err
	}
	for rec, err := range triplog.FileLines(l.parts...) {
		if errors.Is(err, triplog.ErrBroken) {
			break
		}
		if err != nil {
			return l, err
		}
		l.last = rec.At()
		switch rec.Kind {
		case triplog.KindDecision:
			text := bench.InWordsOfNow(rec.Decision)
			l.texts = append(l.texts, digest(text))
			if err := l.add(text); err != nil {
				return l, fmt.Errorf("line %d: %w", rec.N, err)
			}
		case triplog.KindLost:
			l.lost += rec.Count
		case triplog.KindNote:
			if said, ok := strings.CutPrefix(rec.Text, words.Mark); ok && len(l.words) < mostWords {
				severity, text, _ := strings.Cut(said, ": ")
				l.words = append(l.words, Words{seconds(rec.At()), s.Info.Wall.Add(rec.At()).UTC(), severity, text})
			}
		case triplog.KindHost:
			if _, declared := session.ParseDeclaration(rec.Text); !declared && rec.Text != "" && len(l.said) < mostSaid {
				l.said = append(l.said, Said{At: seconds(rec.At()), UTC: s.Info.Wall.Add(rec.At()).UTC(), Text: rec.Text})
			}
		}
	}
	return l, nil
}

// mostSaid bounds the remarks that are listed; ours.
const mostSaid = 500

// cause is a trip or caution in a few words, each quantity in the unit of its
// rule.
func (d *decision) cause(r *rules.Rule) string {
	if d.Reason == interlock.ReasonThenSilent.String() && d.LastedNS > 0 && (d.Value != nil || d.Cause != "") {
		before := *d
		before.LastedNS = 0
		silence := fmt.Sprintf(", %s for %.1f s", d.Reason, time.Duration(d.LastedNS).Seconds())
		if d.Rule == "" {
			return d.Channel + silence
		}
		return before.cause(r) + silence
	}
	if d.Rule == "" && d.LastedNS > 0 {
		return fmt.Sprintf("%s for %.1f s", d.Reason, time.Duration(d.LastedNS).Seconds())
	}
	if d.Rule == "" {
		return d.Reason
	}
	if d.Cause != "" && d.Value == nil {
		return fmt.Sprintf("%s: %s %s", d.Rule, d.Channel, d.Cause)
	}
	if d.Value == nil || d.Limit == nil {
		return d.Rule + ": " + d.Reason
	}
	unit := d.Unit
	if r != nil {
		unit = r.Unit
	}
	return fmt.Sprintf("%s: %s %s", d.Rule, d.Channel, aloud.Past(*d.Value, *d.Limit, unit, d.Kind == "caution"))
}

// ruleNamed finds a rule, nil for none.
func ruleNamed(env *rules.Envelope, name string) *rules.Rule {
	if env == nil || name == "" {
		return nil
	}
	for i := range env.Rules {
		if env.Rules[i].Name == name {
			return &env.Rules[i]
		}
	}
	return nil
}

// ofRule gives a value that belongs to a rule.
func ofRule(v *float64, r *rules.Rule, si string) *Quantity {
	if v == nil {
		return nil
	}
	q := &Quantity{Value: *v, Unit: si, shown: si}
	if r != nil {
		q.shown, q.beside = r.Unit, [2]float64{r.Limit, r.LimitHigh}
	}
	return q
}

// written marks a value as one that stands in a file: it keeps its figures.
func (q *Quantity) written() *Quantity {
	if q != nil {
		q.stated = true
	}
	return q
}

// states of the latch as they stand in decisions.
var (
	live     = interlock.Live.String()
	lowering = interlock.Lowering.String()
	tripped  = interlock.Tripped.String()
	fault    = interlock.Fault.String()
	blocked  = interlock.Blocked.String()
	closing  = interlock.Closing.String()
)

// notRemoved are the reasons that leave power where it must not be, or leave
// nobody sure: promise 6.
var notRemoved = []string{interlock.ReasonPowerRemains.String(), interlock.ReasonReadbackClosed.String()}

// notRemoved lists the times of a session at which power was not known to be removed.
func (e *events) notRemoved(o *Session) []NotRemoved {
	out := []NotRemoved{}
	for i := range e.list {
		d := &e.list[i]
		if n := len(out); !remains(d) || n > 0 && out[n-1].At.Value == d.at().Seconds() {
			continue
		}
		why := d.Reason
		if strings.HasPrefix(why, "POWER") {
			why = "after the relay had opened, rotors turned, current flowed or the contactor stayed closed"
		}
		out = append(out, NotRemoved{At: seconds(d.at()), Why: why, Says: "at " + o.When(seconds(d.at())) + ": " + why})
	}
	return out
}
