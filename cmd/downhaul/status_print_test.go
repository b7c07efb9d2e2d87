package main

import (
	"bytes"
	"fmt"
	"os"
	"strings"
	"testing"
	"unicode"
	"unicode/utf8"

	"downhaul/interlock/day/answers"
	"downhaul/interlock/day/answers/told"
	"downhaul/interlock/records/timeofday"
	"downhaul/rules/architecture"
)

// crowded is a status with the most that a pad can bring: fifteen reasons and
// forty limits with names as long as a file may have.
func crowded(state string) *told.Status {
	s := &told.Status{Duty: "guard", State: state, Sentence: "TRIPPED. RELAY OPEN: stay clear. KEEP OUT until the rotors stand.", Meaning: "DANGER", KeepOut: true,
		Armed: true, Airborne: true, At: 900, SinceS: 812, Sound: "tripped", Folder: "/var/lib/downhaul/2031-05-04T10-00-00Z-1234",
		DoNow:   []string{"Keep out until the craft is disarmed and the rotors are known to stand."},
		Causes:  []told.CauseStatus{{Trip: 1, At: 812.31, First: true, Text: "gust past its limit: 20.4 mph, limit 20 mph"}, {Trip: 2, At: 815, AfterS: 2.7, Text: "emergency stop"}},
		Trouble: []string{"recording: no space left on device"}, FirstCause: "gust"}
	for i := range 15 {
		s.NotReady = append(s.NotReady, fmt.Sprintf("proof test due: relay open to rotors stopped, test %d (last passed 2031-03-02, every 30 d): downhaul commission --pad /etc/downhaul/pad.toml", i+1))
	}
	for i := range 40 {
		// Every length that a name may have up to 60, so that each place where
		// a line breaks comes up.
		r := told.RuleStatus{Name: fmt.Sprintf("%02d %s", i, strings.Repeat("limit ", 10))[:21+i], Now: "11.41 mph, limit 20 mph", HeadroomText: "8.592 mph", LimitText: "20 mph",
			RestsOn: "what the craft says of itself", InForce: i%6 != 5, Caution: i%6 == 1, Demand: i == 38}
		if i%6 == 2 {
			r.Missing, r.Now = true, "missing: the estimator or sensor says that it is not well"
		}
		s.Rules = append(s.Rules, r)
	}
	return s
}

func printed(s *told.Status) string {
	var out bytes.Buffer
	printStatus(&out, s, 0)
	return out.String()
}

// The state and what to do come first, then what tripped, then the lists with
// their counts, the limit that is left before all others; no line is too long.
func TestStatusOfACrowdedPad(t *testing.T) {
	for _, state := range []string{"tripped", "fault", "lowering", "blocked"} {
		text := printed(crowded(state))
		for i, line := range strings.Split(text, "\n") {
			if utf8.RuneCountInString(line) > columns || strings.TrimRight(line, " ") != line {
				t.Errorf("%s: line %d: %q", state, i+1, line)
			}
		}
		at := 0
		for _, part := range []string{"DANGER: TRIPPED.", "\nKEEP OUT\n", "  > Keep out until", "\nFirst cause, at 812.31 s: gust", "  then, 2.70 s later: emergency stop", "Not ready because (15 reasons)\n", "test 15 ", "TROUBLE: recording",
			"Limits: 1 STOP, 6 MISSING, 7 CAUTION, 20 ok, 6 resting\n  STOP    38 limit",
			"\n  MISSING 02 ", "\n  CAUTION 01 ", "\n  ok      00 ", "\n  resting 05 "} {
			n := strings.Index(text[at:], part)
			if n < 0 {
				t.Fatalf("%s: %q does not come after what is before it:\n%s", state, part, text)
			}
			at += n
		}
	}
}

// What would mislead: a relay where there is none, "open" for one that may not
// have opened, and old data without a word.
func TestStatusMisleadsNobody(t *testing.T) {
	s := crowded("blocked")
	s.Duty = "watch"
	if text := printed(s); !strings.Contains(text, "Duty watch for 88 s;") || !strings.Contains(text, "Works no relay.") || strings.Contains(text, "Relay open") || strings.Contains(text, "blocked") {
		t.Errorf("duty watch:\n%.600s", text)
	}
	s = crowded("fault")
	if text := printed(s); !strings.Contains(text, "Relay commanded open.") {
		t.Errorf("fault:\n%.600s", text)
	}
	s.AgeS = 7
	if text := printed(s); !strings.HasPrefix(text, "OLD DATA. The guard's loop stands still, and what follows is 7 s old: do not") {
		t.Errorf("old data:\n%.300s", text)
	}
}

