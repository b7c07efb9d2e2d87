package main

import (
	"fmt"
	"strings"
)

// date is that of the pages' own words, not of a build: the same source gives
// the same bytes.
const date = "November 25, 2026"

// writer writes one page in the mdoc language, mdoc(7).
type writer struct{ strings.Builder }

func newPage(name, number, what string) *writer {
	w := &writer{}
	w.macro("Dd " + date)
	w.macro("Dt " + strings.ToUpper(name) + " " + number)
	w.macro("Os")
	w.macro("Sh NAME")
	w.macro("Nm " + name)
	w.macro("Nd " + what)
	return w
}

// macro writes a line of the language itself.
func (w *writer) macro(line string) { fmt.Fprintf(w, ".%s\n", line) }

// head begins a section.
func (w *writer) head(title string) { w.macro("Sh " + title) }

// text writes words for people, a sentence a line, so that nothing in them is
// taken for the language.
func (w *writer) text(words string) {
	words = strings.ReplaceAll(words, `\`, `\e`)
	for words != "" {
		line, rest, more := strings.Cut(words, ". ")
		if more {
			line += "."
		}
		if strings.HasPrefix(line, ".") || strings.HasPrefix(line, "'") {
			line = `\&` + line
		}
		w.WriteString(line + "\n")
		words = rest
	}
}

// para is text that begins a paragraph.
func (w *writer) para(words string) {
	w.macro("Pp")
	w.text(words)
}

// literal writes lines as they stand.
func (w *writer) literal(lines string) {
	w.macro("Bd -literal -offset indent")
	for line := range strings.Lines(strings.TrimRight(lines, "\n") + "\n") {
		line = strings.ReplaceAll(strings.TrimRight(line, "\n"), `\`, `\e`)
		if strings.HasPrefix(line, ".") || strings.HasPrefix(line, "'") {
			line = `\&` + line
		}
		w.WriteString(line + "\n")
	}
	w.macro("Ed")
}

// list is a list of words with what they mean.
func (w *writer) list(items [][2]string) {
	if len(items) == 0 {
		return
	}
	w.macro("Bl -tag -width Ds")
	for _, it := range items {
		w.macro(`It Li "` + strings.ReplaceAll(it[0], `"`, `""`) + `"`)
		w.text(it[1])
	}
	w.macro("El")
}

// cautionWords close every page.
const cautionWords = "Uncrewed craft on a tether only: power off is a safe state for nothing else. " +
	"This is one layer beside a hard-wired emergency stop, an empty keep-out and an observer; it is no certified safety component, " +
	"and no category or performance level is claimed. " +
	"Local codes and licensed practice come first."

func (w *writer) cautions() {
	w.head("CAUTIONS")
	w.text(cautionWords)
}
