package main

import (
	"fmt"
	"os"
	"regexp"
	"slices"
	"strings"

	"downhaul/interlock/records/recording"
	"downhaul/rules/document"
)

// kind is what a file is.
type kind string

// The kinds.
const (
	isEnvelope kind = "envelope"
	isPad      kind = "pad file"
	isCard     kind = "test card"
	isNone     kind = "unknown"
)

// marks are the keys at the top of a file that only one kind has.
var marks = []struct {
	kind kind
	keys []string
}{
	{isEnvelope, []string{"rule", "permissive", "tether", "without", "changed", "approved_by"}},
	{isPad, []string{"duty", "link", "board", "reach", "stop", "height", "anchor", "packs", "wind", "load_cell", "named",
		"contactor", "estop", "end", "absent", "log_folder", "socket", "socket_group"}},
	{isCard, []string{"step", "motors", "motor", "pack"}},
}

var sections = regexp.MustCompile(`(?m)^\s*\[+\s*(\w+)`)

// kindOf returns a file's kind by the keys at its top; a key of several kinds, or
// one that is misspelt, decides nothing.
func kindOf(text []byte) kind {
	best, most := isNone, 0
	keys := document.Parse("", text).Root().Keys()
	if len(keys) == 0 { // too damaged to be read: by its sections
		for _, m := range sections.FindAllSubmatch(text, -1) {
			keys = append(keys, string(m[1]))
		}
	}
	for _, m := range marks {
		n := 0
		for _, key := range keys {
			if slices.Contains(m.keys, key) {
				n++
			}
		}
		if n > most {
			best, most = m.kind, n
		}
	}
	return best
}

// otherKind is an error that names a file of another kind than is wanted, nil where it
// may be of that.
func otherKind(name string, text []byte, want kind) error {
	k := kindOf(text)
	if k == isNone || k == want {
		return nil
	}
	return hint(fmt.Errorf("%s is %s %s, and no %s", name, k.article(), k, want), "%s", map[kind]string{
		isEnvelope: "name the file with the limits: --envelope FILE", isPad: "name the pad file: --pad FILE", isCard: "name the test card: --card FILE"}[want])
}

// fewOfAnother is how many sections that only another kind has are two files in one;
// fewer are slips.
const fewOfAnother = 2

// twoInOne is the fault of a file in which two kinds stand, nil where there is one.
func twoInOne(name string, text []byte) document.Faults {
	own := kindOf(text)
	for _, m := range marks {
		var names []string
		line := 0
		for _, at := range sections.FindAllSubmatchIndex(text, -1) {
			if s := string(text[at[2]:at[3]]); m.kind != own && slices.Contains(m.keys, s) && !slices.Contains(names, s) {
				if names = append(names, s); line == 0 {
					line = 1 + strings.Count(string(text[:at[2]]), "\n")
				}
			}
		}
		if len(names) >= fewOfAnother {
			return document.Faults{{File: name, Line: line, Key: names[0], Wrong: fmt.Sprintf("two files in one: %s are of %s %s", document.List(names, "and"), m.kind.article(), m.kind), Mend: "save each in a file of its own"}}
		}
	}
	return nil
}

// article is the one that goes with the kind.
func (k kind) article() string {
	if k == isEnvelope {
		return "an"
	}
	return "a"
}

// noneOf returns why a file is none of the three.
func noneOf(name string, text []byte) document.Faults {
	if strings.TrimSpace(strings.TrimPrefix(string(text), "\ufeff")) == "" {
		return document.Faults{{File: name, Line: 1, Wrong: "is empty", Got: fmt.Sprintf("%d bytes", len(text)), Mend: `name the right file; "downhaul new DIR" writes some to begin with`}}
	}
	if form := recordingOf(name); form != "" {
		return document.Faults{{File: name, Line: 1, Wrong: "is a recording (" + form + "), and no pad file, envelope or test card",
			Mend: fmt.Sprintf("downhaul replay --envelope FILE %s holds it against limits", name)}}
	}
	if d := document.Parse(name, text); d.Damaged() && len(d.Root().Keys()) == 0 {
		if faults := d.Faults(); faults[0].Key == "" && !strings.HasPrefix(faults[0].Wrong, "not TOML") {
			return faults
		}
	}
	return document.Faults{{File: name, Line: 1, Wrong: "neither envelope, pad file nor test card",
		Mend: "an envelope has [[rule]], a pad file duty and [[link]], a test card [[step]]"}}
}

// recordingOf is the form of the recording in that file, empty where it is none.
func recordingOf(name string) (form string) {
	r, err := recording.Open(name)
	if err == nil {
		form, err = string(r.Info().Form), r.Close()
	}
	if err != nil {
		return ""
	}
	return form
}

// unreadable gives an error of opening a file of the three with its mend.
func unreadable(name string, err error) error {
	if info, other := os.Stat(name); other == nil && info.IsDir() {
		return hint(err, "name the files in it: downhaul check %s/*.toml", name)
	}
	if form := recordingOf(name); form != "" {
		return hint(fmt.Errorf("%w: it is a recording (%s)", err, form), "downhaul replay --envelope FILE %s holds it against limits", name)
	}
	return hint(err, `"downhaul new DIR" writes three files to begin with`)
}
