package main

import (
	"fmt"
	"io"
	"math"

	"downhaul/interlock/before/bench"
	"downhaul/rules/words"
)

// print writes what was heard as text.
func (f *findings) print(w io.Writer) {
	if f.Recording != nil {
		f.Recording.printHead(w, f)
	} else {
		good := "all good"
		if f.BadBytes > 0 {
			good = fmt.Sprintf("%d of them damaged or noise", f.BadBytes)
		}
		fmt.Fprintf(w, "%s, %g s: %s, %s\n", f.Link, f.Seconds, words.Count(f.Bytes, "byte"), good)
	}
	if len(f.Senders) == 0 {
		wrap(w, "", "", "Nobody is heard. Is the radio on, does the craft send here, and is this the right port or baud rate?")
		return
	}
	f.printSenders(w)
	fmt.Fprintln(w)
	switch {
	case f.Craft == nil && f.named != (identity{}):
		wrap(w, "", "", fmt.Sprintf("%s was not heard. Name one of these senders with --craft, or leave it out.", f.named))
		return
	case f.Craft == nil:
		wrap(w, "", "", "None of them says that it is a craft. If one is, name it: --craft SYSTEM/COMPONENT.")
		return
	case f.Several:
		wrap(w, "", "", "Several say that they are a craft, or one is heard from several places: a guard would trip on one identity from two addresses. "+
			"Name the craft with --craft SYSTEM/COMPONENT, and mend the link.")
		fmt.Fprintln(w)
	}
	if f.Recording != nil {
		f.Recording.print(w, *f.Craft)
		fmt.Fprintln(w)
	}
	f.printChannels(w)
	f.printAsk(w)
}

// printSenders lists who is heard.
func (f *findings) printSenders(w io.Writer) {
	fmt.Fprintln(w)
	var rows [][]string
	for _, s := range f.Senders {
		signed := ""
		if s.Signed {
			signed = ", signed"
		}
		from := s.From
		if from == "" {
			from = "-"
		}
		rows = append(rows, []string{s.identity.String(), s.Says, from, fmt.Sprintf("%.1f", s.Rate), fmt.Sprintf("%.1f %%", 100*s.Lost), fmt.Sprintf("%d%s", s.Version, signed)})
	}
	table(w, "", []string{"sender", "says", "from", ">frames/s", ">lost", "MAVLink"}, []int{8, 16, 22, 8, 7, 0}, rows)
	for _, s := range f.Senders {
		if f.Recording != nil {
			wrap(w, "", "  ", fmt.Sprintf("%s: %s from %.1f to %.1f s, longest silence %.1f s at %.1f s", s.identity, words.Count(s.Frames, "frame"), s.FirstS, s.LastS, s.SilenceS, s.SilenceAtS))
		}
		if s.Repeated > 0 {
			wrap(w, "", "  ", fmt.Sprintf("%s of %s were said before, or their boot clock stands: a guard takes them for neither life nor value", words.Count(s.Repeated, "frame"), s.identity))
		}
	}
}

// printChannels shows how often each channel comes, and what the pad file must say of it.
func (f *findings) printChannels(w io.Writer) {
	var rows [][]string
	for _, c := range f.Channels {
		value := c.shown
		if c.Cause != "" {
			value = c.Cause
		}
		rows = append(rows, []string{c.Channel, fmt.Sprintf("%.1f", c.Rate), fmt.Sprintf("%.1f", c.Wanted), string(c.Verdict), value})
	}
	table(w, "", []string{"From " + f.Craft.String(), ">a second", ">wanted", "comes", "last value"}, []int{22, 8, 8, 8, 0}, rows)
	if len(f.Unread) > 0 {
		fmt.Fprintln(w)
		wrap(w, "", "  ", bench.SayUnread(f.Unread))
	}
	if len(f.ComesEvery) > 0 {
		fmt.Fprintln(w, "\nFor the pad file, which then waits for these as long as this link makes it")
		fmt.Fprintln(w, padLines(f.ComesEvery, "  "))
	}
	for _, text := range f.TooSeldom {
		fmt.Fprintln(w)
		wrap(w, "", "  ", text)
	}
	for _, c := range f.Wrong {
		fmt.Fprintln(w)
		wrap(w, "", "  ", fmt.Sprintf("%s is wrong: %s. A guard counts it as missing.", c.Channel, c.Cause))
	}
}

// printAsk writes which messages the craft must send, or send more often.
func (f *findings) printAsk(w io.Writer) {
	if f.complete() && len(f.Ask) == 0 {
		fmt.Fprintln(w, "\nNothing wanted is missing.")
		return
	}
	if len(f.Ask) > 0 {
		fmt.Fprintln(w, "\nAsk the craft for")
		for _, a := range f.Ask {
			text := fmt.Sprintf("%s (%d), %g a second or more, for %s", a.Message, a.ID, math.Ceil(a.Rate), a.For)
			if a.Instead != "" {
				text += "; " + a.Instead + " would do as well"
			}
			wrap(w, "  ", "    ", text)
		}
		wrap(w, "", "", "Set these rates in the craft's own set-up (message interval); nothing is sent from here.")
	}
	for _, c := range f.Channels {
		if c.Verdict == saysUnknown {
			wrap(w, "  ", "    ", fmt.Sprintf("%s is sent but not filled in (%s): %s", c.Channel, c.Cause, c.For))
		}
	}
}
