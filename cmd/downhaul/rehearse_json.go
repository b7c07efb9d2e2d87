package main

import (
	"time"

	"downhaul/interlock/model/rehearsal"
)

// rehearsedSchema is the version of the object that rehearse prints.
const rehearsedSchema = 1

type rehearsedObject struct {
	Schema  int             `json:"schema"`
	Mark    string          `json:"mark"`
	Craft   string          `json:"craft"`
	Step    string          `json:"step"`
	Assumed []string        `json:"assumed"`
	Changed []string        `json:"changed"`
	Flights []flightObject  `json:"flights"`
	Changes []changedObject `json:"changes,omitempty"`
}

type flightObject struct {
	Name       string       `json:"name"`
	Title      string       `json:"title"`
	Session    string       `json:"session,omitempty"`
	Lacks      string       `json:"pad_lacks,omitempty"`
	Live       bool         `json:"live"`
	NoStart    string       `json:"not_flown_because,omitempty"`
	Expect     string       `json:"expect,omitempty"`
	AsExpected bool         `json:"as_expected"`
	First      *firstObject `json:"acted_first"`
	Stop       *firstObject `json:"stopped"`
	Height     float64      `json:"height_m"`
	Tension    float64      `json:"tension_n"`
	Arrival    float64      `json:"arrival_mps"`
	Distance   float64      `json:"distance_m"`
	Tilt       float64      `json:"tilt_rad"`
	Rope       float64      `json:"rope_speed_mps"`
	Cost       float64      `json:"cost"`
	Harms      []harmObject `json:"harms"`
	Timeline   []lineObject `json:"timeline,omitempty"`
}

type firstObject struct {
	AfterS float64 `json:"after_s"`
	What   string  `json:"what"`
	Why    string  `json:"why"`
	Rule   string  `json:"rule,omitempty"`
}

type harmObject struct {
	AtS  float64 `json:"at_s"`
	What string  `json:"what"`
	Seen bool    `json:"seen_before"`
}

type lineObject struct {
	AtS  float64 `json:"at_s"`
	Who  string  `json:"who"`
	Says string  `json:"says"`
}

type changedObject struct {
	What     string  `json:"what"`
	Gain     float64 `json:"gain"`
	Helps    int     `json:"mishaps_helped"`
	FalseBad bool    `json:"trips_in_calm"`
}

func rehearsedJSON(set *rehearsal.Setup, flights []*rehearsal.Result, thrown bool) *rehearsedObject {
	out := &rehearsedObject{Schema: rehearsedSchema, Mark: rehearsedMark, Craft: set.Craft.Config.Name, Step: set.Craft.Step.Name,
		Assumed: append([]string{}, set.Craft.Assumed...), Changed: append([]string{}, set.Changed...), Flights: []flightObject{}}
	for _, r := range flights {
		t := r.Truth
		f := flightObject{Name: r.Name, Title: r.Title, Session: r.Session, Lacks: r.Lacks, Live: r.Live, NoStart: r.NoStart, Expect: r.Expect, AsExpected: r.AsExpected,
			First: firstOf(r.Acted), Stop: firstOf(r.Stopped), Height: t.Height, Tension: t.Tension, Arrival: t.Arrival, Distance: t.Distance, Tilt: t.Tilt,
			Rope: t.RopeSpeed, Cost: set.Cost(r), Harms: []harmObject{}}
		if thrown {
			f.Session = ""
		}
		for _, h := range r.Harms {
			f.Harms = append(f.Harms, harmObject{h.At.Seconds(), h.What, h.Seen})
		}
		for _, l := range r.Timeline {
			f.Timeline = append(f.Timeline, lineObject{l.At.Round(time.Microsecond).Seconds(), l.Who, l.Says})
		}
		out.Flights = append(out.Flights, f)
	}
	return out
}

func firstOf(f *rehearsal.First) *firstObject {
	if f == nil {
		return nil
	}
	return &firstObject{f.At.Seconds(), f.What, f.Why, f.Rule}
}
