package main

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"time"

	"downhaul/interlock/day/answers"
	"downhaul/interlock/day/answers/told"
	"downhaul/interlock/records/timeofday"
	"downhaul/rules/words"
)

// printStatus shows what the page shows, in the same order: the state, what to
// do, first cause, why not ready, the limits, and the rest. On a screen of that many rows,
// 0 for none, each list in front of the limits is cut so that the nearest limits with
// their values stand on it.
func printStatus(w io.Writer, st *told.Status, rows int) {
	most := math.MaxInt
	if rows > 0 {
		most = max(1, rows/8)
	}
	if st.AgeS > told.OldAfter.Seconds() {
		wrap(w, "", "  ", fmt.Sprintf("OLD DATA. The guard's loop stands still, and what follows is %s old: do not trust it. In doubt use the hard-wired stop.", short(st.AgeS)))
	}
	wrap(w, st.Meaning+": ", "  ", st.Sentence)
	if st.KeepOut {
		fmt.Fprintln(w, "KEEP OUT")
	}
	if st.GraceLeft != nil {
		fmt.Fprintf(w, "POWER GOES OFF IN %.0f s\n", math.Ceil(*st.GraceLeft))
	}
	for _, do := range st.DoNow[:min(len(st.DoNow), most)] {
		wrap(w, "  > ", "    ", do)
	}
	if st.Mark != "" { // behind what is to be done, and near the top: on a small screen the rest is cut off
		wrap(w, "", "  ", "REHEARSAL: "+st.Mark)
	}
	printCauses(w, st, most)
	printNotReady(w, st.NotReady, most)
	for _, t := range st.Trouble[:min(len(st.Trouble), most)] {
		wrap(w, "TROUBLE: ", "  ", t)
	}
	limits, counts := ranked(st.Rules)
	wrap(w, "Limits: ", "  ", counts)
	printLimits(w, limits, rows == 0)
	fmt.Fprintln(w)
	// Without a relay "blocked" and "open" would read as if power were off.
	watch := st.Duty == "watch"
	began := timeofday.OfSession(st.Session)
	fmt.Fprintf(w, "Duty %s%s for %s; told %.1f s ago\n", st.Duty, pick(watch, "", "; "+st.State), short(st.At-st.SinceS), st.AgeS)
	wrap(w, "", "  ", pick(timeofday.Set(began), "Began "+timeofday.Day(began)+"; times of day are local, seconds count from there", "Seconds count from the start: "+timeofday.NeverSet))
	relay := "Relay " + pick(st.RelayOn, "closed", pick(st.State == "fault", "commanded open", "open"))
	wrap(w, "", "  ", fmt.Sprintf("%s. Armed: %s. In the air: %s. Trips %d, on disk %d",
		pick(watch, "Works no relay", relay), st.ArmedSays, st.InTheAir, st.Trips, st.Kept))
	fmt.Fprintf(w, "Sound: %s%s\n", st.Sound, pick(st.Silenced, " (silenced by reset; its cause stands)", ""))
	if st.Flash != nil {
		fmt.Fprintf(w, "Lamp flashed for %s at %s, %s ago\n", st.Flash.State, when(began, st.Flash.At), short(st.Flash.AgoS))
	}
	fmt.Fprintln(w)
	printDeclared(w, &st.Declared)
	printPermissives(w, st)
	printReadings(w, st)
	if len(st.Acts) > 0 {
		fmt.Fprintln(w, "\nWho did what")
		for _, a := range st.Acts {
			wrap(w, fmt.Sprintf("  %8s %8.1f s  ", timeofday.At(began, a.At), a.At), strings.Repeat(" ", 23), a.What+": "+a.By)
		}
	}
	if len(st.CraftSays) > 0 {
		fmt.Fprintln(w, "\nIn the craft's own words, the newest first")
	}
	for _, s := range st.CraftSays {
		wrapSaid(w, fmt.Sprintf("  %8s %8.1f s  %-9s ", timeofday.At(began, s.At), s.At, s.Severity), strings.Repeat(" ", 33), s.Text)
	}
	if st.CraftSaysMore > 0 {
		wrap(w, "  ", "  ", fmt.Sprintf("and %s that came too fast to be kept", words.Count(st.CraftSaysMore, "text")))
	}
	fmt.Fprintln(w)
	wrap(w, "Link: ", "      ", fmt.Sprintf("%s, %d of other senders, %d from a wrong address, %d repeated, %d bad bytes",
		words.Count(st.Link.Frames, "frame"), st.Link.OtherSenders, st.Link.WrongAddress, st.Link.Repeated, st.Link.BadBytes))
	if st.Link.Unkept > 0 {
		fmt.Fprintf(w, "      and %d more datagrams of strangers, which were not kept\n", st.Link.Unkept)
	}
	fmt.Fprintf(w, "Loop: longest gap %.1f ms, %s dropped, %s lost\n", st.Loop.WorstGapS*1000,
		words.Count(st.Loop.Dropped, "chunk"), words.Count(st.Loop.LostRecords, "record"))
	if st.Counted != nil {
		wrap(w, "On record: ", "      ", worn(st.Counted))
	}
	for _, p := range st.Packs {
		wrap(w, "      ", "        ", fmt.Sprintf("pack %s: %s, power on for %s, %.0f s at full output", p.Pack, words.Count(p.Starts, "start"), hours(p.LiveS), p.FullOutputS))
	}
	list(w, "\nThis set-up cannot see", st.Unseen)
	fmt.Fprintln(w, "\nSession")
	wrap(w, "  ", "  ", st.Folder+pick(st.Mark == "", "", " ("+st.Mark+")"))
}

