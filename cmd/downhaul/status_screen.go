package main

import (
	"fmt"
	"io"
	"strings"
	"unicode/utf8"

	"golang.org/x/term"
)

const (
	// emptyScreen goes to the top of an empty screen.
	emptyScreen = "\x1b[H\x1b[2J"
	noData      = "NO DATA. The guard no longer answers, and what stood here is gone. Look at the pad and listen to the buzzer. In doubt use the hard-wired stop."
)

// anew is what begins a picture that stands in the place of the last one: an empty screen
// or, where nothing can be drawn over, a line between the two.
func anew(w io.Writer) string {
	if redraws(w) {
		return emptyScreen
	}
	return strings.Repeat("-", columns-1) + "\n"
}

// fitted is a text as far as the terminal behind w has lines for it, so that
// its beginning, the state, is never scrolled away; the last line says what was
// left out. Where w is no terminal, or none that tells its size, it is whole.
func fitted(text string, w io.Writer) string {
	f := fileOf(w)
	if f == nil || !redraws(w) {
		return text
	}
	cols, rows, err := term.GetSize(int(f.Fd()))
	if err != nil {
		return text
	}
	return cutTo(text, rows, cols)
}

// cutTo is fitted for a screen of that many rows and columns. One row stays
// free for the cursor.
func cutTo(text string, rows, cols int) string {
	if rows < 3 || cols < 1 {
		return text
	}
	lines := strings.SplitAfter(strings.TrimSuffix(text, "\n"), "\n")
	taken, fit := 0, 0
	for _, line := range lines {
		taken += max(1, (utf8.RuneCountInString(strings.TrimSuffix(line, "\n"))+cols-1)/cols)
		if taken <= rows-2 {
			fit++
		}
	}
	if taken <= rows-1 {
		return text
	}
	left := fmt.Sprintf("... and %d more lines: make the window taller, or leave out --watch", len(lines)-fit)
	return strings.Join(lines[:fit], "") + string([]rune(left)[:min(cols, len(left))]) + "\n"
}
