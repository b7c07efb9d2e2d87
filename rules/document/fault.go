package document

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// Fault is one thing that is wrong in a file.
type Fault struct {
	File string
	// Line counts from 1; 0 means that no line fits.
	Line int
	// Key is the path of the key, such as rule[2].above; rows of a repeated
	// table count from 1.
	Key string
	// Wrong states what is wrong, Got what was found (empty when nothing was),
	// Mend how to put it right.
	Wrong, Got, Mend string
}

// Error is the fault on one line:
//
//	file:line: key: what is wrong (got …); how to mend it
//
// A part that is empty is left out.
func (f Fault) Error() string {
	var b strings.Builder
	part := func(before, text, after string) {
		if text != "" {
			b.WriteString(before + text + after)
		}
	}
	at := ":"
	if f.Line > 0 {
		at = fmt.Sprintf(":%d:", f.Line)
	}
	part("", f.File, at+" ")
	part("", f.Key, ": ")
	b.WriteString(f.Wrong)
	part(" (got ", f.Got, ")")
	part("; ", f.Mend, "")
	return b.String()
}

// Faults is every fault of a file, by line.
type Faults []Fault

// Error is one fault a line.
func (fs Faults) Error() string {
	lines := make([]string, len(fs))
	for i, f := range fs {
		lines[i] = f.Error()
	}
	return strings.Join(lines, "\n")
}

// Err is fs as an error, nil when there is no fault.
func (fs Faults) Err() error {
	if len(fs) == 0 {
		return nil
	}
	return fs
}

// Sort brings the faults into the order of the file: by line, and on one line
// in the order in which they were found.
func (fs Faults) Sort() {
	slices.SortStableFunc(fs, func(a, b Fault) int { return cmp.Compare(a.Line, b.Line) })
}

// longestQuote is where a quotation in a fault is cut, so that one line stays
// one line; ours.
const longestQuote = 60

// Quote is text as it stands in a fault: in quotes, on one line, cut when long.
func Quote(text string) string {
	if len(text) > longestQuote {
		text = strings.ToValidUTF8(text[:longestQuote], "") + "…"
	}
	return strconv.Quote(text)
}

// List is the words as a person says them: "a, b or c".
func List(words []string, last string) string {
	if n := len(words) - 1; n > 0 {
		return strings.Join(words[:n], ", ") + " " + last + " " + words[n]
	}
	return strings.Join(words, "")
}
