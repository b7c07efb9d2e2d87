package bench

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/records/recording"
	"downhaul/rules"
)

// Sweep moves one limit or one on-delay of an envelope over a range. Every step
// is an envelope of its own, as if the file had said so.
type Sweep struct {
	Envelope *rules.Envelope
	// Rule is the swept rule's place in the envelope.
	Rule int
	Turn Turn
	// Steps are the variations, Texts what stands for each in a file.
	Steps []Variation
	Texts []string
	// Unit is the unit of the texts; empty for a plain number.
	Unit string
	// Reference, if any, is an envelope whose trips count as the real ones: of
	// the rule of the same name, or, where it has none, of all its rules.
	Reference *rules.Envelope
}

// mostSteps bounds the engines of a sweep.
const mostSteps = 1000

// NewSweep lays out the steps of a sweep, both ends included, evenly spaced in
// the unit of from and rounded to six digits there.
func NewSweep(env *rules.Envelope, rule string, turn Turn, from, to string, steps int) (*Sweep, error) {
	s := &Sweep{Envelope: env, Turn: turn}
	var names []string
	s.Rule = -1
	for i := range env.Rules {
		names = append(names, strconv.Quote(env.Rules[i].Name))
		if strings.EqualFold(env.Rules[i].Name, rule) {
			s.Rule = i
		}
	}
	if s.Rule < 0 {
		return nil, fmt.Errorf("no rule %q in the envelope; it has %s", rule, strings.Join(names, ", "))
	}
	if steps < 2 || steps > mostSteps {
		return nil, fmt.Errorf("want 2 to %d steps (got %d)", mostSteps, steps)
	}
	first, err := vary(env, s.Rule, turn, from)
	if err != nil {
		return nil, fmt.Errorf("the range begins at %s: %w", from, err)
	}
	last, err := vary(env, s.Rule, turn, to)
	if err != nil {
		return nil, fmt.Errorf("the range ends at %s: %w", to, err)
	}
	if first.Value == last.Value {
		return nil, fmt.Errorf("the range from %s to %s holds one value only", from, to)
	}
	from, to = spaced(from), spaced(to)
	s.Unit = unitIn(from)
	low, _ := rules.Convert(first.Value, s.Unit)
	high, _ := rules.Convert(last.Value, s.Unit)
	for i := range steps {
		share := float64(i) / float64(steps-1)
		v, _ := strconv.ParseFloat(strconv.FormatFloat(low+share*(high-low), 'g', 6, 64), 64)
		text := strings.TrimSpace(strconv.FormatFloat(v, 'f', -1, 64) + " " + s.Unit)
		switch i {
		case 0:
			text = from // as it was written
		case steps - 1:
			text = strings.TrimSpace(strconv.FormatFloat(high, 'g', 12, 64) + " " + s.Unit)
			if s.Unit == unitIn(to) {
				text = to
			}
		}
		step, err := vary(env, s.Rule, turn, text)
		if err != nil {
			return nil, fmt.Errorf("step %d, %s: %w", i+1, text, err)
		}
		s.Steps, s.Texts = append(s.Steps, step), append(s.Texts, text)
	}
	return s, nil
}

// spaced is a quantity's text with a blank before its unit.
func spaced(text string) string {
	unit := unitIn(text)
	return strings.TrimSpace(strings.TrimSpace(strings.TrimSuffix(strings.TrimSpace(text), unit)) + " " + unit)
}

// unitIn is the unit at the end of a quantity's text.
func unitIn(text string) string {
	return strings.TrimSpace(strings.TrimLeft(strings.TrimSpace(text), "+-.0123456789eE"))
}

// Swept is what the steps of a sweep made of one recording.
type Swept struct {
	File      string
	DurationS float64
	Notes     []string
	// silences is how often the rule tripped because its channel was missing:
	// the same at every step of a limit.
	steps     []stepRun
	reference []span
}

type stepRun struct {
	trips    []span
	silences uint64
	least    float64
	leastAt  time.Duration
	has      bool
}

// one collects the trips of one rule.
type one struct {
	rule  int // −1: all
	spans []span
	open  int
	step  *stepRun
	most  int
	more  bool
}

