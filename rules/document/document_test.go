package document

import (
	"fmt"
	"strconv"
	"strings"
	"testing"

	"github.com/BurntSushi/toml"
	"pgregory.net/rapid"
)

// The outline must see the same keys in the same order as the library, each on
// its own line: key kN stands on line N.
const outlined = `k1 = 1 # [not.a.table]
k2 = "a # b = c [d]"
k3 = """
k9 = 1
[no]
\""" k = 2 """""
k7 = '''
k = 'x'
'''''
  k10   =   [ # comment ]
  "]", [ 1 , 2 ],
  '#', """]
""",
]
k15.a . "b.c" = true

[ k17 ]
k18 = 2020-01-02 03:04:05
"k19 \u00e4\t" = 1
[[k20]]
k21 = 1
[[ k20.'k22' ]]
k23 = 1
[[k20]]
[k20.k25]
k26=1
[[k20.k25.k27]]
k28 = {} # only here: see below
`

func TestOutlineAgainstLibrary(t *testing.T) {
	text := strings.Replace(outlined, "{} # only here: see below", "''", 1)
	out, err := drawOutline("\ufeff" + text)
	if err != nil {
		t.Fatal(err)
	}
	values := make(map[string]any)
	md, err := toml.Decode(text, &values)
	if err != nil {
		t.Fatal(err)
	}
	var library [][]string
	for _, k := range md.Keys() {
		library = append(library, k)
	}
	if err := sameKeys(out.keys, library); err != nil {
		t.Fatal(err)
	}
	var walk func(n *node)
	checked := 0
	walk = func(n *node) {
		for _, name := range n.names {
			kid := n.kids[name]
			if digits, found := strings.CutPrefix(name, "k"); found {
				if f := strings.Fields(digits); len(f) > 0 {
					if want, err := strconv.Atoi(f[0]); err == nil {
						checked++
						if kid.line != want {
							t.Errorf("%q is on line %d", name, kid.line)
						}
					}
				}
			}
			walk(kid)
			for _, row := range kid.rows {
				walk(row)
			}
		}
	}
	walk(out.root)
	if checked != 17 {
		t.Errorf("%d keys looked at", checked)
	}
	if rows := out.root.kids["k20"].rows; len(rows) != 2 || rows[0].line != 20 || rows[1].line != 24 {
		t.Errorf("the rows are wrong: %+v", rows)
	}
	if out, err := drawOutline(outlined); err != nil || len(out.inline) != 1 || out.inline[0].line != 28 {
		t.Errorf("the table in braces was not seen: %+v, %v", out.inline, err)
	}
}

func TestSameKeysTellsApart(t *testing.T) {
	a := [][]string{{"a"}, {"a", "b"}}
	for _, b := range [][][]string{{{"a"}}, {{"a"}, {"a", "c"}}, {{"a"}, {"a"}}, {{"a"}, {"a", "b"}, {"d"}}} {
		if sameKeys(a, b) == nil {
			t.Errorf("%v passes for %v", b, a)
		}
	}
}

