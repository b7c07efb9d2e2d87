package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/BurntSushi/toml"
	"github.com/google/jsonschema-go/jsonschema"

	"downhaul/rules/document"
)

// The schemas that an editor checks by take every file of ours that the readers take, and
// refuse what is of the wrong kind; read here by a library of JSON Schema and one of TOML
// that the readers do not use.
func TestSchemasOfFiles(t *testing.T) {
	files := map[string][]string{
		"pad":      {"deploy/pad.example.toml", "cmd/downhaul/demo/pad.toml"},
		"envelope": {"deploy/ground.example.toml", "deploy/stand.example.toml", "cmd/downhaul/demo/envelope.toml"},
		"card":     {"deploy/card.example.toml", "deploy/stand-card.example.toml", "cmd/downhaul/demo/card.toml"},
	}
	wrong := map[string][]string{
		"pad": {"duty = 3", `duty = "sometimes"`, `[board]
kind = "cardboard"`, `[craft]
system = "one"`, `[height]
reaction = "soon"`, `[board.lines]
relais = "gpiochip0:1"`},
		"envelope": {`[[rule]]
stop = "later"`, `[tether]
design_factor = "10"`, `[rule]
name = "not a list"`, `titel = "x"`},
		"card": {`[[pack]]
cells = "14"`, `[[step]]
needs = "a word"`, `[[step]]
kind = "leap"`},
	}
	for i := range formats {
		f := &formats[i]
		sections, err := f.sections(root)
		must(t, err)
		words, err := wordsOf(f.name)
		must(t, err)
		text, err := written(f.schema(sections, words))
		must(t, err)
		var s jsonschema.Schema
		must(t, json.Unmarshal(text, &s))
		schema, err := s.Resolve(nil)
		must(t, err)
		judge := func(text string) error {
			var v map[string]any
			if err := toml.Unmarshal([]byte(text), &v); err != nil {
				t.Fatalf("%v in\n%s", err, text)
			}
			// As an editor sees it: JSON's kinds alone.
			plain, err := json.Marshal(v)
			must(t, err)
			var seen any
			must(t, json.Unmarshal(plain, &seen))
			return schema.Validate(seen)
		}
		for _, name := range files[f.name] {
			text, err := os.ReadFile(filepath.Join(root, name))
			must(t, err)
			if err := judge(string(text)); err != nil {
				t.Errorf("%s: %v", name, err)
			}
		}
		for _, text := range wrong[f.name] {
			if err := judge("version = 1\n" + text); err == nil {
				t.Errorf("the %s schema takes %q", f.name, text)
			} else if faults := f.read("version = 1\n" + text); !faulty(faults) {
				t.Errorf("the %s schema refuses %q, and the reader does not", f.name, text)
			}
		}
		if err := judge(`title = "no version"`); err == nil {
			t.Errorf("the %s schema asks for no version", f.name)
		}
		for _, s := range sections {
			for _, key := range s.keys {
				if !strings.Contains(string(text), `"`+key+`": {`) {
					t.Errorf("the %s schema lacks %s.%s", f.name, s.path, key)
				}
			}
		}
	}
}

// faulty reports whether more is wrong than that something is missing.
func faulty(faults document.Faults) bool {
	for _, f := range faults {
		if !strings.HasPrefix(f.Wrong, "missing") {
			return true
		}
	}
	return false
}