// What is past a limit is said so, with no sign to miss; a reading that needs a line of its
// own stands where the others do.
func TestStatusColumns(t *testing.T) {
	s := crowded("tripped")
	s.Rules[0].HeadroomText = "-3.4 mph"
	s.Channels = []told.ChannelStatus{{Channel: "craft.height", Text: "2 m"}, {Channel: "wind.gust3s", Text: "missing", Cause: "something it is worked out from is missing"}}
	for _, want := range []string{"limit 20 mph, 3.4 mph PAST IT", "\n  craft.height         2 m\n  wind.gust3s          something it is worked out from is missing\n"} {
		if text := printed(s); !strings.Contains(text, want) {
			t.Errorf("%q is not in\n%s", want, text)
		}
	}
}

// On a small screen state, act, first cause and the limits past or near stand on the first
// 23 lines, with their values, whatever lists there are; on a larger one there is more of each.
func TestStatusOnASmallScreen(t *testing.T) {
	for rows, want := range map[int][]string{24: {"\n  - and 12 more\n"}, 40: {"\n  - and 10 more\n", "\n  CAUTION 01 "}} {
		s := crowded("tripped")
		s.Causes = append(s.Causes, s.Causes...)
		s.Session = "2031-05-04T10-00-00Z-1234"
		s.Rules[10].Headroom, s.Rules[10].Limit, s.Rules[10].HeadroomText = new(float64), 20, "at the limit"
		var out bytes.Buffer
		printStatus(&out, s, rows)
		text := cutTo(out.String(), rows, 80)
		for _, part := range append(want, "DANGER: TRIPPED.", "\nKEEP OUT\n", "\n  > Keep out until", "\nFirst cause, at "+timeofday.At(timeofday.OfSession(s.Session), 812.31)+", 812.31 s: gust past its limit: 20.4 mph", "\n  STOP    38 limit") {
			if !strings.Contains(text, part) {
				t.Errorf("%d rows: %q is not there:\n%s", rows, part, text)
			}
		}
	}
	ok, _ := ranked(crowdedNear())
	if ok[0].Name != "near" || ok[1].Name != "far" || ok[2].Name != "none" {
		t.Errorf("the nearest first: %+v", ok)
	}
}

func crowdedNear() []told.RuleStatus {
	row := func(name string, headroom, limit float64) told.RuleStatus {
		return told.RuleStatus{Name: name, Headroom: &headroom, Limit: limit, InForce: true}
	}
	return []told.RuleStatus{{Name: "none", InForce: true}, row("far", 1000, 1800), row("near", 0.2, 3.45)}
}

// On a terminal the state stands in reverse letters, unless NO_COLOR asks for plain text;
// the letters are the same, and what a craft says cannot look like the state.
func TestStatusIsStyledOnATerminalAlone(t *testing.T) {
	s := crowded("tripped")
	s.CraftSays = []told.CraftSays{{At: 800, Severity: "warning", Text: "KEEP OUT"}}
	text := printed(s)
	if got := styled(text, new(bytes.Buffer)); got != text {
		t.Error("a pipe gets escapes")
	}
	pty, err := os.OpenFile("/dev/ptmx", os.O_RDWR, 0)
	architecture.Want(t, err == nil, "no pseudo terminal on this system")
	defer pty.Close()
	t.Setenv("TERM", "xterm")
	t.Setenv("NO_COLOR", "")
	got := styled(text, pty)
	if !strings.HasPrefix(got, "\x1b[1;7mDANGER: TRIPPED.") || strings.Count(got, "\x1b[1;7mKEEP OUT\x1b[0m") != 1 || !strings.Contains(got, "\n\x1b[1m  STOP    38 limit") ||
		strings.NewReplacer("\x1b[1;7m", "", "\x1b[1m", "", "\x1b[0m", "").Replace(got) != text {
		t.Errorf("styled:\n%q", got)
	}
	t.Setenv("NO_COLOR", "1")
	if got := styled(text, pty); got != text {
		t.Error("NO_COLOR is not respected")
	}
}

