package main

import (
	"embed"
	"fmt"
	"os/exec"
	"regexp"
	"strings"

	"downhaul/interlock/pad"
)

//go:embed words
var wordsFolder embed.FS

// wordsOf reads the words for a format: by the key's path, or by the header of
// its section.
func wordsOf(name string) (map[string]string, error) {
	text, err := wordsFolder.ReadFile("words/" + name + ".txt")
	if err != nil {
		return nil, err
	}
	out := map[string]string{}
	for line := range strings.Lines(string(text)) {
		sep := "\t"
		if strings.HasPrefix(line, ". ") {
			sep = " "
		}
		key, words, ok := strings.Cut(strings.TrimSpace(line), sep)
		if !ok || out[key] != "" {
			return nil, fmt.Errorf("words/%s.txt: want a key, a tab and its words, once each (got %q)", name, line)
		}
		out[key] = words
	}
	return out, nil
}

// noWords stands where a key has no words yet: it is there all the same.
const noWords = "Not described here yet; downhaul check says what it takes and what is wrong with it."

func formatPage(f *format, sections []section, words map[string]string) page {
	say := func(key string) string {
		if s := words[key]; s != "" {
			return s
		}
		return noWords
	}
	name := "downhaul-" + f.name
	w := newPage(name, "5", map[string]string{"pad": "the pad file of downhaul", "envelope": "the envelope of downhaul: the day's limits", "card": "the test card of downhaul"}[f.name])
	w.head("DESCRIPTION")
	w.text(say("."))
	w.para("The file is TOML. Quantities are strings with a unit, such as \"1.7 m\", \"20 mph\" or \"3.45 V\"; a unit of the wrong kind is refused and the kinds that fit are named. " +
		"A file with an unknown key, a wrong unit or a contradiction is refused whole, every fault with its line and how to mend it.")
	w.literal("downhaul check pad.toml envelope.toml card.toml")
	for _, s := range sections {
		title := "TOP OF THE FILE"
		if s.path != "" {
			title = s.header()
		}
		w.head(title)
		if s.path != "" {
			w.text(say(s.header()))
		}
		var items [][2]string
		for _, k := range s.keys {
			items = append(items, [2]string{k, say(strings.TrimPrefix(s.path+"."+k, "."))})
		}
		if f.name == "pad" && s.path == "comes_every" {
			for _, row := range pad.MaySlow() {
				items = append(items, [2]string{`"` + row[0] + `"`, "At most " + row[1] + " apart. Told by " + row[2] + ". No longer one, because " + row[3] + "."})
			}
		}
		w.list(items)
	}
	w.head("SEE ALSO")
	w.macro("Xr downhaul 1 ,")
	w.macro("Xr downhauld 8")
	w.cautions()
	return page{name, "5", w.String()}
}

var commandLine = regexp.MustCompile(`(?m)^  ([a-z]+)\s{2,}\S`)

// helpOf is what the tool says of itself or of a command.
func helpOf(tool string, args ...string) (string, error) {
	out, err := exec.Command(tool, append(args, "--help")...).Output()
	if err != nil {
		return "", fmt.Errorf("ask %s for its help: %w", tool, err)
	}
	return string(out), nil
}

// commandsOf is every command in the tool's help, in its order.
func commandsOf(help string) (out []string) {
	for _, m := range commandLine.FindAllStringSubmatch(help, -1) {
		out = append(out, m[1])
	}
	return out
}

func toolPage(tool string) (page, error) {
	help, err := helpOf(tool)
	if err != nil {
		return page{}, err
	}
	names := commandsOf(help)
	if len(names) < 5 {
		return page{}, fmt.Errorf("only %d commands found in the tool's help", len(names))
	}
	w := newPage("downhaul", "1", "the crew's tool of a safety interlock for an uncrewed craft on a tether")
	w.head("SYNOPSIS")
	w.macro("Nm")
	w.macro("Ar command")
	w.macro("Op Ar ...")
	w.head("DESCRIPTION")
	w.text("Checks the three files before the day, replays recordings through them, walks the crew through the proof tests, asks the running guard, and verifies its records. It flies nothing, sends nothing to a craft, and can neither reset nor start the guard.")
	for _, name := range names {
		text, err := helpOf(tool, name)
		if err != nil {
			return page{}, err
		}
		w.head(strings.ToUpper(name))
		usage, rest, _ := strings.Cut(text, "\n")
		w.literal(strings.TrimPrefix(usage, "Usage: "))
		body, lists := rest, ""
		for _, title := range []string{"\nArguments:\n", "\nFlags:\n"} {
			if i := strings.Index(rest, title); i >= 0 && i < len(body) {
				body, lists = rest[:i], rest[i:]
			}
		}
		for _, p := range strings.Split(strings.TrimSpace(body), "\n\n") {
			w.para(strings.Join(strings.Fields(p), " "))
		}
		if lists != "" {
			w.literal(strings.Trim(lists, "\n"))
		}
	}
	w.head("FILES")
	w.list([][2]string{
		{"/etc/downhaul/", "pad.toml, envelope.toml and card.toml of the guard on this board."},
		{"/var/lib/downhaul/", "A folder for each session, and the proof tests."},
		{"/run/downhaul/guard.sock", "The guard's local socket."},
	})
	w.head("EXIT STATUS")
	w.text("0: nothing found. 1: found (a trip, a fault in a file, a broken chain). 2: could not do it.")
	w.head("SEE ALSO")
	for _, name := range []string{"card", "envelope", "json", "limits", "pad"} {
		w.macro("Xr downhaul-" + name + " 5 ,")
	}
	w.macro("Xr downhauld 8")
	w.cautions()
	return page{"downhaul", "1", w.String()}, nil
}
