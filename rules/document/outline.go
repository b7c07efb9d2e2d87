package document

import (
	"fmt"
	"slices"
	"strings"

	"github.com/pelletier/go-toml/v2/unstable"
)

// outline is the shape of a file with its lines: the tree of tables and keys as
// they were written. The library that decodes tells no line for a key that nobody
// decodes, and the wrong one in repeated tables; so a second one, which tells where
// each key stands and decodes nothing, reads the text once more, and the two must
// agree on the keys.
type outline struct {
	root *node
	// keys is the path of every header and key in the order of the text, in
	// the way the decoding library lists them.
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

// within finds or makes the node at the end of path.
func (n *node) within(path []string, line int) *node {
	for _, name := range path {
		n = n.kid(name, line).last()
	}
	return n
}

// drawOutline takes the outline of text; the error says why there is none.
func drawOutline(text string) (out outline, err error) {
	out.root = &node{line: 1}
	var p unstable.Parser
	p.Reset([]byte(strings.TrimPrefix(text, "\ufeff")))
	line, counted := 1, 0
	context, path := out.root, []string(nil)
	for p.NextExpression() {
		e := p.Expression()
		var key []string
		for it := e.Key(); it.Next(); {
			if at := int(it.Node().Raw.Offset); at > counted {
				line += strings.Count(string(p.Data()[counted:at]), "\n")
				counted = at
			}
			key = append(key, string(it.Node().Data))
		}
		before, name := key[:len(key)-1], key[len(key)-1]
		switch e.Kind {
		case unstable.KeyValue:
			key = slices.Concat(path, key)
			n := context.within(before, line)
			if _, taken := n.kids[name]; taken {
				out.twice = append(out.twice, place{line, strings.Join(key, ".")})
			}
			n.kid(name, line)
			if inBraces(e.Value()) {
				out.inline = append(out.inline, place{line, strings.Join(key, ".")})
			}
		case unstable.ArrayTable:
			n := out.root.within(before, line).kid(name, line)
			n.rows = append(n.rows, &node{line: line})
			context, path = n.last(), key
		case unstable.Table:
			context, path = out.root.within(before, line).kid(name, line), key
			context.line = line
		}
		out.keys = append(out.keys, key)
	}
	return out, p.Error()
}

// inBraces reports whether a value is an inline table, or holds one.
func inBraces(v *unstable.Node) bool {
	if v.Kind == unstable.InlineTable {
		return true
	}
	for it := v.Children(); v.Kind == unstable.Array && it.Next(); {
		if inBraces(it.Node()) {
			return true
		}
	}
	return false
}

// sameKeys returns where the outline and the library disagree about the keys of
// the file, nil if nowhere.
func sameKeys(own [][]string, library [][]string) error {
	for i := range max(len(own), len(library)) {
		if i >= len(own) || i >= len(library) || !slices.Equal(own[i], library[i]) {
			return fmt.Errorf("key %d is another one in the outline than in the library", i+1)
		}
	}
	return nil
}
