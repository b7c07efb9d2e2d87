package main

import (
	"bytes"
	"context"
	"encoding/json"
	"flag"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

var rewrite = flag.Bool("rewrite", false, "write the golden reports anew; only for somebody who can say why")

// varying is what differs between two showings of the same demo: names, the
// wall clock, and the hashes of files that hold a folder and a port.
var varying = []struct {
	find *regexp.Regexp
	put  string
}{
	{regexp.MustCompile(`\d{4}-\d\d-\d\dT\d\d-\d\d-\d\dZ-s\d{4}`), "SESSION"},
	{regexp.MustCompile(`\d{4}-\d\d-\d\d \d\d:\d\d \(UTC[+-]\d\d:\d\d\)`), "DAY"},
	{regexp.MustCompile(`\d\d [A-Z][a-z]{2} \d\d:\d\d\b`), "DD MON HH:MM"},
	{regexp.MustCompile(`\b\d\d:\d\d:\d\d\b`), "HH:MM:SS"},
	{regexp.MustCompile(`UTC[+-]\d\d:\d\d`), "UTC+HH:MM"},
	{regexp.MustCompile(`\b[0-9a-f]{64}\b`), "HASH"},
	{regexp.MustCompile(`\b([2-9A-HJ-NP-Z]{4}-){3}[2-9A-HJ-NP-Z]{4}\b`), "CODE"},
	{regexp.MustCompile(`\d+ (lines|decisions)`), "N $1"},
	{regexp.MustCompile(`in force for \d+ d`), "in force for N d"},
	{regexp.MustCompile(`passed\s+\d{4}-\d\d-\d\d`), "passed DATE"},
	{regexp.MustCompile(`(?m)^Page: .*\n(  .*\n)?`), ""},
}

// golden holds text against a file of testdata.
func golden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", "golden", name)
	if *rewrite {
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	a, b := strings.Split(string(want), "\n"), strings.Split(got, "\n")
	for i := range max(len(a), len(b)) {
		if i >= len(a) || i >= len(b) || a[i] != b[i] {
			t.Fatalf("%s, line %d: got %q, want %q\n(go test ./cmd/downhaul -run Golden -rewrite, for somebody who can say why)", name, i+1, lineOf(b, i), lineOf(a, i))
		}
	}
}

func lineOf(lines []string, i int) string {
	if i >= len(lines) {
		return "(no more)"
	}
	return lines[i]
}

// TestReport_Golden: the demo on its own clock always gives the same report, but
// for names and the wall clock; and its object has the same keys.
func TestReport_Golden(t *testing.T) {
	dir := t.TempDir()
	day := filepath.Join(dir, "day")
	var out, errs bytes.Buffer
	s := &streams{strings.NewReader(""), &out, &errs}
	if code := run(context.Background(), []string{"demo", "--fast", "--out", day}, s); code != nothingFound {
		t.Fatalf("demo ended with %d: %s", code, errs.String())
	}
	sessions, err := filepath.Glob(filepath.Join(day, "20*"))
	if err != nil || len(sessions) != 1 {
		t.Fatal(sessions, err)
	}
	out.Reset()
	if code := run(context.Background(), []string{"report", "--out", dir, sessions[0]}, s); code != somethingWas {
		t.Fatalf("report ended with %d: %s", code, errs.String())
	}
	text := out.String()
	for _, v := range varying {
		text = v.find.ReplaceAllString(text, v.put)
	}
	// The forecast has golden tests of its own.
	text, _, found := strings.Cut(text, "\nLIFT: ")
	if !found {
		t.Error("no lift section")
	}
	golden(t, "report.txt", text)

	out.Reset()
	if code := run(context.Background(), []string{"report", "--json", sessions[0]}, s); code != somethingWas {
		t.Fatalf("report ended with %d: %s", code, errs.String())
	}
	var object any
	if err := json.Unmarshal(out.Bytes(), &object); err != nil {
		t.Fatal(err)
	}
	keys := map[string]bool{}
	paths(object, "", keys)
	var list []string
	for key := range keys {
		if strings.HasPrefix(key, ".lift.forecast.") {
			continue // the forecast's own
		}
		list = append(list, key)
	}
	slices.Sort(list)
	golden(t, "report.keys", strings.Join(list, "\n")+"\n")
}

// paths adds every key of an object with the keys above it.
func paths(v any, above string, keys map[string]bool) {
	switch v := v.(type) {
	case map[string]any:
		for key, in := range v {
			keys[above+"."+key] = true
			paths(in, above+"."+key, keys)
		}
	case []any:
		for _, in := range v {
			paths(in, above+"[]", keys)
		}
	}
}
