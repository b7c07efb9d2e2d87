package main

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"downhaul/interlock/pad"
	"downhaul/rules"
	"downhaul/rules/card"
	"downhaul/rules/document"
)

// format is one of the three files.
type format struct {
	name    string
	sources []string // folders in which its keys are written, from the root
	read    func(text string) document.Faults
}

var formats = []format{
	{"pad", []string{"interlock/pad", "rules"}, func(text string) document.Faults { _, f := pad.Read("", []byte(text)); return f }},
	{"envelope", []string{"rules"}, func(text string) document.Faults { _, f := rules.ReadEnvelope("", []byte(text)); return f }},
	{"card", []string{"rules/card", "rules"}, func(text string) document.Faults { _, f := card.Read("", []byte(text)); return f }},
}

// section is one table of a file with its keys in order.
type section struct {
	path string // dotted; empty for the top of the file
	rows bool   // [[path]]
	free bool   // its keys are the user's own
	keys []string
}

// header is the section's header line as it stands in a file.
func (s *section) header() string {
	switch {
	case s.path == "":
		return ""
	case s.rows:
		return "[[" + s.path + "]]"
	}
	return "[" + s.path + "]"
}

var keyText = regexp.MustCompile(`^[a-z][a-z0-9_]*$`)

// candidates is every word in the sources of a format that could be a key.
func (f *format) candidates(root string) ([]string, error) {
	var words []string
	for _, dir := range f.sources {
		entries, err := fs.Glob(os.DirFS(root), dir+"/*.go")
		if err != nil {
			return nil, err
		}
		for _, name := range entries {
			if strings.HasSuffix(name, "_test.go") {
				continue
			}
			parsed, err := parser.ParseFile(token.NewFileSet(), root+"/"+name, nil, 0)
			if err != nil {
				return nil, err
			}
			ast.Inspect(parsed, func(n ast.Node) bool {
				if lit, ok := n.(*ast.BasicLit); ok && lit.Kind == token.STRING {
					if s, err := strconv.Unquote(lit.Value); err == nil && keyText.MatchString(s) {
						words = append(words, s)
					}
				}
				return true
			})
		}
	}
	slices.Sort(words)
	words = slices.Compact(words)
	if len(words) < 10 {
		return nil, fmt.Errorf("only %d words found in %v under %s: is that the root of the sources?", len(words), f.sources, root)
	}
	return words, nil
}

// nobody is a key that no reader asks for.
const nobody = "zzz_nobody_asks"

// unknown returns which of the keys, written into the section, the reader does not
// know.
func (f *format) unknown(header string, keys []string) map[string]bool {
	var text strings.Builder
	text.WriteString(header + "\n")
	for _, k := range keys {
		text.WriteString(k + " = \"\"\n")
	}
	out := map[string]bool{}
	for _, fault := range f.read(text.String()) {
		if fault.Wrong == "unknown key" {
			out[fault.Key[strings.LastIndexByte(fault.Key, '.')+1:]] = true
		}
	}
	return out
}

// sections asks the reader of a format for all its sections and keys.
func (f *format) sections(root string) ([]section, error) {
	words, err := f.candidates(root)
	if err != nil {
		return nil, err
	}
	known := func(header string) (out []string) {
		not := f.unknown(header, words)
		for _, w := range words {
			if !not[w] {
				out = append(out, w)
			}
		}
		return out
	}
	all := []section{{}}
	for i := 0; i < len(all); i++ {
		keys := known(all[i].header())
		for _, k := range keys {
			path := strings.TrimPrefix(all[i].path+"."+k, ".")
			sub, isTable := f.tableAt(all[i].header(), path)
			switch {
			case !isTable:
				all[i].keys = append(all[i].keys, k)
			case !slices.ContainsFunc(all, func(s section) bool { return s.path == path }):
				all = append(all, sub)
			}
		}
	}
	// Free sections have nothing of their own to list.
	for i := range all {
		if all[i].free {
			all[i].keys = nil
		}
	}
	return all, nil
}

// tableAt reports whether a known key is a section, and of which form.
func (f *format) tableAt(parent, path string) (section, bool) {
	if strings.HasPrefix(parent, "[[") {
		parent += "\n" // a row must stand before a section inside it
	} else {
		parent = ""
	}
	for _, s := range []section{{path: path}, {path: path, rows: true}} {
		for _, fault := range f.read(parent + s.header() + "\n" + nobody + " = \"\"\n") {
			if fault.Key[strings.LastIndexByte(fault.Key, '.')+1:] == nobody {
				s.free = fault.Wrong != "unknown key"
				return s, true
			}
		}
	}
	return section{}, false
}
