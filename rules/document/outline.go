package document

import (
	"fmt"
	"slices"
	"strings"
)

// outline is the shape of a file with its lines: the tree of tables and keys as
// they were written. The TOML library tells no line for a key that nobody
// decodes, and the wrong one in repeated tables, so the shape is taken from the
// text; it is checked against the library's own order of keys.
type outline struct {
	root *node
	// keys is the path of every header and key in the order of the text, in
	// the way the library lists them.
	keys [][]string
	// inline holds the line and key of each inline table; our files have none.
	inline []place
	// twice holds keys that stand a second time where the library drops one of
	// the two without a word (a.b = 1 and then a = 2).
	twice []place
}

type place struct {
	line int
	key  string
}

// node is one table, one row of a repeated table, or one key.
type node struct {
	line  int
	names []string         // the keys inside, in the order of the text
	kids  map[string]*node // by name
	rows  []*node          // the rows, when this is a repeated table
}

// last is the node that a path through n means: the newest row of a repeated
// table, else n itself.
func (n *node) last() *node {
	if len(n.rows) > 0 {
		return n.rows[len(n.rows)-1]
	}
	return n
}

// kid finds or makes the child of that name.
func (n *node) kid(name string, line int) *node {
	if k, ok := n.kids[name]; ok {
		return k
	}
	if n.kids == nil {
		n.kids = make(map[string]*node)
	}
	k := &node{line: line}
	n.kids[name] = k
	n.names = append(n.names, name)
	return k
}

// scanner walks over text that the library has found to be valid TOML. On
// anything else its outline means nothing, but it ends.
type scanner struct {
	text string
	at   int
	line int
	out  outline
}

// drawOutline takes the outline of text.
func drawOutline(text string) outline {
	s := scanner{text: strings.TrimPrefix(text, "\ufeff"), line: 1}
	s.out.root = &node{line: 1}
	context, path := s.out.root, []string(nil)
	for s.at < len(s.text) {
		switch c := s.text[s.at]; {
		case c == '\n' || c == '\r' || c == ' ' || c == '\t':
			s.step()
		case c == '#':
			s.comment()
		case c == '[':
			context, path = s.header()
		default:
			s.pair(context, path)
		}
	}
	return s.out
}

// step goes one byte on and counts lines.
func (s *scanner) step() {
	if s.at < len(s.text) {
		if s.text[s.at] == '\n' {
			s.line++
		}
		s.at++
	}
}

func (s *scanner) steps(n int) {
	for range n {
		s.step()
	}
}

func (s *scanner) blanks() {
	for s.at < len(s.text) && (s.text[s.at] == ' ' || s.text[s.at] == '\t') {
		s.at++
	}
}

func (s *scanner) comment() {
	for s.at < len(s.text) && s.text[s.at] != '\n' {
		s.at++
	}
}

func (s *scanner) rest() string { return s.text[s.at:] }

// header reads [a.b] or [[a.b]] and gives the table that it opens.
func (s *scanner) header() (*node, []string) {
	line := s.line
	repeated := strings.HasPrefix(s.rest(), "[[")
	if repeated {
		s.at++
	}
	s.at++
	path := s.path("]")
	for s.at < len(s.text) && s.text[s.at] == ']' {
		s.at++
	}
	s.out.keys = append(s.out.keys, path)
	if len(path) == 0 {
		return s.out.root, nil
	}
	n := s.out.root
	for _, name := range path[:len(path)-1] {
		n = n.kid(name, line).last()
	}
	n = n.kid(path[len(path)-1], line)
	if repeated {
		n.rows = append(n.rows, &node{line: line})
		return n.last(), path
	}
	n.line = line
	return n, path
}