// when is an instant for people: the local time of day, where the guard's clock was set,
// beside the seconds since its start.
func when(began time.Time, seconds float64) string {
	if clock := timeofday.At(began, seconds); clock != "" {
		return fmt.Sprintf("%s, %.2f s", clock, seconds)
	}
	return fmt.Sprintf("%.2f s", seconds)
}

// worn returns what wears in one sentence.
func worn(c *answers.Counted) string {
	if c.Trouble != "" {
		return "not known: " + c.Trouble
	}
	text := fmt.Sprintf("%s of this craft, power on for %s, %.0f s at full output; contactor%s: %s, %d under load",
		words.Count(c.Starts, "start"), hours(c.LiveS), c.FullOutputS, pick(c.Contactor != "", " "+c.Contactor, ""), words.Count(c.Openings, "opening"), c.Loaded)
	if c.MakerStates > 0 {
		text += fmt.Sprintf(" (its maker states %d)", c.MakerStates)
	}
	return text
}

// hours is a time with power on.
func hours(s float64) string {
	if s < 3600 {
		return fmt.Sprintf("%.0f min", s/60)
	}
	return fmt.Sprintf("%.1f h", s/3600)
}

// reasons counts a list that may go past the end of a screen.
func reasons(n int) string {
	if n < 2 {
		return ""
	}
	return fmt.Sprintf(" (%d reasons)", n)
}

func list(w io.Writer, head string, rows []string) {
	if len(rows) == 0 {
		return
	}
	fmt.Fprintln(w, head)
	wrapEach(w, "  - ", "    ", rows)
}

// printNotReady lists why there is no start, as far as most of them.
func printNotReady(w io.Writer, rows []string, most int) {
	if len(rows) == 0 {
		return
	}
	fmt.Fprintf(w, "Not ready because%s\n", reasons(len(rows)))
	for _, row := range rows[:min(len(rows), most)] {
		wrap(w, "  - ", "    ", row)
	}
	if n := len(rows) - most; n > 0 {
		fmt.Fprintf(w, "  - and %d more\n", n)
	}
}

