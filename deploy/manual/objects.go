package main

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// described is a JSON Schema as far as the manual shows it.
type described struct {
	Title, Description string
	Type               any
	Const              any
	Properties         map[string]*described
	Items              *described
	AdditionalProps    json.RawMessage `json:"additionalProperties"`
}

// objectsPage is the reference of every field that others may script against, read off
// the schemas that are shipped.
func objectsPage(root string) (page, error) {
	w := newPage("downhaul-json", "5", "what the tool prints with --json, and a session's files")
	w.head("DESCRIPTION")
	w.text("Every command that reports prints one JSON object with --json. Values are SI, with the unit in the key's name (_s, _m, _n, _mps, _rad) or beside them. " +
		"Times _s and _ns are of the engine, from the session's start. A field may be null or an empty list; a later version of the same form may add fields, so readers leave out what they do not know. " +
		"A field that goes or changes its meaning raises the version, in \"schema\" or \"v\". Exit codes are 0, nothing found; 1, found; 2, could not do it.")
	w.para("Each object has a JSON Schema in /usr/share/downhaul/schema, and so have the pad file, the envelope and the test card: an editor of TOML that is pointed at one completes keys and checks them. downhaul check checks more.")
	w.literal("#:schema /usr/share/downhaul/schema/envelope.schema.json")
	w.para("For monitoring, downhaul status --metrics prints OpenMetrics text, and the page's process serves the same at /metrics, and at /health whether the guard answers.")
	names, err := filepath.Glob(filepath.Join(root, "deploy/schema/*.schema.json"))
	if err != nil || len(names) == 0 {
		return page{}, fmt.Errorf("no schema found in deploy/schema under %s: %w", root, err)
	}
	for _, name := range names {
		text, err := os.ReadFile(name)
		if err != nil {
			return page{}, err
		}
		var d described
		if err := json.Unmarshal(text, &d); err != nil {
			return page{}, fmt.Errorf("%s: %w", name, err)
		}
		w.head(strings.ToUpper(strings.TrimSuffix(filepath.Base(name), ".schema.json")))
		w.text(d.Title)
		var items [][2]string
		d.list("", &items)
		w.list(items)
	}
	w.head("SEE ALSO")
	w.macro("Xr downhaul 1 ,")
	w.macro("Xr downhaul-pad 5")
	w.cautions()
	return page{"downhaul-json", "5", w.String()}, nil
}

// list adds every field below, by its path.
func (d *described) list(path string, items *[][2]string) {
	keys := make([]string, 0, len(d.Properties))
	for k := range d.Properties {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	for _, k := range keys {
		p, at := d.Properties[k], strings.TrimPrefix(path+"."+k, ".")
		kind := p.kind()
		for p.Items != nil {
			p, at = p.Items, at+"[]"
		}
		says := strings.TrimSpace(kind + ". " + d.Properties[k].Description)
		*items = append(*items, [2]string{at, says})
		var free described
		if json.Unmarshal(p.AdditionalProps, &free) == nil && free.Type != nil {
			*items = append(*items, [2]string{at + ".NAME", free.kind() + "."})
			free.list(at+".NAME", items)
		}
		p.list(at, items)
	}
}

// kind is the type in a word, "or null" where it may be.
func (d *described) kind() string {
	switch t := d.Type.(type) {
	case string:
		return t
	case []any:
		var words []string
		for _, w := range t {
			if w != "null" {
				words = append(words, fmt.Sprint(w))
			}
		}
		return strings.Join(words, " or ") + " or null"
	}
	if d.Const != nil {
		return fmt.Sprint("always ", d.Const)
	}
	return "anything"
}
