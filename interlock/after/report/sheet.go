package report

import (
	"fmt"
	"slices"
	"strings"

	"downhaul/interlock/after/report/lift"
	"downhaul/interlock/records/session"
	"downhaul/interlock/records/timeofday"
	"downhaul/rules"
	"downhaul/rules/rounding"
	"downhaul/rules/words"
)

// Sheet is what stands alone: all that a crew must know before the next start.
type Sheet struct {
	// Verdict is that of the next step: "go", "not yet", "no" or "withheld"; "none" where
	// no step was named or nothing can be said. Because says why, in a sentence.
	Verdict string `json:"verdict"`
	Because string `json:"because"`
	// Next is the step that the verdict is about, empty for none; Settle what it takes.
	Next   string `json:"next_step"`
	Settle string `json:"what_it_takes"`
	// Stopped states for each run how it ended, Must what has to happen before the next start.
	Stopped []string `json:"stopped"`
	Must    []string `json:"before_next_start"`
	Margins []Margin `json:"margins"`
	// Code is the head of the newest session's chain, nil without one.
	Code *Code `json:"head_code"`
}

// Margin is how near one limit came over all sessions.
type Margin struct {
	Rule  string    `json:"rule"`
	Limit *Quantity `json:"limit"`
	Least *Quantity `json:"least_headroom"` // nil is not known
	At    *Quantity `json:"at"`
	// When is that for people: the time of day, or among several sessions which one.
	When  string `json:"when"`
	Trips int    `json:"trips"`
	Near  int    `json:"near_misses"`
}

// Code is the head of a session's chain, as it is written on paper.
type Code struct {
	Session string `json:"session"`
	Code    string `json:"code"`
}

// mostStopped bounds the endings that the sheet lists; ours.
const mostStopped = 4

// sheet fills in the sheet from all that was found; newest is the newest session.
func (r *Report) sheet(newest *Session) Sheet {
	out := Sheet{Verdict: "none", Stopped: []string{}, Must: []string{}, Margins: []Margin{}}
	r.verdict(&out)
	inOrder := 0
	for _, s := range r.Sessions {
		for k := range s.Runs {
			if run := &s.Runs[k]; run.byCrew() && len(r.Sessions) > 1 {
				inOrder++
			} else {
				out.Stopped = append(out.Stopped, s.stopped(run))
			}
		}
		if code := s.Integrity.Log.HeadCode; code != "" && (out.Code == nil || s == newest) {
			out.Code = &Code{s.Session, code}
		}
		r.must(&out, s, s == newest)
	}
	for _, s := range slices.Backward(r.Sessions) {
		out.margins(s, len(r.Sessions) > 1)
	}
	if len(r.Sessions) > 1 {
		out.inOrderOf(newest.env)
	}
	if n := len(out.Stopped) - mostStopped; n > 0 {
		out.Stopped = append([]string{words.Count(n, "earlier run") + " that stopped: see the days behind."}, out.Stopped[n:]...)
	}
	if inOrder > 0 {
		out.Stopped = append(out.Stopped, words.Count(inOrder, "run")+" ended by the crew, in order.")
	}
	if out.Verdict == string(lift.NotYet) && out.Settle != "" {
		out.Must = append(out.Must, sentence(out.Settle))
	}
	return out
}

// verdict takes the answer for the very next step; those behind it are none of the sheet's.
func (r *Report) verdict(out *Sheet) {
	f := r.Lift.Forecast
	switch {
	case f == nil || len(f.Next) == 0:
		out.Because = r.Lift.Says
		if f != nil && out.Because == "" {
			out.Because, out.Settle = f.Refused, f.Settle
		}
	default:
		s := &f.Next[0]
		out.Verdict = string(s.Verdict)
		out.Next = fmt.Sprintf("%s, %s in all", s.Name, round(s.Mass, rules.Mass, r.Lift.units, rounding.Near))
		out.Because, out.Settle = s.Sentence(r.Lift.units)
		if s.Verdict == "" {
			out.Verdict, out.Because = "none", f.Refused
		}
		if s.Verdict != lift.No && r.Lift.held {
			out.Because = "a fault of the chain stands open"
		}
	}
	if r.NotRemoved {
		out.Verdict, out.Because = string(lift.Withheld), "power was not known to be removed"
	}
	out.Because = sentence(out.Because)
}