// Generated files: what stands on which line is known beforehand.
func TestOutlineOfGeneratedFiles(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var b strings.Builder
		line := 1
		var want []place
		path := ""
		for i := range rapid.IntRange(1, 30).Draw(t, "items") {
			key := fmt.Sprintf("%s%d", rapid.SampledFrom([]string{"k", "K-", "_"}).Draw(t, "key"), i)
			quoted := key
			if rapid.Bool().Draw(t, "quoted") {
				quoted = rapid.SampledFrom([]string{`"`, `'`}).Draw(t, "quote")
				quoted += key + quoted
			}
			text := ""
			switch rapid.IntRange(0, 7).Draw(t, "what") {
			case 0:
				text = "[" + quoted + "]\n"
				path = key + "."
				want = append(want, place{line, key})
			case 1:
				text = "[[ " + quoted + " ]] # c\n"
				path = key + "."
				want = append(want, place{line, key})
			case 2:
				text = "# [x] = \"\n\n"
			case 3:
				text = quoted + " = \"\"\"\n a = 1 \\\" \\\\ \n\"\"\"\r\n"
				want = append(want, place{line, path + key})
			case 4:
				text = quoted + " = [ 1, # ]\n  [ \"]\" ],\n]\n"
				want = append(want, place{line, path + key})
			case 5:
				text = quoted + " . x = 'a\"#'\n"
				want = append(want, place{line, path + key + ".x"})
			default:
				text = "  " + quoted + "=\"a # [ \\\" b\"   # c\n"
				want = append(want, place{line, path + key})
			}
			b.WriteString(text)
			line += strings.Count(text, "\n")
		}
		d := Parse("x.toml", []byte(b.String()))
		if d.faults != nil {
			t.Fatalf("%v\n%s", d.faults, b.String())
		}
		out, err := drawOutline(b.String())
		if err != nil {
			t.Fatal(err)
		}
		for i, w := range want {
			if got := strings.Join(out.keys[i], "."); got != w.key {
				t.Fatalf("key %d is %s, want %s\n%s", i, got, w.key, b.String())
			}
			n := out.root
			for _, part := range out.keys[i] {
				n = n.kids[part].last()
			}
			if n.line != w.line {
				t.Fatalf("%s is on line %d, want %d\n%s", w.key, n.line, w.line, b.String())
			}
		}
	})
}

func read(text string) (*Document, *Table) {
	d := Parse("x.toml", []byte(text))
	return d, d.Root()
}

func wantFaults(t *testing.T, d *Document, want ...string) {
	t.Helper()
	got := d.Faults()
	if len(got) != len(want) {
		t.Fatalf("%d faults, want %d:\n%v", len(got), len(want), got)
	}
	for i := range want {
		if got[i].Error() != want[i] {
			t.Errorf("got:  %s\nwant: %s", got[i].Error(), want[i])
		}
	}
}

func TestGettersTellWrongTypes(t *testing.T) {
	d, root := read("a = 1\nb = 'x'\nc = 1.5\nd = true\ne = [1]\nf = 2020-01-01\n[g]\n")
	root.String("a")
	root.Bool("b")
	root.Int("c", 0, 9)
	root.Number("d")
	root.Strings("e")
	root.Table("f")
	root.Rows("g")
	wantFaults(t, d,
		`x.toml:1: a: takes text in quotes (got the number 1); write a = "…"`,
		`x.toml:2: b: takes true or false, without quotes (got "x"); write b = true`,
		`x.toml:3: c: takes a whole number without quotes (got the number 1.5); write c = 0`,
		`x.toml:4: d: takes a plain number without quotes and unit (got true); write d = 10`,
		`x.toml:5: e: entry 1 must be text in quotes (got the number 1); write e = ["…", "…"]`,
		`x.toml:6: f: takes a section (got a date or time); write [f], one key a line below it`,
		`x.toml:7: g: takes a repeated section (got a table); write each row under a [[g]] of its own`,
	)
}

func TestGettersFindWhatIsThere(t *testing.T) {
	d, root := read("a = 'x'\nb = true\nc = 7\nd = -0.0\ne = ['p', 'q']\nf = 'two'\n\n[h]\ni = 'in'\n[[j]]\nk = 1\n[[j]]\nk = 2\n")
	if v, ok := root.String("a"); v != "x" || !ok {
		t.Error("text")
	}
	if v, ok := root.Bool("b"); !v || !ok {
		t.Error("bool")
	}
	if v, ok := root.Int("c", 1, 9); v != 7 || !ok {
		t.Error("int")
	}
	if v, ok := root.Number("d"); strconv.FormatFloat(v, 'g', -1, 64) != "0" || !ok {
		t.Error("number: minus zero stays")
	}
	if v, ok := root.Strings("e"); len(v) != 2 || !ok {
		t.Error("texts")
	}
	if v, ok := root.Choice("f", "one", "two"); v != "two" || !ok {
		t.Error("choice")
	}
	if v, ok := root.Table("h").Name("i"); v != "in" || !ok || !root.Table("h").Present() || root.Table("h").Line() != 8 {
		t.Error("section")
	}
	rows := root.Rows("j")
	if len(rows) != 2 || rows[1].Line() != 12 || rows[1].LineOf("k") != 13 || rows[1].Path("k") != "j[2].k" {
		t.Error("rows")
	}
	for i, row := range rows {
		if v, ok := row.Int("k", 0, 9); v != i+1 || !ok {
			t.Error("row", i)
		}
	}
	if s := root.Table("absent"); s.Present() || s.Has("x") || len(s.Rows("y")) != 0 {
		t.Error("an absent section holds something")
	}
	if got := strings.Join(root.Keys(), ""); got != "abcdefhj" {
		t.Error("keys:", got)
	}
	wantFaults(t, d)
}