func (o *one) take(_ time.Duration, effects []interlock.Effect) {
	for i := range effects {
		f := &effects[i]
		begins := f.Demands()
		switch {
		case f.Rule < 0 || o.rule >= 0 && f.Rule != o.rule:
		case !begins && f.Kind != interlock.ClearEffect:
		case f.Reason == interlock.ReasonRuleMissing:
			if begins && o.step != nil {
				o.step.silences++
			}
		case begins:
			if o.open++; o.open > 1 {
				continue
			}
			if len(o.spans) >= o.most {
				o.more, o.open = true, 0
				continue
			}
			o.spans = append(o.spans, span{from: f.At, to: rules.Never, value: f.Value, limit: f.Limit, hasValue: f.HasValue})
		case o.open > 0:
			if o.open--; o.open == 0 {
				o.spans[len(o.spans)-1].to = f.At
			}
		}
	}
}

// Run takes one recording through all steps side by side: it is read and
// decoded once.
func (s *Sweep) Run(file string, rec *recording.Reader, setup Setup, options ...Option) (*Swept, error) {
	var envelopes []*rules.Envelope
	for i := range s.Steps {
		envelopes = append(envelopes, s.Steps[i].Envelope)
	}
	if s.Reference != nil {
		envelopes = append(envelopes, s.Reference)
	}
	p, err := newPass(setup, envelopes, options)
	if err != nil {
		return nil, err
	}
	out := &Swept{File: file, steps: make([]stepRun, len(s.Steps))}
	takers := make([]*one, len(envelopes))
	for i, l := range p.lanes {
		takers[i] = &one{rule: s.Rule, most: mostSpans/len(envelopes) + 1000}
		if i < len(s.Steps) {
			takers[i].step = &out.steps[i]
		} else {
			takers[i].rule = s.referenceRule()
		}
		l.watch = takers[i].take
	}
	if err := p.run(file, rec); err != nil {
		return nil, err
	}
	for i, t := range takers {
		if t.more {
			return nil, fmt.Errorf("more than %d trips at one step: what trips that often cannot be judged; narrow the range, or take fewer steps", t.most)
		}
		if i == len(s.Steps) {
			out.reference = t.spans
			break
		}
		out.steps[i].trips = t.spans
		least := &p.lanes[i].least[s.Rule]
		out.steps[i].least, out.steps[i].leastAt, out.steps[i].has = least.room, least.at, least.seen
	}
	out.DurationS = p.end.Seconds()
	out.Notes = slices.Concat(p.notes, rec.Info().Notes(), p.health.notes())
	return out, nil
}

// referenceRule is the swept rule's place in the reference; −1 for all rules.
func (s *Sweep) referenceRule() int {
	name := s.Envelope.Rules[s.Rule].Name
	return slices.IndexFunc(s.Reference.Rules, func(r rules.Rule) bool { return strings.EqualFold(r.Name, name) })
}

// Real is a time at which something real happened, from From to To, which may
// be the same.
type Real struct {
	// File is the recording as it was named.
	File     string
	From, To time.Duration
}

// Step is what one value of a sweep did over all recordings.
type Step struct {
	Text  string  `json:"text"`
	Value float64 `json:"value"`
	Trips uint64  `json:"trips"`
	// False, Caught and Missed are null where nothing says what was real.
	False  *uint64 `json:"false_trips"`
	Caught *uint64 `json:"caught"`
	Missed *uint64 `json:"missed"`
	// SlowestS and MeanS are the detection times, from the real time to the
	// trip; negative before it. Null where nothing was caught.
	SlowestS *float64 `json:"slowest_detection_s"`
	MeanS    *float64 `json:"mean_detection_s"`
	// Headroom is the least distance of the value to the limit while the rule
	// was in force, negative past it.
	Headroom *float64 `json:"least_headroom"`
	// Silences counts trips because the channel was missing.
	Silences uint64 `json:"trips_by_silence"`
	// NoCaution reports whether the rule's caution had to be left out.
	NoCaution bool `json:"caution_left_out,omitempty"`
}

// good reports whether the step states every real trip and no false one.
func (s *Step) good() bool { return s.False != nil && *s.False == 0 && *s.Missed == 0 }

// Judged is a whole sweep.
type Judged struct {
	Rule    string `json:"rule"`
	Channel string `json:"channel"`
	// Unit is the SI unit of the values, HeadroomUnit that of the headroom.
	Unit         string `json:"unit"`
	HeadroomUnit string `json:"headroom_unit"`
	Steps        []Step `json:"steps"`
	// Reals counts the real times; nil where nothing says what was real.
	Reals *uint64 `json:"real_times"`
	// First and Last are the ends of the widest run of good steps; −1 for none.
	First int `json:"widest_first"`
	Last  int `json:"widest_last"`
}