// printCauses tells the first-out apart from what came behind it.
func printCauses(w io.Writer, st *told.Status, most int) {
	if st.FirstCause != "" && len(st.Causes) == 0 {
		wrap(w, "First cause: ", "  ", st.FirstCause)
		return
	}
	for i, c := range st.Causes[:min(len(st.Causes), most)] {
		head := fmt.Sprintf("  %s, %.2f s later: ", pick(c.Part, "with it", "then"), c.AfterS)
		if i == 0 {
			head = fmt.Sprintf("First cause, at %s: ", when(timeofday.OfSession(st.Session), c.At))
		}
		text := c.Text
		if c.Now != "" {
			text += ". " + strings.ToUpper(c.Now[:1]) + c.Now[1:]
		}
		wrap(w, head, "    ", text)
	}
	if n := len(st.Causes) - most; n > 0 {
		fmt.Fprintf(w, "  and %d more behind it\n", n)
	}
}

// ruleWord is the state of a rule in one word.
func ruleWord(r told.RuleStatus) string {
	switch {
	case r.Demand:
		return "STOP"
	case r.Missing:
		return "MISSING"
	case r.Caution:
		return "CAUTION"
	case !r.InForce:
		return "resting"
	}
	return "ok"
}

// ranked are the limits with the most urgent word first, the nearest first among those of
// one word; and how many there are of each.
func ranked(all []told.RuleStatus) (out []told.RuleStatus, says string) {
	var counts []string
	for _, word := range []string{"STOP", "MISSING", "CAUTION", "ok", "resting"} {
		before := len(out)
		for _, r := range all {
			if ruleWord(r) == word {
				out = append(out, r)
			}
		}
		slices.SortStableFunc(out[before:], func(a, b told.RuleStatus) int { return cmp.Compare(roomOf(a), roomOf(b)) })
		if n := len(out) - before; n > 0 {
			counts = append(counts, fmt.Sprintf("%d %s", n, word))
		}
	}
	if len(out) == 0 {
		return out, "none"
	}
	return out, strings.Join(counts, ", ")
}

// roomOf is the share of the limit that is headroom; the nearest limit has the least.
func roomOf(r told.RuleStatus) float64 {
	if r.Headroom == nil || r.Limit == 0 {
		return math.Inf(1)
	}
	return *r.Headroom / math.Abs(r.Limit)
}

func printLimits(w io.Writer, limits []told.RuleStatus, whole bool) {
	for _, r := range limits {
		text := r.Now
		if r.HeadroomText != "" && !r.Missing {
			past, is := strings.CutPrefix(r.HeadroomText, "-")
			text += ", " + pick(is, past+" PAST IT", "headroom "+r.HeadroomText)
		}
		if r.Beside != "" {
			text += "; " + r.Beside
		}
		beside(w, fmt.Sprintf("  %-7s ", ruleWord(r)), r.Name, strings.Repeat(" ", 12), text+pick(whole, " ("+r.RestsOn+")", ""))
	}
}

func printPermissives(w io.Writer, st *told.Status) {
	if len(st.Permissives) == 0 {
		return
	}
	fmt.Fprintln(w, "\nNeeded to start, not to stay")
	for _, p := range st.Permissives {
		text := p.Condition + "; now " + p.Now
		if p.Name != "" {
			text = p.Name + ": " + text
		}
		wrap(w, "  "+pick(p.Holds, "holds   ", "LACKING "), "          ", text)
	}
}

// printReadings are the channels beside the limits, two a line.
func printReadings(w io.Writer, st *told.Status) {
	if len(st.Channels) == 0 {
		return
	}
	fmt.Fprintln(w, "\nReadings")
	left := ""
	for _, c := range st.Channels {
		text := c.Text
		if c.Cause != "" {
			text = c.Cause
		}
		cell := printable(fmt.Sprintf("%-20s %s", c.Channel, text))
		switch {
		case left == "" && len([]rune(cell)) <= 36:
			left = cell
		case left != "" && len([]rune(cell)) <= 40:
			fmt.Fprintf(w, "  %-37s %s\n", left, cell)
			left = ""
		default:
			if left != "" {
				fmt.Fprintf(w, "  %s\n", left)
				left = ""
			}
			wrap(w, fmt.Sprintf("  %-20s ", printable(c.Channel)), strings.Repeat(" ", 23), text)
		}
	}
	if left != "" {
		fmt.Fprintf(w, "  %s\n", left)
	}
}