func TestTextForPeople(t *testing.T) {
	long := strings.Repeat("ä", longestName+1)
	d, root := read("a = ' '\nb = \"x\\ty\"\nc = '" + long + "'\nd = '" + long[2:] + "'\ne = \"a\\u2028b\"\nf = \"\\u0085\"\n")
	for _, k := range []string{"a", "b", "c", "d", "e", "f"} {
		if _, ok := root.Name(k); ok != (k == "d") {
			t.Errorf("%s: %v", k, ok)
		}
	}
	if got := d.Faults(); len(got) != 5 {
		t.Errorf("%v", got)
	}
}

func TestUnknownKeysWithTheNearest(t *testing.T) {
	d, root := read("naem = 1\nzzz = 1\n[sub]\nlenght = 1\n[[row]]\nx = 1\n[[row]]\ny = 1\n[[lost]]\n[[lost]]\n")
	root.Has("name")
	root.Table("sub").Has("length")
	for _, r := range root.Rows("row") {
		r.Has("x")
	}
	wantFaults(t, d,
		`x.toml:1: naem: unknown key; did you mean "name"?`,
		`x.toml:2: zzz: unknown key; known here: name, sub, row`,
		`x.toml:4: sub.lenght: unknown key; did you mean "length"?`,
		`x.toml:8: row[2].y: unknown key; did you mean "x"?`,
		`x.toml:9: lost: unknown key; known here: name, sub, row`,
	)
}

func TestNearest(t *testing.T) {
	words := []string{"above", "below", "tether.tension", "winch.tension"}
	for got, want := range map[string]string{
		"abvoe": `did you mean "above"?`, "Below": `did you mean "below"?`, "tension": `did you mean "tether.tension" or "winch.tension"?`,
		"xyz": "known here: above, below, tether.tension, winch.tension",
	} {
		if m := Nearest(got, words); m != want {
			t.Errorf("%s: %s", got, m)
		}
	}
	if m := Nearest("x", nil); m != "" {
		t.Error(m)
	}
	for _, c := range []struct {
		a, b string
		want int
	}{{"", "", 0}, {"abc", "", 3}, {"abc", "abd", 1}, {"abc", "acb", 1}, {"kitten", "sitting", 3}, {"ca", "abc", 3}} {
		if d := distance(c.a, c.b); d != c.want {
			t.Errorf("%s to %s is %d", c.a, c.b, d)
		}
	}
	_ = distance(strings.Repeat("x", 500), strings.Repeat("y", 500))
}

// A broken line costs nothing but itself.
func TestSyntaxFaultsLoseNothingElse(t *testing.T) {
	d, root := read("a = 'x'\nb = 12 N\nc = 'open\nd = 4\ne = 5\na = 'again'\n")
	if v, _ := root.Int("d", 0, 9); v != 4 {
		t.Error("a whole line was lost")
	}
	root.String("a")
	root.Missing("b", "must be there", "write it") // it may stand in the broken line
	got := d.Faults()
	var lines []int
	for _, f := range got {
		lines = append(lines, f.Line)
	}
	if fmt.Sprint(lines) != "[2 3 5 6]" || got[0].Mend != `write a quantity in quotes: b = "12 N"` || got[2].Wrong != "unknown key" || got[3].Mend != "keep one of the two" {
		t.Errorf("%v", got)
	}
	if !d.Damaged() {
		t.Error("not said to be damaged")
	}
}

