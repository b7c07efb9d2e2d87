package report

import (
	"slices"
	"time"

	"downhaul/interlock/after/report/lift"
	"downhaul/interlock/records/timeofday"
	"downhaul/rules/words"
)

// Report is everything that is told, as it stands in JSON.
type Report struct {
	Schema int `json:"schema"`
	// Made is when it was made; Software made it.
	Made     time.Time `json:"made"`
	Software string    `json:"software"`
	// NotRemoved reports whether power was once not known to be removed: it comes
	// first in everything that is shown.
	NotRemoved bool `json:"power_not_removed"`
	// ChainOpen is what of the chain holds the next start back: while there is any,
	// every verdict is withheld.
	ChainOpen []string `json:"chain_open"`
	// Sheet is what a crew must know before the next start; it stands alone.
	Sheet    Sheet      `json:"sheet"`
	Sessions []*Session `json:"sessions"`
	// Failed are the folders that nothing could be said of.
	Failed []Failure `json:"failed"`
	// Trips, Packs and Wind are those of all sessions, for scripts.
	Trips  []Trip   `json:"trips"`
	Packs  []Pack   `json:"packs"`
	Wind   AllWind  `json:"wind"`
	Lift   *Lift    `json:"lift"`
	Across Across   `json:"across_sessions"`
	Unseen []string `json:"cannot_see"`
}

// AllWind is the wind of all sessions.
type AllWind struct {
	Sessions []SessionWind `json:"sessions"`
}

// SessionWind is the wind of one session.
type SessionWind struct {
	Session string `json:"session"`
	Wind
}

// Failure is a folder that nothing could be said of, and why.
type Failure struct {
	Folder string `json:"folder"`
	Error  string `json:"error"`
}

// Asked is what the forecast of lift is asked besides.
type Asked struct {
	WhatIf *lift.WhatIf // what the craft is to be changed to in thought; nil for nothing
	Table  *lift.Stand  // of one motor on the stand; nil for none
}

// Of puts sessions together to a report.
func Of(made time.Time, software string, sessions []*Session, failed []Failure, asked Asked) *Report {
	r := &Report{Schema: Schema, Made: made.UTC(), Software: software, Sessions: sessions, Failed: failed,
		Trips: []Trip{}, Packs: []Pack{}, Wind: AllWind{Sessions: []SessionWind{}}, Unseen: []string{}}
	if r.Failed == nil {
		r.Failed = []Failure{}
	}
	seen := map[string]bool{}
	for _, s := range sessions {
		r.NotRemoved = r.NotRemoved || len(s.NotRemoved) > 0
		for i := range s.Episodes {
			r.Trips = append(r.Trips, s.Episodes[i].Trips...)
		}
		r.Packs = append(r.Packs, s.Packs...)
		r.Wind.Sessions = append(r.Wind.Sessions, SessionWind{s.Session, s.Wind})
		for _, u := range s.Unseen {
			if text := u.String(); !seen[text] {
				seen[text] = true
				r.Unseen = append(r.Unseen, text)
			}
		}
	}
	inTime := inTime(sessions)
	r.Lift = liftOf(counted(inTime), asked)
	if n := len(sessions) - len(counted(sessions)); n > 0 {
		r.Lift.Doubts = append(r.Lift.Doubts, words.Count(n, "session")+" left out: a rehearsal counts for nothing beside sessions of a real board, neither for the forecast nor for hours")
	}
	r.withhold()
	r.Across = acrossOf(sessions)
	r.Sheet = r.sheet(inTime[len(inTime)-1])
	return r
}

// inTime are the sessions in the order in which they began, where every clock was set; else
// as they were given.
func inTime(sessions []*Session) []*Session {
	out := slices.Clone(sessions)
	if !slices.ContainsFunc(out, func(s *Session) bool { return !timeofday.Set(s.Began) }) {
		slices.SortStableFunc(out, func(a, b *Session) int { return a.Began.Compare(b.Began) })
	}
	return out
}

// counted are the sessions that count for forecast, test card and hours: a rehearsal's only
// where all are rehearsals.
func counted(sessions []*Session) (out []*Session) {
	for _, s := range sessions {
		if s.Mark == "" {
			out = append(out, s)
		}
	}
	if len(out) == 0 {
		return sessions
	}
	return out
}

// Found reports whether there is something that somebody must look at: a trip, a
// fault, a log that is not whole, or files that were changed.
func (r *Report) Found() bool {
	if r.NotRemoved || len(r.ChainOpen) > 0 || len(r.Trips) > 0 {
		return true
	}
	for _, s := range r.Sessions {
		if !s.Alone && s.Integrity.Log.Verdict != "whole" || s.Integrity.altered() {
			return true
		}
	}
	return false
}
