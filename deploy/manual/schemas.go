package main

import (
	"encoding/json"
	"regexp"
	"strings"

	"downhaul/rules"
)

// object is a part of a JSON Schema.
type object = map[string]any

// kinds are what a reader says of a value of the wrong kind, and the schema of what it takes.
var kinds = []struct {
	wrong string
	takes object
}{
	{"takes text in quotes", object{"type": "string"}},
	{"has no unit", object{"type": "string", "pattern": `^\s*[-+.0-9]`}},
	{"takes a whole number without quotes", object{"type": "integer"}},
	{"takes a plain number without quotes and unit", object{"type": "number"}},
	{"takes true or false, without quotes", object{"type": "boolean"}},
	{"takes a list of texts", object{"type": "array", "items": object{"type": "string"}}},
}

// neverRight is a value that no key takes: readers name the kind that they want.
const neverRight = "1979-05-27"

var choice = regexp.MustCompile(`"([^"]*)"`)

// schema is the JSON Schema of a file: what its reader says of each key. What hangs on
// other keys it leaves to downhaul check.
func (f *format) schema(sections []section, words map[string]string) object {
	top := object{
		"$schema": "https://json-schema.org/draft/2020-12/schema", "$id": "urn:downhaul:" + f.name, "title": words["."],
		"type": "object", "properties": object{}, "additionalProperties": false, "required": []string{"version"},
	}
	at := map[string]object{"": top} // the object of a section, by its path
	for _, s := range sections {
		if s.path != "" {
			o := object{"type": "object", "properties": object{}, "additionalProperties": s.free}
			at[s.path] = o
			parent, key := "", s.path
			if i := strings.LastIndexByte(s.path, '.'); i >= 0 {
				parent, key = s.path[:i], s.path[i+1:]
			}
			entry := o
			if s.rows {
				entry = object{"type": "array", "items": o}
			}
			if says := words[s.header()]; says != "" {
				entry["description"] = says
			}
			at[parent]["properties"].(object)[key] = entry
		}
		for _, key := range s.keys {
			value := f.takes(s.header(), key)
			if says := words[strings.TrimPrefix(s.path+"."+key, ".")]; says != "" {
				value["description"] = says
			}
			at[s.path]["properties"].(object)[key] = value
		}
	}
	top["properties"].(object)["version"].(object)["const"] = rules.FileVersion
	return top
}

// takes asks the reader what a key takes; empty where that hangs on other keys.
func (f *format) takes(header, key string) object {
	out := object{}
	wrong := func(value string) string {
		for _, fault := range f.read(header + "\n" + key + " = " + value + "\n") {
			if fault.Key[strings.LastIndexByte(fault.Key, '.')+1:] == key && fault.Wrong != "missing" {
				return fault.Wrong
			}
		}
		return ""
	}
	says := wrong(neverRight)
	for _, k := range kinds {
		if k.wrong == says {
			for name, v := range k.takes {
				out[name] = v
			}
		}
	}
	if says := wrong(`"` + nobody + `"`); out["type"] == "string" && strings.HasPrefix(says, `must be "`) {
		var words []string
		for _, m := range choice.FindAllStringSubmatch(says, -1) {
			words = append(words, m[1])
		}
		out["enum"] = words
	}
	return out
}

// written is a schema as a file.
func written(schema object) ([]byte, error) {
	text, err := json.MarshalIndent(schema, "", " ")
	return append(text, '\n'), err
}