func TestHopelessFiles(t *testing.T) {
	for name, text := range map[string]string{
		"a broken header":      "[a\nb = 1\n",
		"an endless text":      "a = \"\"\"\nb = 1\n",
		"not text":             "\x00\x01\x02",
		"too many bad lines":   strings.Repeat("x y\n", 40),
		"too large":            strings.Repeat("#\n", largest),
		"deep brackets":        "a = " + strings.Repeat("[", 100000),
		"another's encoding":   "\xff\xfea\x00 \x00=\x00",
		"bytes that are no ä":  "a = \"\xe4\"\n",
		"a carriage return":    "a = 1\rb = 2\r",
		"a key without value":  "a\n",
		"a line without end":   strings.Repeat("a.", 100000) + "b = 1\n",
		"braces without end":   "a = " + strings.Repeat("{a=", 60000) + "\n",
		"a doubled table":      "[a]\n[a]\n",
		"an array redefined":   "a = [1]\n[[a]]\n",
		"a table in a value":   "a = {b = 1}\n",
		"a key that is lost":   "a.b = 1\na = 2\n",
		"a long quoted broken": "a = '" + strings.Repeat("ä", 200),
	} {
		d, root := read(text)
		root.Has("a")
		faults := d.Faults()
		if len(faults) == 0 {
			t.Errorf("%s: no fault", name)
		}
		for _, f := range faults {
			if f.Line < 1 || strings.ContainsAny(f.Error(), "\n\r\x00") || len(f.Error()) > 500 {
				t.Errorf("%s: %q", name, f.Error())
			}
		}
	}
}

// What is no text at all gives its true reason, and no fault of keys beside it.
func TestWhatIsNoText(t *testing.T) {
	utf16 := func(s string) string { return strings.Join(append(strings.Split(s, ""), ""), "\x00") }
	utf32 := func(s string) string { return strings.Join(append(strings.Split(s, ""), ""), "\x00\x00\x00") }
	for _, c := range []struct{ text, want string }{
		{utf16("version = 1\n"), "UTF-16: every second byte is 0"},
		{"\x00" + utf16("version = 1\n"), "UTF-16: every second byte is 0"},
		{"\xff\xfev\x00", "UTF-16 by its first bytes"},
		{"version = 1\n\ntitle = \"\x00\"\n", "bytes that are 0 (NUL) (got the first at byte 23)"},
		{"version = 1\n# 20 \xb0C\ntitle = \"\xe4\"\n", "x.toml:2: not UTF-8 text, but of an older encoding such as Windows-1252 or Latin-1, or no text (got byte 0xb0); save it as UTF-8"},
		{"version = 1\rtitle = \"a\"\r", "its lines end in a carriage return alone"},
		{"\xff\xfe\x00\x00" + utf32("version = 1\n"), "UTF-32 by its first bytes"},
		{"\x00\x00\xfe\xff\x00\x00\x00" + utf32("version = 1\n"), "UTF-32 by its first bytes"},
		{utf32("version = 1\ntitle = \"Übung\"\n"), "UTF-32: three of four bytes are 0"},
		{"\x00\x00\x00" + utf32("version = 1\n"), "UTF-32: three of four bytes are 0"},
		{strings.Repeat("\x00", 64), "nothing but bytes that are 0 (NUL)"},
		{"a = 1\n<<<<<<< HEAD\nb = 2\n=======\nb = 3\n>>>>>>> evening\nc = 4\n", `x.toml:2: a merge of two versions that nobody finished (got "<<<<<<< HEAD"); keep one of the two, and take out the marks: lines 2, 4 and 6`},
		{"<<<<<<< ours\r\na = 1\r\n||||||| base\r\n=======\r\na = 2\r\n>>>>>>> theirs\r\n", "lines 1, 3, 4 and 6"},
		{"a = 1\n=======\n", "a merge of two versions"},
	} {
		d, root := read(c.text)
		if faults := d.Faults(); len(faults) != 1 || !strings.Contains(faults[0].Error(), c.want) || len(root.Keys()) != 0 {
			t.Errorf("%q: %v", c.text, faults)
		}
	}
}

