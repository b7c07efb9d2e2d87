package main

import (
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strings"
	"unicode/utf8"
)

// Output rules. Results go to standard output, at most 80 columns, cut at
// spaces; a word that is longer than a line (a path, a hash) is left whole.
// What a file or a craft said is printed with control characters taken out.

// wrap writes text with the first line behind first and the others behind
// indent, no line longer than columns.
func wrap(w io.Writer, first, indent, text string) {
	line, used := first, false
	for _, word := range strings.Fields(printable(text)) {
		long := utf8.RuneCountInString(line) + utf8.RuneCountInString(word)
		// A first word goes under a long beginning where it fits there.
		down := !used && long > columns && strings.TrimSpace(first) != "" &&
			utf8.RuneCountInString(indent)+utf8.RuneCountInString(word) <= columns
		if used && long+1 > columns || down {
			fmt.Fprintln(w, strings.TrimRight(line, " "))
			line, used = indent, false
		}
		if used {
			line += " "
		}
		line += word
		used = true
	}
	fmt.Fprintln(w, strings.TrimRight(line, " "))
}

// wrapEach is wrap for each of several texts.
func wrapEach(w io.Writer, first, indent string, texts []string) {
	for _, text := range texts {
		wrap(w, first, indent, text)
	}
}

// wrapSaid is wrap for what a craft says, which may have words longer than a line.
func wrapSaid(w io.Writer, first, indent, text string) {
	room := columns - utf8.RuneCountInString(indent)
	var words []string
	for _, word := range strings.Fields(printable(text)) {
		r := []rune(word)
		for ; len(r) > room; r = r[room:] {
			words = append(words, string(r[:room]))
		}
		words = append(words, string(r))
	}
	wrap(w, first, indent, strings.Join(words, " "))
}

// nameWide is how wide a name may be that a text stands beside.
const nameWide = 20

// beside writes a name and a text beside it; under a longer name it stands below,
// so that nobody has to look for where the name ends.
func beside(w io.Writer, first, name, indent, text string) {
	if utf8.RuneCountInString(name) <= nameWide {
		wrap(w, fmt.Sprintf("%s%-*s ", first, nameWide, printable(name)), indent, text)
		return
	}
	wrap(w, first, strings.Repeat(" ", utf8.RuneCountInString(first)), name)
	wrap(w, indent, indent, text)
}

// besideColumns is between two columns of a table.
const besideColumns = 2

// table writes rows below their heads, no line longer than columns. A column whose head
// begins with > stands to the right. A cell that is wider than its column goes on below;
// the last column takes what is left, unless most has a width for it. A row of one cell
// goes over the whole width.
func table(w io.Writer, indent string, heads []string, most []int, rows [][]string) {
	names, right, wide := slices.Clone(heads), make([]bool, len(heads)), make([]int, len(heads))
	left := columns - len(indent)
	for i := range heads {
		names[i], right[i] = strings.CutPrefix(heads[i], ">")
		for _, row := range append([][]string{names}, rows...) {
			if len(row) == len(heads) {
				wide[i] = max(wide[i], min(utf8.RuneCountInString(row[i]), most[i]))
			}
		}
		if most[i] == 0 {
			wide[i] = left
		}
		left -= wide[i] + besideColumns
	}
	for _, row := range append([][]string{names}, rows...) {
		if len(row) == 1 {
			wrap(w, indent, indent, row[0])
			continue
		}
		cells, deep := make([][]string, len(row)), 0
		for i, text := range row {
			cells[i] = folded(text, wide[i])
			deep = max(deep, len(cells[i]))
		}
		for k := range deep {
			line := indent
			for i := range cells {
				text := ""
				if k < len(cells[i]) {
					text = cells[i][k]
				}
				room, between := strings.Repeat(" ", wide[i]-utf8.RuneCountInString(text)), strings.Repeat(" ", besideColumns)
				line += pick(right[i], room+text, text+room) + between
			}
			fmt.Fprintln(w, strings.TrimRight(line, " "))
		}
	}
}

// folded is a text in lines of at most so many letters, cut at spaces; a word that is
// longer is cut.
func folded(text string, wide int) (lines []string) {
	line := ""
	for _, word := range strings.Fields(printable(text)) {
		for r := []rune(word); ; r = r[wide:] {
			n := utf8.RuneCountInString(line)
			if n > 0 && n+1+min(len(r), wide) > wide {
				lines, line, n = append(lines, line), "", 0
			}
			if n > 0 {
				line += " "
			}
			if n > 0 || len(r) <= wide {
				line += string(r)
				break
			}
			lines = append(lines, string(r[:wide]))
		}
	}
	return append(lines, line)
}

// printable replaces what could move the cursor or colour the screen.
func printable(text string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' && r != '\n' && r != '\t' || r >= 0x7f && r <= 0x9f || r == 0x2028 || r == 0x2029 || r >= 0x202a && r <= 0x202e || r >= 0x2066 && r <= 0x2069 {
			return '?'
		}
		return r
	}, text)
}

// printJSON writes one object, indented, with a line break behind it.
func printJSON(w io.Writer, v any) error {
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	return e.Encode(v)
}

// result is what a command found, for scripts as one object and for people in
// words.
type result interface{ print(w io.Writer) }

// conclude writes a result to standard output and ends the command: with what went wrong, or
// with the exit code for what was found.
func (s *streams) conclude(r result, asJSON bool, bad error, found bool) error {
	if !asJSON {
		r.print(s.out)
	} else if err := printJSON(s.out, r); err != nil {
		return err
	}
	if bad == nil && found {
		return errFound
	}
	return bad
}
