package triplog

import (
	"bytes"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"
)

// TestFileLines_SupersededLinesAreLeftOut: three lines, the third of which could
// not be synced and stands in both files; what is left of it in the first may be
// whole, torn or rubbish.
func TestFileLines_SupersededLinesAreLeftOut(t *testing.T) {
	d := newFaulty()
	l, err := Create(d, testHead)
	if err != nil {
		t.Fatal(err)
	}
	for i, text := range []string{"one", "two", "three"} {
		if text == "three" {
			d.failAt["sync"] = d.count["sync"] + 1
		}
		if err := l.Append(Line{At: time.Duration(i), Kind: KindNote, Text: text}, true); err != nil {
			t.Fatal(err)
		}
	}
	a, b := d.text("trips.jsonl"), d.text("trips-2.jsonl")
	start := len(a) - len(lines(a)[3]) - 1
	for what, first := range map[string][]byte{
		"whole":   a,
		"torn":    a[:start+30],
		"rubbish": append(bytes.Clone(a[:start]), "rubbish\nand more\n"...),
		"gone":    a[:start],
	} {
		dir := t.TempDir()
		names := []string{filepath.Join(dir, PartName(1)), filepath.Join(dir, PartName(2))}
		for i, text := range [][]byte{first, b} {
			if err := os.WriteFile(names[i], text, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		found, err := Parts(dir)
		if err != nil || !slices.Equal(found, names) {
			t.Fatal(found, err)
		}
		var texts []string
		for rec, err := range FileLines(names...) {
			if err != nil {
				t.Fatalf("%s: %v", what, err)
			}
			if rec.Text != "" {
				texts = append(texts, rec.Text)
			}
		}
		if !slices.Equal(texts, []string{"one", "two", "three"}) {
			t.Errorf("%s: %q", what, texts)
		}
		if rep, err := WalkFiles(names, nil); err != nil || rep.Verdict != CutShort || rep.Lines != 5 {
			t.Errorf("%s: %+v %v", what, rep, err)
		}
	}
	for _, err := range FileLines(filepath.Join(t.TempDir(), "none")) {
		if err == nil {
			t.Error("a missing file gave a line")
		}
	}
}
