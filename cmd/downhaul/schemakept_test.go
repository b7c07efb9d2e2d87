package main

import (
	"encoding/json"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/jsonschema-go/jsonschema"

	"downhaul/interlock/records/session"
	"downhaul/interlock/records/triplog"
)

// keyed is what an object of one kind must have, and what it may have, of the keys that not
// every kind has.
type keyed struct{ must, may string }

// why is what most decisions may say of what they rest on.
const why = " reason rule permissive channel value limit unit cause"

// What hangs on the kind of a decision, as interlock.AppendDecision writes it, and on that of
// a line of the trip log, as triplog.Line has it.
var (
	decisionKinds = map[string]keyed{
		"relay": {must: "on"}, "heartbeat": {must: "on"}, "sound": {must: "sound"}, "lamp": {must: "state"},
		"state":       {must: "from state", may: why},
		"trip":        {must: "trip first_out stop", may: "lasted_ns" + why},
		"consequence": {must: "trip stop", may: why},
		"caution":     {must: "on", may: why},
		"clear":       {may: why},
		"note":        {must: "on", may: "line number" + why},
	}
	lineKinds = map[string]keyed{
		"head": {must: "head"}, "decision": {must: "decision", may: "state text"}, "host": {may: "state text"},
		"lost": {must: "count", may: "state text"}, "note": {may: "state text"}, "ended": {may: "state text"},
	}
)

// byKind has the schema of an object say what hangs on its key "kind".
func byKind(s *jsonschema.Schema, kinds map[string]keyed) {
	some := map[string]bool{}
	for _, k := range kinds {
		for _, key := range strings.Fields(k.must + " " + k.may) {
			some[key] = true
		}
	}
	p := s.Properties["kind"]
	for _, kind := range slices.Sorted(maps.Keys(kinds)) {
		p.Enum = append(p.Enum, kind)
		k := kinds[kind]
		then := &jsonschema.Schema{Required: strings.Fields(k.must), Properties: map[string]*jsonschema.Schema{}}
		for key := range some {
			if !strings.Contains(" "+k.must+" "+k.may+" ", " "+key+" ") {
				then.Properties[key] = &jsonschema.Schema{Not: &jsonschema.Schema{}}
			}
		}
		s.AllOf = append(s.AllOf, &jsonschema.Schema{
			If:   &jsonschema.Schema{Properties: map[string]*jsonschema.Schema{"kind": {Const: jsonschema.Ptr[any](kind)}}},
			Then: then})
	}
}

// keptFits holds session.json and each line of the trip log of every session below a folder
// to their schemas, where the log is whole, and returns how many lines it saw of each kind.
func keptFits(dir string) (seen map[string]int, err error) {
	seen = map[string]int{}
	return seen, filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.Name() != "session.json" {
			return err
		}
		s, err := session.Open(filepath.Dir(path))
		if err != nil {
			return nil // a script spoilt it
		}
		text, err := os.ReadFile(path)
		if err == nil {
			err = fitsSchema("session", text)
		}
		if err != nil {
			return fmt.Errorf("%s: %w", path, err)
		}
		parts, err := s.TripParts()
		if err != nil {
			return err
		}
		if whole, err := triplog.WalkFiles(parts, nil); err != nil || whole.Verdict != "whole" {
			return err
		}
		for _, part := range parts {
			text, err := os.ReadFile(part)
			if err != nil {
				return err
			}
			for line := range strings.Lines(string(text)) {
				if err := fitsSchema("trips", []byte(line)); err != nil {
					return fmt.Errorf("%s: %w: %s", part, err, line)
				}
				var has struct {
					Kind     string
					Decision struct{ Kind string }
				}
				if err := json.Unmarshal([]byte(line), &has); err != nil {
					return err
				}
				seen[strings.TrimSpace(has.Kind+" "+has.Decision.Kind)]++
			}
		}
		return nil
	})
}

// What a day keeps is what its schemas say, every line of it, and no kind of decision is
// missing in that day; a line with what belongs to another kind is refused.
func TestSchemasOfWhatASessionKeeps(t *testing.T) {
	t.Parallel()
	day := filepath.Join(t.TempDir(), "day")
	if out, err := exec.Command("downhaul", "demo", "--fast", "--out", day).CombinedOutput(); err != nil {
		t.Fatalf("demo: %v\n%s", err, out)
	}
	seen, err := keptFits(day)
	if err != nil {
		t.Fatal(err)
	}
	for _, kind := range []string{"head", "host", "note", "ended", "decision relay", "decision heartbeat", "decision sound", "decision lamp",
		"decision state", "decision trip", "decision caution", "decision clear", "decision note"} {
		if seen[kind] == 0 {
			t.Errorf("the day has no line of kind %s: %v", kind, seen)
		}
	}
	const line = `{"v":1,"n":1,"at_ns":0,"wall":"2031-05-01T09:00:00.000Z",%s,"chain":"00"}`
	for says, good := range map[string]bool{
		`"kind":"decision","decision":{"at_ns":0,"kind":"relay","on":true}`:                                             true,
		`"kind":"decision","decision":{"at_ns":0,"kind":"relay"}`:                                                       false,
		`"kind":"decision","decision":{"at_ns":0,"kind":"relay","on":true,"stop":"immediate"}`:                          false,
		`"kind":"decision","decision":{"at_ns":0,"kind":"trip","trip":1,"first_out":true,"stop":"immediate"}`:           true,
		`"kind":"decision","decision":{"at_ns":0,"kind":"trip","first_out":true,"stop":"immediate"}`:                    false,
		`"kind":"decision","decision":{"at_ns":0,"kind":"trip","trip":1,"first_out":true,"stop":"immediate","limit":4}`: false,
		`"kind":"decision","decision":{"at_ns":0,"kind":"consequence","trip":1,"stop":"immediate","rule":"tilt"}`:       true,
		`"kind":"decision","decision":{"at_ns":0,"kind":"consequence","trip":1,"stop":"immediate","first_out":true}`:    false,
		`"kind":"decision","decision":{"at_ns":0,"kind":"unheard of"}`:                                                  false,
		`"kind":"decision"`:                     false,
		`"kind":"lost","count":3`:               true,
		`"kind":"lost"`:                         false,
		`"kind":"note","text":"look","count":3`: false,
		`"kind":"unheard of"`:                   false,
	} {
		if err := fitsSchema("trips", fmt.Appendf(nil, line, says)); (err == nil) != good {
			t.Errorf("%s: %v", says, err)
		}
	}
}
