package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"downhaul/rules/architecture"
)

const root = "../.."

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// built builds a command of this module and gives its path.
func built(t *testing.T, name string) string {
	t.Helper()
	_, err := exec.LookPath("go")
	architecture.Need(t, err == nil, "the go command is not on the path")
	path := filepath.Join(t.TempDir(), name)
	if out, err := exec.Command("go", "build", "-o", path, "downhaul/cmd/"+name).CombinedOutput(); err != nil {
		t.Fatalf("build %s: %v\n%s", name, err, out)
	}
	return path
}

func paths(s []section) (out []string) {
	for _, s := range s {
		if s.path != "" {
			out = append(out, s.header())
		}
		for _, k := range s.keys {
			out = append(out, strings.TrimPrefix(s.path+"."+k, "."))
		}
	}
	return out
}

// The readers are asked for their keys; what stands in the examples and the
// design of the files must be among the answers, and no word of the manual may
// be about a key that no reader knows.
func TestWordsAreAboutKeysThatAreThere(t *testing.T) {
	for i := range formats {
		f := &formats[i]
		s, err := f.sections(root)
		must(t, err)
		known := paths(s)
		words, err := wordsOf(f.name)
		must(t, err)
		for key := range words {
			if key != "." && !slices.Contains(known, key) {
				t.Errorf("words/%s.txt: %s: the reader knows no such key", f.name, key)
			}
		}
		bare := 0
		for _, key := range known {
			if words[key] == "" {
				bare++
				t.Logf("words/%s.txt: %s has no words yet", f.name, key)
			}
		}
		// A new key is listed at once and may wait a while for its words.
		if bare*8 > len(known) {
			t.Errorf("words/%s.txt: %d of %d keys have no words; write some", f.name, bare, len(known))
		}
	}
}

// Every key of the example files is found by asking, with its section.
func TestAskingFindsEveryKeyOfTheExamples(t *testing.T) {
	header := regexp.MustCompile(`^#? ?(\[\[?[a-z_.]+\]\]?)`)
	key := regexp.MustCompile(`^(?:# )?([a-z_0-9]+) *= `)
	for i, name := range map[int]string{0: "pad", 2: "card"} {
		text, err := os.ReadFile("../" + name + ".example.toml")
		must(t, err)
		s, err := formats[i].sections(root)
		must(t, err)
		known, free := paths(s), ""
		for _, s := range s {
			if s.free {
				free += s.header()
			}
		}
		at, n := "", 0
		for line := range strings.Lines(string(text)) {
			if m := header.FindStringSubmatch(line); m != nil {
				at = m[1]
				if !slices.Contains(known, at) {
					t.Errorf("%s: %s was not found by asking", name, at)
				}
				continue
			}
			m := key.FindStringSubmatch(line)
			if m == nil || at != "" && strings.Contains(free, at) {
				continue
			}
			n++
			if path := strings.TrimPrefix(strings.Trim(at, "[]")+"."+m[1], "."); !slices.Contains(known, path) {
				t.Errorf("%s: %s was not found by asking", name, path)
			}
		}
		if n < 20 {
			t.Errorf("%s: only %d keys in the example", name, n)
		}
	}
}

// Every key of the pad file that the wiring notes name is there.
func TestWiringNotesNameKeysThatAreThere(t *testing.T) {
	text, err := os.ReadFile("../WIRING.md")
	must(t, err)
	s, err := formats[0].sections(root)
	must(t, err)
	known, n := paths(s), 0
	for _, m := range regexp.MustCompile("`(\\[\\[?[a-z_.]+\\]\\]?)(?: ([a-z_]+))?").FindAllStringSubmatch(string(text), -1) {
		n++
		if !slices.Contains(known, m[1]) {
			t.Errorf("the notes name %s, which the pad file has not", m[1])
		}
		if path := strings.Trim(m[1], "[]") + "." + m[2]; m[2] != "" && !slices.Contains(known, path) {
			t.Errorf("the notes name %s, which the pad file has not", path)
		}
	}
	if n < 5 {
		t.Errorf("only %d keys found in the notes: the search is broken", n)
	}
}

// A key that is not there is not found, wherever it is asked for.
func TestAskingFindsNothingThatIsNotThere(t *testing.T) {
	for i := range formats {
		s, err := formats[i].sections(root)
		must(t, err)
		for _, s := range s {
			if !s.free && !formats[i].unknown(s.header(), []string{nobody})[nobody] {
				t.Errorf("%s %s: a key that nobody asks for counts as known", formats[i].name, s.header())
			}
		}
	}
	if _, err := formats[0].sections(t.TempDir()); err == nil {
		t.Error("a folder without sources gave keys")
	}
}