// Judge holds the steps against what was real: the given times, or the
// reference's trips. A trip belongs to a real time when it begins from within
// before it to within after it. A trip that belongs to none is false; a real
// time to which none belongs is missed, unless an older trip still stood. known
// reports whether reals is complete, even if it is empty.
func (s *Sweep) Judge(all []*Swept, reals []Real, known bool, within time.Duration) (*Judged, error) {
	if s.Reference != nil && len(reals) > 0 {
		return nil, errors.New("real times are given and a reference, too; one of them must say what is real")
	}
	rule := &s.Envelope.Rules[s.Rule]
	out := &Judged{Rule: rule.Name, Channel: rule.Watch.String(), Unit: s.siUnit(), HeadroomUnit: ruleUnit(rule), First: -1, Last: -1}
	known = known || s.Reference != nil || len(reals) > 0
	truth := make([][]Real, len(all))
	count := uint64(0)
	for i, run := range all {
		for _, r := range reals {
			if r.File == run.File {
				truth[i] = append(truth[i], r)
			}
		}
		for _, r := range run.reference {
			truth[i] = append(truth[i], Real{run.File, r.from, min(r.to, time.Duration(run.DurationS*1e9))})
		}
		count += uint64(len(truth[i]))
	}
	if known {
		out.Reals = &count
	}
	for k := range s.Steps {
		step := Step{Text: s.Texts[k], Value: s.Steps[k].Value, NoCaution: s.Steps[k].NoCaution}
		tally := verdicts{within: within}
		for i, run := range all {
			r := &run.steps[k]
			step.Trips += uint64(len(r.trips))
			step.Silences += r.silences
			if r.has && (step.Headroom == nil || r.least < *step.Headroom) {
				step.Headroom = &r.least
			}
			tally.add(r.trips, truth[i])
		}
		if known {
			step.False, step.Caught, step.Missed = &tally.wrong, &tally.caught, &tally.missed
			if tally.timed > 0 {
				mean, slowest := tally.sum/float64(tally.timed), tally.slowest
				step.MeanS, step.SlowestS = &mean, &slowest
			}
		}
		out.Steps = append(out.Steps, step)
	}
	if !out.Unheard() { // silence tells no limit from another
		out.First, out.Last = Widest(out.Steps, (*Step).good)
	}
	return out, nil
}

// Unheard reports whether the channel had no value in force, so that no step was tested.
func (j *Judged) Unheard() bool {
	return !slices.ContainsFunc(j.Steps, func(s Step) bool { return s.Headroom != nil })
}

func (s *Sweep) siUnit() string {
	if s.Turn == TurnLasting {
		return "s"
	}
	return ruleUnit(&s.Envelope.Rules[s.Rule])
}

// verdicts counts what one step did.
type verdicts struct {
	within                time.Duration
	wrong, caught, missed uint64
	timed                 int
	sum, slowest          float64
}

func (v *verdicts) add(trips []span, reals []Real) {
	belongs := func(t span, r Real) bool { return t.from >= r.From-v.within && t.from <= r.To+v.within }
	for _, t := range trips {
		if !slices.ContainsFunc(reals, func(r Real) bool { return belongs(t, r) }) {
			v.wrong++
		}
	}
	for _, r := range reals {
		// The trips are in order: the first that counts is the earliest.
		i := slices.IndexFunc(trips, func(t span) bool { return belongs(t, r) || t.from < r.From && t.to > r.From })
		if i < 0 {
			v.missed++
			continue
		}
		v.caught++
		after := (trips[i].from - r.From).Seconds()
		if v.timed == 0 || after > v.slowest {
			v.slowest = after
		}
		v.timed++
		v.sum += after
	}
}

// Widest is the run of good steps over the widest range of values, of equal ones the first; −1
// for none.
func Widest(steps []Step, good func(*Step) bool) (first, last int) {
	first, last = -1, -1
	best := math.Inf(-1)
	for i := 0; i < len(steps); i++ {
		if !good(&steps[i]) {
			continue
		}
		k := i
		for k+1 < len(steps) && good(&steps[k+1]) {
			k++
		}
		if width := math.Abs(steps[k].Value - steps[i].Value); width > best {
			first, last, best = i, k, width
		}
		i = k
	}
	return first, last
}
