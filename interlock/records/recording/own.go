package recording

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"downhaul/interlock/day/intake"
	"downhaul/interlock/records/recorder"
)

// formOf finds the form that an interface of our own recording has.
func formOf(name string, link uint16) (recorder.Form, bool) {
	if n, ok := strings.CutPrefix(name, "telemetry "); ok {
		v, err := strconv.ParseUint(n, 10, 8)
		return recorder.Form{Source: intake.Telemetry, Link: uint8(v), Datagram: link == linkRaw}, err == nil && (link == linkRaw || link == linkUser0)
	}
	for s := intake.Wind; s <= intake.Decisions; s++ {
		if f := (recorder.Form{Source: s}); f.Name() == name {
			return f, link == linkUser0
		}
	}
	return recorder.Form{}, false
}

// readComment takes the comment of a section apart; ok false for a file that is
// not ours or is of another form.
func readComment(app, comment string) (s recorder.Start, part int, ok bool) {
	lines := strings.Split(comment, "\n")
	if app != recorder.Application || lines[0] != recorder.FirstLine {
		return s, 0, false
	}
	for _, line := range lines[1:] {
		key, value, _ := strings.Cut(line, " ")
		switch key {
		case "session":
			s.Session = value
		case "software":
			s.Software = value
		case "start":
			t, err := time.Parse(time.RFC3339Nano, value)
			if err != nil {
				return s, 0, false
			}
			s.Wall, ok = t, true
		case "part":
			n, err := strconv.Atoi(value)
			if err != nil {
				return s, 0, false
			}
			part = n
		}
	}
	return s, part, ok
}

// newer returns why a section or an interface of our own recordings is not for this
// program to read, nil where it is.
func newer(application, comment, about string) error {
	if application != recorder.Application {
		return nil
	}
	mark, _, _ := strings.Cut(comment, "\n")
	form, _, ours := strings.Cut(about, ":")
	ours = ours && strings.HasPrefix(form, "form ")
	if mark != recorder.FirstLine && strings.HasPrefix(mark, "downhaul recording ") || ours && form != "form 1" {
		return fmt.Errorf("it was written by a newer version of this program (%s): read it with that one", strings.TrimSpace(mark+" "+form))
	}
	return nil
}
