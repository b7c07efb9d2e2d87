package main

import (
	"fmt"
	"io"
	"os"
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

// widthOf is how wide what is printed may be: as wide as the terminal behind w, within what
// can be read and what a line bears; elsewhere 80 columns.
func widthOf(w io.Writer) int {
	f := fileOf(w)
	if f == nil {
		return usualWidth
	}
	cols, _, err := term.GetSize(int(f.Fd()))
	if err != nil || cols < 1 {
		return usualWidth
	}
	return max(40, min(cols, 120))
}

// rowsOf is how many rows the terminal behind w has, 0 where that is not known.
func rowsOf(w io.Writer) int {
	f := fileOf(w)
	if f == nil || !redraws(w) {
		return 0
	}
	_, rows, err := term.GetSize(int(f.Fd()))
	if err != nil {
		return 0
	}
	return rows
}

// styled is a status with the state in reverse letters, and what is to be done and what
// is past or near a limit in bold: on a terminal that can, where nobody asked for plain text
// (NO_COLOR). No letter hangs on it.
func styled(text string, w io.Writer) string {
	if !redraws(w) || os.Getenv("NO_COLOR") != "" {
		return text
	}
	const reverse, bold, plain = "\x1b[1;7m", "\x1b[1m", "\x1b[0m"
	style := reverse
	lines := strings.Split(text, "\n")
	for i, line := range lines {
		switch {
		case i > 0 && style == reverse && strings.HasPrefix(line, "  ") && !strings.HasPrefix(line, "  > "):
		case i > 0 && (line == "KEEP OUT" || strings.HasPrefix(line, "POWER GOES OFF")):
			style = reverse
		case strings.HasPrefix(line, "  > "), strings.HasPrefix(line, "First cause"), strings.HasPrefix(line, "Not ready because"),
			strings.HasPrefix(line, "TROUBLE: "), strings.HasPrefix(line, "REHEARSAL: "), strings.HasPrefix(line, "  STOP "),
			strings.HasPrefix(line, "  MISSING "), strings.HasPrefix(line, "  CAUTION "):
			style = bold
		case style == bold && strings.HasPrefix(line, "    "):
		case i > 0:
			style = ""
		}
		if style != "" && line != "" {
			lines[i] = style + line + plain
		}
	}
	return strings.Join(lines, "\n")
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
