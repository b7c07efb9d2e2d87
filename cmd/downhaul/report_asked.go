package main

import (
	"fmt"

	"downhaul/interlock/after/report"
	"downhaul/interlock/after/report/lift"
)

// asked reads what the forecast is asked: changes to the craft, and tables of the stand.
func (c *reportCmd) asked() (a report.Asked, err error) {
	if c.Table != "" {
		if a.Table, err = standOf(c.Table); err != nil {
			return a, err
		}
	}
	if c.WhatIf == "" {
		return a, nil
	}
	w, err := lift.ParseWhatIf(c.WhatIf)
	if err == nil && w.Table != "" {
		w.Stand, err = standOf(w.Table)
	}
	a.WhatIf = &w
	return a, err
}

// standOf reads a table of the stand and fits its law.
func standOf(name string) (*lift.Stand, error) {
	t, err := readTable(name)
	if err != nil {
		return nil, err
	}
	s, why := lift.NewStand(t)
	if why != "" {
		return nil, fmt.Errorf("%s: %s", name, why)
	}
	return s, nil
}