// pair reads key = value.
func (s *scanner) pair(context *node, path []string) {
	line, start := s.line, s.at
	key := s.path("=")
	if s.at < len(s.text) && s.text[s.at] == '=' {
		s.at++
	}
	full := append(append([]string(nil), path...), key...)
	s.out.keys = append(s.out.keys, full)
	n := context
	for i, name := range key {
		if _, taken := n.kids[name]; taken && i == len(key)-1 {
			s.out.twice = append(s.out.twice, place{line, strings.Join(full, ".")})
		}
		n = n.kid(name, line).last()
	}
	s.value(line, full)
	if s.at == start { // not TOML: never stand still
		s.step()
	}
}

// path reads the parts of a dotted key up to one of the ending bytes or the end
// of the line.
func (s *scanner) path(ends string) []string {
	var parts []string
	for s.at < len(s.text) {
		s.blanks()
		if s.at >= len(s.text) {
			break
		}
		c := s.text[s.at]
		switch {
		case c == '\n' || strings.IndexByte(ends, c) >= 0:
			return parts
		case c == '.':
			s.at++
		case c == '"' || c == '\'':
			parts = append(parts, s.quoted())
		default:
			from := s.at
			for s.at < len(s.text) && strings.IndexByte(" \t\n.\"'"+ends, s.text[s.at]) < 0 {
				s.at++
			}
			parts = append(parts, s.text[from:s.at])
		}
	}
	return parts
}

// quoted reads a one-line string and gives what it says.
func (s *scanner) quoted() string {
	quote := s.text[s.at]
	s.at++
	from := s.at
	for s.at < len(s.text) && s.text[s.at] != quote && s.text[s.at] != '\n' {
		if quote == '"' && s.text[s.at] == '\\' && s.at+1 < len(s.text) && s.text[s.at+1] != '\n' {
			s.at++
		}
		s.at++
	}
	inner := s.text[from:min(s.at, len(s.text))]
	if s.at < len(s.text) && s.text[s.at] == quote {
		s.at++
	}
	if quote == '"' {
		return unescape(inner)
	}
	return inner
}

// value skips one value, whatever it is, and notes inline tables.
func (s *scanner) value(line int, path []string) {
	depth := 0
	for s.at < len(s.text) {
		rest := s.rest()
		switch c := rest[0]; {
		case strings.HasPrefix(rest, `"""`) || strings.HasPrefix(rest, `'''`):
			s.long(rest[:3])
		case c == '"' || c == '\'':
			s.quoted()
		case c == '#':
			s.comment()
		case c == '{':
			if depth == 0 || len(s.out.inline) == 0 || s.out.inline[len(s.out.inline)-1].line != line {
				s.out.inline = append(s.out.inline, place{line, strings.Join(path, ".")})
			}
			depth++
			s.at++
		case c == '[':
			depth++
			s.at++
		case c == ']' || c == '}':
			depth--
			s.at++
		case c == '\n' && depth <= 0:
			return
		default:
			s.step()
		}
	}
}

// long skips a string in triple quotes, which may end in up to two quotes of
// its own.
func (s *scanner) long(mark string) {
	s.steps(3)
	for s.at < len(s.text) {
		if mark == `"""` && s.text[s.at] == '\\' {
			s.steps(2)
			continue
		}
		if strings.HasPrefix(s.rest(), mark) {
			s.at += 3
			for range 2 {
				if s.at < len(s.text) && s.text[s.at] == mark[0] {
					s.at++
				}
			}
			return
		}
		s.step()
	}
}

// unescape returns what a TOML basic string says, as the library reads it.
func unescape(text string) string {
	values, _, err := decode(`k = "` + text + `"`)
	if said, ok := values["k"].(string); ok && err == nil {
		return said
	}
	return text
}

// sameKeys says where the outline and the library disagree about the keys of
// the file, nil if nowhere.
func sameKeys(own [][]string, library [][]string) error {
	for i := range max(len(own), len(library)) {
		var a, b []string
		if i < len(own) {
			a = own[i]
		}
		if i < len(library) {
			b = library[i]
		}
		if !slices.Equal(a, b) {
			return fmt.Errorf("key %d is %q in the outline and %q in the library", i+1, a, b)
		}
	}
	return nil
}
