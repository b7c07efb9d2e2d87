package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

var countedFaults = regexp.MustCompile(`, [1-9][0-9]* faults?`)

// senseFiles are the four good files that the cases edit.
var senseFiles = []string{"envelope", "pad", "card", "ground"}

// checkIn writes the files into a folder of their own and gives what check says of
// them, in one line, and its exit code.
func checkIn(t *testing.T, files map[string]string, names ...string) (string, int) {
	t.Helper()
	dir := t.TempDir()
	args := []string{"check"}
	for name, text := range files {
		if err := os.WriteFile(filepath.Join(dir, name+".toml"), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	for _, name := range names {
		args = append(args, filepath.Join(dir, name+".toml"))
	}
	var out bytes.Buffer
	code := run(context.Background(), args, &streams{in: strings.NewReader(""), out: &out, err: &out})
	return strings.Join(strings.Fields(strings.ReplaceAll(out.String(), dir+"/", "")), " "), code
}

// edit makes the edits of a case and gives the line of the first.
func edit(t *testing.T, text, edits string) (string, int) {
	t.Helper()
	if more, ok := strings.CutPrefix(edits, "+ "); ok {
		return text + strings.ReplaceAll(more, `\n`, "\n") + "\n", strings.Count(text, "\n") + 1
	}
	line := 0
	for _, e := range strings.Split(strings.ReplaceAll(edits, `\n`, "\n"), "&&") {
		before, after, ok := strings.Cut(e, "=>")
		before, after = strings.TrimSpace(before), strings.TrimSpace(after)
		before, all := strings.CutPrefix(before, "ALL ")
		at := strings.Index(text, before)
		if !ok || at < 0 {
			t.Fatalf("no %q to edit", before)
		}
		if line == 0 {
			line = 1 + strings.Count(text[:at], "\n")
		}
		n := 1
		if all {
			n = -1
		}
		text = strings.Replace(text, before, after, n)
	}
	return text, line
}

// What check accepts, warns of and refuses: more than three hundred small edits to good
// files, each with its exit code, its place and the words that must stand there. The
// bounds are ours; what is held here is that each is noticed, where it stands, and that
// nothing else is.
func TestWhatIsMeant(t *testing.T) {
	t.Parallel()
	good := map[string]string{}
	for _, name := range senseFiles {
		text, err := os.ReadFile("testdata/sense/" + name + ".toml")
		if err != nil {
			t.Fatal(err)
		}
		good[name] = string(text)
	}
	cases, err := os.ReadFile("testdata/sense/cases.txt")
	if err != nil {
		t.Fatal(err)
	}
	counts := map[string]int{}
	for i, row := range strings.Split(string(cases), "\n") {
		if row == "" || strings.HasPrefix(row, "#") {
			continue
		}
		cells := strings.Split(row, " | ")
		if len(cells) == 3 {
			cells[2] = strings.TrimSuffix(cells[2], " |")
			cells = append(cells, "")
		}
		verdict, file := cells[0], cells[1]
		if counts[verdict]++; testing.Short() && i%7 != 0 {
			continue
		}
		t.Run(fmt.Sprintf("%s:%d", verdict, i+1), func(t *testing.T) {
			t.Parallel()
			files := maps.Clone(good)
			text, line := edit(t, files[file], cells[2])
			files[file] = text
			if file == "ground" { // the card agreed to another
				delete(files, "card")
			}
			var names []string
			for _, name := range senseFiles {
				if files[name] != "" {
					names = append(names, name)
				}
			}
			out, code := checkIn(t, files, names...)
			got, wantCode := "ok", 1
			switch {
			case countedFaults.MatchString(out):
				got = "refused"
			case strings.Contains(out, "Warning: "):
				got = "warned"
			}
			if verdict == "ok" {
				wantCode = 0
			}
			if got != verdict || code != wantCode {
				t.Errorf("%s\nis %s with exit code %d:\n%s", row, got, code, placesIn(out))
			}
			if verdict == "ok" {
				return
			}
			for _, w := range strings.Split(cells[3], " && ") {
				if at, rest, ok := strings.Cut(strings.TrimPrefix(w, "@"), " "); strings.HasPrefix(w, "@") && ok {
					if _, err := fmt.Sscan(at, &line); err != nil {
						t.Fatal(err)
					}
					w = rest
				}
				if !strings.Contains(out, strings.TrimSpace(w)) {
					t.Errorf("%s\nsays nothing of %q:\n%s", row, w, placesIn(out))
				}
			}
			if !strings.Contains(out, fmt.Sprintf(".toml:%d:", line)) {
				t.Errorf("%s\nnames no line %d:\n%s", row, line, placesIn(out))
			}
		})
	}
	if counts["warned"]+counts["refused"] < 150 || counts["ok"] < 40 {
		t.Errorf("%v cases", counts)
	}
}

// One cause, one message: edits that used to be told as several faults, or at a place
// where nothing is wrong.
func TestOneCauseIsToldOnce(t *testing.T) {
	rows, err := os.ReadFile("testdata/sense/once.txt")
	if err != nil {
		t.Fatal(err)
	}
	for i, row := range strings.Split(string(rows), "\n") {
		if row == "" || strings.HasPrefix(row, "#") || testing.Short() && i%7 != 0 {
			continue
		}
		cells := strings.Split(row, " | ")
		files, dir := map[string]string{}, t.TempDir()
		args := []string{"check", "--json"}
		for _, name := range senseFiles {
			text, err := os.ReadFile("testdata/sense/" + name + ".toml")
			if err != nil {
				t.Fatal(err)
			}
			files[name] = string(text)
			if name == cells[1] {
				files[name], _ = edit(t, files[name], strings.TrimSuffix(cells[2], " |"))
			}
			path := filepath.Join(dir, name+".toml")
			if err := os.WriteFile(path, []byte(files[name]), 0o600); err != nil {
				t.Fatal(err)
			}
			args = append(args, path)
		}
		var out bytes.Buffer
		run(context.Background(), args, &streams{in: strings.NewReader(""), out: &out, err: &out})
		var said checked
		if err := json.Unmarshal(out.Bytes(), &said); err != nil {
			t.Fatalf("%s: %v: %.300s", row, err, out.String())
		}
		var told []string
		for _, f := range said.Files {
			for _, x := range f.Faults {
				told = append(told, fmt.Sprintf("%s:%d: %s: %s", f.File, x.Line, x.Key, x.Wrong))
			}
		}
		told = append(told, said.Warnings...)
		if len(told) != 1 || !strings.HasPrefix(strings.ReplaceAll(told[0], dir+"/", ""), cells[3]) || string(said.Verdict) != cells[0] {
			t.Errorf("%s\nis %s, and %d things are told:\n%s", row, said.Verdict, len(told), strings.Join(told, "\n"))
		}
	}
}

// placesIn is what stands with a line of a file in what check says.
func placesIn(out string) string {
	var b strings.Builder
	words := strings.Fields(out)
	for i, w := range words {
		if strings.Contains(w, ".toml:") {
			b.WriteString("\n  " + strings.Join(words[i:min(i+24, len(words))], " "))
		}
	}
	return b.String()
}

// The examples that are shipped are accepted without a warning; those of the demo are
// in its script.
func TestShippedExamplesAreMeant(t *testing.T) {
	names := []string{"check", "../../deploy/pad.example.toml", "../../deploy/card.example.toml", "../../deploy/ground.example.toml"}
	var out bytes.Buffer
	code := run(context.Background(), names, &streams{in: strings.NewReader(""), out: &out, err: &out})
	if text := strings.ReplaceAll(out.String(), "\n  ", " "); code != nothingFound || strings.Contains(text, "Warning") {
		t.Errorf("%d\n%s", code, placesIn(text))
	}
}

var written = regexp.MustCompile(`^\s*([a-z_]+)\s*=\s*("?)(-?[0-9][0-9.]*)( [^"]*)?("?)\s*$`)

// fine are numbers of the good files that may be so: the key, and how.
var fine = map[string]string{
	"motors.losses":          "zero tiny",               // none at the low end
	"step.at_least":          "another unit",            // an inspection of whatever kind
	"step.at_most":           "another unit",            //
	"step.ballast":           "zero tiny negative huge", // of the empty step, whose number is 0
	"rule.lasting":           "zero tiny",               // at once is the safe side
	"anchor.east":            "zero tiny negative",      //
	"anchor.north":           "zero tiny negative",      // any side
	"anchor.height":          "zero tiny negative",      //
	"link.from":              "no unit",                 // an address
	"load_cell.known.counts": "zero negative",           // a count may fall as the pull grows
	"load_cell.known.load":   "zero tiny negative huge", // of the row with no load, whose number is 0
	"wind.bounce":            "zero tiny",               // none
	"wind.offset":            "zero tiny",               //
}

// Every number of the good files turned into what no number can be: nothing, negative,
// beyond all measure, none, with a comma, with a unit of another kind or without one.
// Whatever is accepted stands in the list with its reason.
func TestEveryNumberOfTheFiles(t *testing.T) {
	if testing.Short() {
		t.Skip("thousands of files")
	}
	t.Parallel()
	good := map[string]string{}
	for _, name := range senseFiles {
		text, err := os.ReadFile("testdata/sense/" + name + ".toml")
		if err != nil {
			t.Fatal(err)
		}
		good[name] = string(text)
	}
	for _, file := range senseFiles[:3] {
		lines := strings.Split(good[file], "\n")
		section := ""
		for i, line := range lines {
			if strings.HasPrefix(line, "[") {
				section = strings.Trim(line, "[]")
			}
			m := written.FindStringSubmatch(line)
			if m == nil {
				continue
			}
			key, quote, number, unit := m[1], m[2], m[3], m[4]
			where := section + "." + key
			wrong := map[string]string{"zero": quote + "0" + unit + quote, "negative": quote + "-" + number + unit + quote, "huge": quote + number + "e9" + unit + quote, "tiny": quote + number + "e-9" + unit + quote,
				"nan": "nan", "inf": "inf", "words": `"some"`, "empty": `""`, "list": "[" + quote + number + unit + quote + "]", "true": "true"}
			if quote != "" {
				wrong["no unit"], wrong["bare"], wrong["comma"], wrong["another unit"], wrong["unknown unit"] = `"`+number+`"`, number, `"`+number+`,5`+unit+`"`, `"`+number+` psi"`, `"`+number+` parsec"`
			} else {
				wrong["quoted"], wrong["with a unit"] = `"`+number+`"`, `"`+number+` m"`
			}
			t.Run(fmt.Sprintf("%s:%d", file, i+1), func(t *testing.T) {
				t.Parallel()
				for how, value := range wrong {
					files := maps.Clone(good)
					changed := slices.Clone(lines)
					changed[i] = key + " = " + value
					files[file] = strings.Join(changed, "\n")
					if _, code := checkIn(t, files, senseFiles...); code != somethingWas && !strings.Contains(" "+fine[where]+" ", " "+how+" ") {
						t.Errorf("%s.toml, %s = %s (%s) ends with %d", file, where, value, how, code)
					}
				}
			})
		}
	}
}