// One slip of syntax is told once, where it stands, though it spoils many lines.
func TestOneSlipOfSyntaxIsToldOnce(t *testing.T) {
	for _, c := range []struct{ text, want string }{
		{"a: 1\nb: 2\n[c]\nd: 3\n", "x.toml:1: not TOML: expected '.' or '=', but got ':' instead; so line 2; so line 4 (got \"a: 1\"); write = in place of the colon"},
		{"a = 1\nb = \"\"\"x\nc = 2\nd = 3\n", `x.toml:2: a text in three quotes that never ends (got "b = \"\"\"x"); close it with """`},
		{"a = 1\nb = '''x\nc = 2\n", `close it with '''`},
		{"a = 1\nb = \"x\"\f\nc = 2\n", "x.toml:2: a control character (got U+000C); take it out"},
		{"a = 1\nb = \"x\u202e\"\n", "x.toml:2: a control character (got U+202E)"}, // it turns the direction of reading
		{"a = 1\n# \u2066x\n", "x.toml:2: a control character (got U+2066)"},
		{"a = immediate\nb = immediate\nc = 1\n", "so line 2 (got \"a = immediate\"); write text in quotes: a = \"immediate\""},
		{"a = yes\n", "a flag as true or false"},
		{"a = True # so\n", "a flag as true or false"},
	} {
		d := Parse("x.toml", []byte(c.text))
		if faults := d.faults; len(faults) != 1 || !strings.Contains(faults[0].Error(), c.want) {
			t.Errorf("%q:\n%v\nwant %s", c.text, faults, c.want)
		}
		if !d.Damaged() {
			t.Errorf("%q: not said to be damaged", c.text)
		}
	}
}

func TestFaultText(t *testing.T) {
	for want, f := range map[string]Fault{
		"a.toml:3: k: is wrong (got 5); mend it": {File: "a.toml", Line: 3, Key: "k", Wrong: "is wrong", Got: "5", Mend: "mend it"},
		"a.toml: is wrong":                       {File: "a.toml", Wrong: "is wrong"},
		"k: is wrong; mend it":                   {Key: "k", Wrong: "is wrong", Mend: "mend it", Line: 4},
	} {
		if f.Error() != want {
			t.Errorf("%q, want %q", f.Error(), want)
		}
	}
	fs := Faults{{Line: 2, Key: "b"}, {Line: 1, Key: "c"}, {Line: 2, Key: "a"}}
	fs.Sort()
	if fs[0].Key != "c" || fs[1].Key != "b" || fs[2].Key != "a" {
		t.Errorf("order: %v", fs)
	}
}

func FuzzParse(f *testing.F) {
	f.Add(outlined)
	for _, s := range []string{"a = 1", "[[a]]\nb=1", "a.b.c = '''\n'''\n", "a = 12 N", "\ufeffa = 1\r\n", "a = [\n{b=1},\n]", `"\u0041" = "\U00000041"`, "a = 1 # \"\"\"\nb = 2", "x.y=1\nx=2", "\xfe\xff", "\xff\xfea = 1"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		d := Parse("x.toml", []byte(text))
		for _, fault := range d.faults {
			if fault.Wrong == "the lines of this file cannot be told" {
				t.Errorf("the outline differs from the library: %s\n%q", fault.Got, text)
			}
			if fault.Line < 1 || fault.Line > 1+strings.Count(text, "\n") {
				t.Errorf("line %d of %q", fault.Line, text)
			}
		}
		root := d.Root()
		for _, k := range root.Keys() {
			root.String(k)
			root.Table(k)
			root.Rows(k)
		}
		d.Faults()
	})
}