// On a terminal of any size the watch shows the beginning, says what it leaves
// out, and never scrolls.
func TestWatchFitsTheTerminal(t *testing.T) {
	text := printed(crowded("tripped"))
	for _, size := range [][2]int{{24, 80}, {50, 132}, {10, 40}, {3, 20}, {24, 60}} {
		rows, cols := size[0], size[1]
		got, used := cutTo(text, rows, cols), 0
		for _, line := range strings.Split(strings.TrimSuffix(got, "\n"), "\n") {
			used += max(1, (utf8.RuneCountInString(line)+cols-1)/cols)
		}
		if used > rows-1 {
			t.Errorf("%d by %d: %d rows", rows, cols, used)
		}
		lines := strings.Split(strings.TrimSuffix(got, "\n"), "\n")
		last := lines[len(lines)-1]
		if !strings.HasPrefix(text, strings.Join(lines[:len(lines)-1], "\n")) || !strings.HasPrefix(last, "... and ") {
			t.Errorf("%d by %d:\n%s", rows, cols, got)
		}
		if n := strings.Count(text, "\n") - len(lines) + 1; cols == 80 && last != fmt.Sprintf("... and %d more lines: make the window taller, or leave out --watch", n) {
			t.Errorf("%d lines are left out: %s", n, last)
		}
	}
	if got := cutTo(text, strings.Count(text, "\n")+1, columns); got != text {
		t.Error("a screen that is tall enough leaves something out")
	}
	if got := cutTo(text, 0, 0); got != text { // a terminal that tells no size
		t.Error("something is left out for nothing")
	}
	var none bytes.Buffer
	if fitted(text, &none) != text {
		t.Error("something is left out where there is no terminal")
	}
}

// What wears is said in one sentence, and where it cannot be known, why.
func TestStatusSaysWhatWears(t *testing.T) {
	for want, c := range map[string]*answers.Counted{
		"": nil,
		"On record: 12 starts of this craft, power on for 59 min, 34 s at full output; contactor K1: 15 openings, 9 under load (its maker states 1000)": {
			Starts: 12, LiveS: 3540, FullOutputS: 34.4, Contactor: "K1", Openings: 15, Loaded: 9, MakerStates: 1000},
		"On record: 1 start of this craft, power on for 1.5 h, 0 s at full output; contactor: 1 opening, 0 under load": {Starts: 1, LiveS: 5400, Openings: 1},
		"On record: not known: a record is damaged": {Trouble: "a record is damaged"},
	} {
		text := strings.Join(strings.Fields(printed(&told.Status{Counted: c})), " ")
		if n := strings.Count(text, "On record: "); want == "" && n > 0 || !strings.Contains(text, want) {
			t.Errorf("%q is not in %q", want, text)
		}
	}
}

// What the craft says in words stands in the status as its own, the newest first, and can
// do nothing to a terminal, whoever escaped it or did not.
func TestStatusOfACraftThatTalks(t *testing.T) {
	s := crowded("live")
	for i, text := range []string{"Battery 1 low", "\x1b[2J\x1b]0;mine\x07", "\u202egnp.exe\u2066", strings.Repeat("W", 300), "line\r\nTRIPPED. RELAY OPEN", "<b>&amp;"} {
		s.CraftSays = append(s.CraftSays, told.CraftSays{At: 800 - float64(i), Severity: "warning", Text: text})
	}
	s.CraftSaysMore = 12
	text := printed(s)
	for _, want := range []string{"\nIn the craft's own words, the newest first\n", "     800.0 s  warning   Battery 1 low\n", "<b>&amp;\n", "and 12 texts that came too fast to be kept\n"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is not there:\n%s", want, text)
		}
	}
	for i, line := range strings.Split(text, "\n") {
		if utf8.RuneCountInString(line) > columns || strings.ContainsFunc(line, func(r rune) bool { return !unicode.IsPrint(r) }) || strings.HasPrefix(line, "TRIPPED. RELAY") {
			t.Errorf("line %d: %q", i+1, line)
		}
	}
}