// The page of the guard names its flags and no others.
func TestGuardPageNamesItsFlags(t *testing.T) {
	out, _ := exec.Command(built(t, "downhauld"), "--help").CombinedOutput()
	var has []string
	for _, m := range regexp.MustCompile(`(?m)^\s+-([a-z]+)`).FindAllStringSubmatch(string(out), -1) {
		has = append(has, "--"+m[1])
	}
	slices.Sort(has)
	for _, d := range daemonPages {
		p, err := daemonPage(d.name, d.number, d.what)
		must(t, err)
		var said []string
		for _, m := range regexp.MustCompile(`(?m)^\.It Li "(--[a-z]+)`).FindAllStringSubmatch(p.text, -1) {
			said = append(said, m[1])
		}
		slices.Sort(said)
		if len(has) == 0 || !slices.Equal(has, said) {
			t.Errorf("downhauld has the flags %v, the page of %s names %v", has, d.name, said)
		}
	}
}

// Every page is written, holds what it must, and is good mdoc.
func TestPages(t *testing.T) {
	tool, dir := built(t, "downhaul"), t.TempDir()
	must(t, write(root, tool, dir))
	dir = filepath.Join(dir, "man")
	help, err := helpOf(tool)
	must(t, err)
	read := func(name string) string {
		text, err := os.ReadFile(filepath.Join(dir, name))
		must(t, err)
		return string(text)
	}
	text := read("man1/downhaul.1")
	for _, c := range commandsOf(help) {
		if !strings.Contains(text, "\n.Sh "+strings.ToUpper(c)+"\n") {
			t.Errorf("downhaul(1) leaves %s out", c)
		}
	}
	for _, flag := range []string{"--envelope=FILE", "--only=TEST,..."} {
		if !strings.Contains(text, flag) {
			t.Errorf("downhaul(1) leaves %s out", flag)
		}
	}
	pages := []string{"man1/downhaul.1", "man1/downhauld-bench.1", "man5/downhaul-pad.5", "man5/downhaul-envelope.5", "man5/downhaul-card.5", "man5/downhaul-limits.5", "man5/downhaul-json.5", "man7/downhaul-handbook.7", "man8/downhauld.8", "../handbook.html"}
	for _, p := range pages {
		if !strings.Contains(read(p), "no certified safety component") {
			t.Errorf("%s is without its cautions", p)
		}
	}
	for _, row := range []string{"thrust that cannot lift", "duty guard where no rule", "limit is on the wrong side", "pad height.reaction", "Refused below 10 ms, warned of below 50 ms", "At rest on the pad 0 deg to 3 deg"} {
		if !strings.Contains(read("man5/downhaul-limits.5"), row) {
			t.Errorf("downhaul-limits(5) leaves %q out", row)
		}
	}
	for _, field := range []string{"trips[].first_out", "rules[].headroom", "always 1."} {
		if !strings.Contains(read("man5/downhaul-json.5"), field) {
			t.Errorf("downhaul-json(5) leaves %q out", field)
		}
	}
	_, err = exec.LookPath("mandoc")
	architecture.Want(t, err == nil, "the checker of manual pages, mandoc, is not installed")
	for _, p := range pages[:len(pages)-1] {
		if out, err := exec.Command("mandoc", "-Tlint", "-Wwarning", filepath.Join(dir, p)).CombinedOutput(); err != nil || len(out) > 0 {
			t.Errorf("%s: %v\n%s", p, err, out)
		}
	}
}

// What the handbook shows of the season is what its report says.
func TestTheSeasonInTheHandbook(t *testing.T) {
	sheet, err := os.ReadFile("../../testdata/season/sheet.txt")
	if err != nil {
		t.Fatal(err)
	}
	chapter, err := os.ReadFile("handbook/afterwards.md")
	if err != nil {
		t.Fatal(err)
	}
	var want strings.Builder
	for line := range strings.Lines(string(sheet)) {
		if strings.TrimSpace(line) != "" {
			line = "    " + line
		}
		want.WriteString(line)
	}
	if !strings.Contains(string(chapter), strings.TrimRight(want.String(), "\n")) {
		t.Errorf("handbook/afterwards.md does not show testdata/season/sheet.txt; put it there, four blanks further in:\n%s", want.String())
	}
}
