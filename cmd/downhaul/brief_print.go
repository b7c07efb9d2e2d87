package main

import (
	"fmt"
	"io"
	"strings"

	"downhaul/interlock/records/timeofday"
)

func (b *sheet) print(w io.Writer) {
	wrap(w, "BRIEF  ", "       ", b.Title)
	about := timeofday.Day(b.Made)
	for _, x := range []string{b.Craft, b.Pad} {
		if x != "" {
			about += "; " + x
		}
	}
	wrap(w, "       ", "       ", about)
	if b.Mark != "" {
		wrap(w, "       ", "       ", "REHEARSAL: "+b.Mark)
	}
	if b.Step != "" {
		wrap(w, "\nSTEP  ", "  ", b.Step)
		wrap(w, "  ", "  ", b.Asks)
		wrapEach(w, "  ", "  ", b.Lift)
	}
	if b.KeepOut == "" {
		wrap(w, "\nKEEP OUT  ", "  ", b.KeepOutWhy)
	} else {
		wrap(w, "\nKEEP OUT  ", "  ", b.KeepOut+" from the anchor: "+b.KeepOutWhy+".")
	}
	if b.WalkIn != "" {
		wrap(w, "  ", "  ", b.WalkIn)
	}
	wrap(w, "\nWIND  ", "  ", strings.Join(b.Weather, "; ")+".")
	wrap(w, "  Now: ", "  ", pick(b.WindNow != "", b.WindNow, "____________ ("+b.WindAsk+")"))
	fmt.Fprintln(w)
	printLimitTable(w, b.Limits)
	wrapEach(w, "  To start: ", "    ", b.Start)
	fmt.Fprintln(w, "\nWHO STANDS WHERE, SIGNED BEFORE THE START")
	for _, p := range b.Posts {
		wrap(w, fmt.Sprintf("  %-20s ____________________ ", p.Who), strings.Repeat(" ", 44), p.Where)
	}
	boxes(w, "\nBEFORE THE START", b.Before)
	boxes(w, "\nTHE CREW SEES TO", b.Crew)
	list(w, "\nDEFECTS THAT MAY WAIT", b.Watched)
	list(w, "\nTHIS SET-UP CANNOT SEE", b.Unseen)
	if len(b.Observer) > 0 {
		wrap(w, "  For the observer, since no rule acts on it: ", "    ", strings.Join(b.Observer, "; ")+".")
	}
	fmt.Fprintln(w)
	wrap(w, "", "", b.Guard)
	for _, f := range b.Files {
		wrap(w, "", "  ", fmt.Sprintf("%s %s, sha256 %.12s", f.Kind, f.File, f.SHA256))
	}
}

// boxes prints a list to tick off.
func boxes(w io.Writer, head string, rows []string) {
	if len(rows) == 0 {
		return
	}
	fmt.Fprintln(w, head)
	wrapEach(w, "  [ ] ", "      ", rows)
}