// byCrew reports whether the crew ended the run and nothing else did.
func (r *Run) byCrew() bool {
	return r.Ended && r.Trips == 0 && r.Fault == "" && r.FirstCause == "" && len(r.Doubts) == 0 && strings.HasPrefix(r.How, endedByCrew)
}

// stopped returns how a run ended; one that the crew ended in order says so.
func (s *Session) stopped(run *Run) string {
	what := run.Step
	if what == "" {
		what = "no step declared"
	}
	text := fmt.Sprintf("%s, run %d (%s): %s", s.dayShort(), run.Number, what, strings.TrimSuffix(run.How, "."))
	switch {
	case run.Fault != "":
		text += ". FAULT: " + run.Fault
	case run.FirstCause != "":
		text += ". First cause: " + run.FirstCause
	}
	return text + "."
}

// dayShort names a session in the middle of a sentence.
func (s *Session) dayShort() string {
	switch {
	case s.Alone:
		return "recording " + s.Session
	case !timeofday.Set(s.Began):
		return fmt.Sprintf("session %d", s.Number)
	}
	return fmt.Sprintf("session %d, %s", s.Number, s.Began.Local().Format("02 Jan 15:04"))
}

// margins takes how near the limits of a session came: of each the least.
func (o *Sheet) margins(s *Session, many bool) {
	for i := range s.Rules {
		row := &s.Rules[i]
		var m *Margin
		for k := range o.Margins {
			if x := &o.Margins[k]; x.Rule == row.Rule && *x.Limit == *row.Limit {
				m = x
			}
		}
		if m == nil {
			o.Margins = append(o.Margins, Margin{Rule: row.Rule, Limit: row.Limit})
			m = &o.Margins[len(o.Margins)-1]
		}
		m.Trips, m.Near = m.Trips+row.Trips, m.Near+row.Near
		if row.Least != nil && (m.Least == nil || row.Least.Value < m.Least.Value) {
			m.Least, m.At, m.When = row.Least, row.LeastAt, s.When(row.LeastAt)
			if many {
				m.When = s.dayShort()
			}
		}
	}
}

// inOrderOf puts the margins of several sessions in the order of the newest envelope, which is
// that of the brief; what it does not have any more stands behind.
func (o *Sheet) inOrderOf(env *rules.Envelope) {
	if env == nil {
		return
	}
	place := func(m Margin) int {
		if i := slices.IndexFunc(env.Rules, func(r rules.Rule) bool { return r.Name == m.Rule }); i >= 0 {
			return i
		}
		return len(env.Rules)
	}
	slices.SortStableFunc(o.Margins, func(a, b Margin) int { return place(a) - place(b) })
}

// must lists what has to happen before the next start.
func (r *Report) must(o *Sheet, s *Session, newest bool) {
	add := func(text string) {
		text = sentence(text)
		for _, x := range o.Must {
			if x == text {
				return
			}
		}
		o.Must = append(o.Must, text)
	}
	for _, text := range s.ChainOpen {
		add(text)
	}
	if s.Integrity.Log.Verdict != "whole" && !s.Alone {
		add(fmt.Sprintf("look into the trip log of %s: it is not whole", s.dayShort()))
	}
	if s.Integrity.altered() {
		add(fmt.Sprintf("look into the files of %s: they are not what was read on the day", s.dayShort()))
	}
	if !newest {
		return
	}
	if s.EndSays != "" && s.Ended != string(session.Clean) {
		add(s.EndSays + ": the next one comes up so. Find the cause, then reset")
	}
	for _, text := range s.defects {
		add(text)
	}
	for _, p := range s.Proofs {
		if p.InForce == "due" {
			add("proof test due: " + p.Test)
		}
	}
}
