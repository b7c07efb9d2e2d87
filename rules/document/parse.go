package document

import (
	"fmt"
	"strings"

	"github.com/BurntSushi/toml"
)

// Limits of a file; ours. A pad file with every section and comment has some
// 10 KiB; the limit keeps a wrong file (a recording, say) from being parsed,
// and bounds how deep the library can recurse.
const (
	largest = 256 << 10
	// longestLine bounds the dots and braces of one line, whose cost in the
	// library grows with their square; 500 characters of text fit.
	longestLine = 2500
	// mostSyntax is the count of syntax faults after which reading stops:
	// more of them say that this is no TOML at all.
	mostSyntax = 12
)

// Document is one file while it is read. Getters of its tables collect faults
// in it; Faults gives them all at the end.
type Document struct {
	file   string
	root   *Table
	faults Faults
	// damaged reports whether lines with syntax faults were left out, so that what
	// seems to be missing may stand in one of them.
	damaged bool
}

// Parse reads text as TOML. A line that is not TOML is reported and left out,
// and the rest is read, so that no other fault is lost. The document is never
// nil; when nothing could be read its root is empty.
func Parse(file string, text []byte) *Document {
	d := &Document{file: file}
	d.root = d.table("", &node{line: 1}, nil)
	if len(text) > largest {
		d.damaged = true
		d.faults = append(d.faults, Fault{File: file, Line: 1, Wrong: "too large for one of these files",
			Got: fmt.Sprintf("%d bytes", len(text)), Mend: fmt.Sprintf("the most is %d bytes; is this the right file?", largest)})
		return d
	}
	source := string(text)
	if f := noText(source); f.Wrong != "" {
		f.File, d.damaged = file, true
		d.faults = append(d.faults, f)
		return d
	}
	lines := strings.SplitAfter(source, "\n")
	for i, line := range lines {
		f := Fault{File: file, Line: i + 1}
		control := func(r rune) bool {
			return r < ' ' && r != '\t' && r != '\r' || r == 0x7f || r >= 0x202a && r <= 0x202e || r >= 0x2066 && r <= 0x2069
		}
		if at := strings.IndexFunc(strings.TrimRight(line, "\n"), control); len(line) > longestLine {
			f.Wrong, f.Got, f.Mend = fmt.Sprintf("a line of more than %d bytes", longestLine), fmt.Sprintf("%d bytes", len(line)), "break it, or shorten it"
		} else if at >= 0 {
			f.Wrong, f.Got, f.Mend = "a control character", fmt.Sprintf("%U", []rune(line[at:])[0]), "take it out"
		} else {
			continue
		}
		d.damaged, d.faults, lines[i] = true, append(d.faults, f), "\n"
	}
	for range mostSyntax {
		text := strings.Join(lines, "")
		values, md, err := decode(text)
		if err == nil {
			d.grow(text, values, md)
			return d
		}
		d.damaged = true
		if !d.leaveOut(lines, err) {
			return d
		}
	}
	return d
}

// decode reads TOML; where the library gives up on itself, that is an error as
// any other.
func decode(text string) (values map[string]any, md toml.MetaData, err error) {
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("cannot be read: %v", r)
		}
	}()
	values = make(map[string]any)
	md, err = toml.Decode(text, &values)
	return values, md, err
}

// grow puts the tables on top of the outline.
func (d *Document) grow(text string, values map[string]any, md toml.MetaData) {
	out, err := drawOutline(text)
	if err == nil && len(out.inline) == 0 {
		library := make([][]string, len(md.Keys()))
		for i, k := range md.Keys() {
			library[i] = k
		}
		err = sameKeys(out.keys, library)
	}
	if err != nil {
		d.damaged = true
		d.faults = append(d.faults, Fault{File: d.file, Line: 1, Wrong: "the lines of this file cannot be told",
			Got: oneLine(err.Error()), Mend: "write it in plain sections, one key a line"})
		return
	}
	for _, p := range out.inline {
		d.faults = append(d.faults, Fault{File: d.file, Line: p.line, Key: p.key, Wrong: "a table in braces is not read here",
			Mend: "write it as a [section] of its own, one key a line"})
	}
	if len(out.inline) > 0 {
		d.damaged = true
	}
	for _, p := range out.twice {
		d.faults = append(d.faults, Fault{File: d.file, Line: p.line, Key: p.key, Wrong: "stands here a second time", Mend: "keep one of the two"})
	}
	d.root = d.table("", out.root, values)
}

// oneLine is text without line breaks and other control characters.
func oneLine(text string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f {
			return ' '
		}
		return r
	}, text)
}

// Root is the top of the file.
func (d *Document) Root() *Table { return d.root }

// Damaged reports whether part of the file could not be read, so that nothing can be
// said of what is missing.
func (d *Document) Damaged() bool { return d.damaged }

// Add adds a fault; its file is filled in.
func (d *Document) Add(f Fault) {
	f.File = d.file
	d.faults = append(d.faults, f)
}

// Faults ends the reading: it adds a fault for every key that nobody asked for
// and gives all faults by line, nil if there is none. Call it once.
func (d *Document) Faults() Faults {
	d.root.unasked()
	d.faults.Sort()
	if len(d.faults) == 0 {
		return nil
	}
	return d.faults
}
