package main

import (
	"bytes"
	"encoding/json"
	"go/ast"
	"go/parser"
	"go/token"
	"maps"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/google/jsonschema-go/jsonschema"

	"downhaul/interlock/after/report"
	"downhaul/interlock/day/answers/told"
	"downhaul/interlock/records/prooftest"
	"downhaul/interlock/records/session"
	"downhaul/interlock/records/triplog"
)

// schemaFolder has the JSON Schemas of what the tool prints and a session keeps. They are
// made of the very types that are printed, with the comments of their fields:
// go test ./cmd/downhaul -run Schema -rewrite, for somebody who can say why.
const schemaFolder = "../../deploy/schema"

// objects are what others may script against.
var objects = []struct {
	name, title string
	version     int
	of          reflect.Type
}{
	{"board-show", "What downhaul board show --json prints.", boardSchema, reflect.TypeFor[boardOutput]()},
	{"brief", "What downhaul brief --json prints.", briefSchema, reflect.TypeFor[sheet]()},
	{"check", "What downhaul check --json prints.", checkSchema, reflect.TypeFor[checked]()},
	{"commission", "What downhaul commission --json prints.", commissionSchema, reflect.TypeFor[commissionOutput]()},
	{"compare", "What downhaul compare --json prints.", compareSchema, reflect.TypeFor[compared]()},
	{"defect", "What downhaul defect --json prints.", 1, reflect.TypeFor[defectOutput]()},
	{"listen", "What downhaul listen --json prints of a link.", listenSchema, reflect.TypeFor[findings]()},
	{"listen-recordings", "What downhaul listen --json prints of recordings.", listenSchema, reflect.TypeFor[listenedOutput]()},
	{"prove", "What downhaul prove --json prints.", proveSchema, reflect.TypeFor[proved]()},
	{"rehearse", "What downhaul rehearse --json prints.", rehearsedSchema, reflect.TypeFor[rehearsedObject]()},
	{"replay", "What downhaul replay --json prints.", replaySchema, reflect.TypeFor[replayOutput]()},
	{"report", "What downhaul report --json prints.", report.Schema, reflect.TypeFor[report.Report]()},
	{"session", "The file session.json of a session's folder.", session.Version, reflect.TypeFor[session.Info]()},
	{"status", "What downhaul status --json prints, one object, or one a line with --watch.", told.StatusSchema, reflect.TypeFor[told.Status]()},
	{"sweep", "What downhaul sweep --json prints.", sweepSchema, reflect.TypeFor[sweptAll]()},
	{"thrust-session", "What downhaul thrust session --json and thrust run --json print.", thrustSchema, reflect.TypeFor[standSaid]()},
	{"thrust-sum", "What downhaul thrust sum --json prints.", thrustSchema, reflect.TypeFor[sumOutput]()},
	{"thrust-table", "What downhaul thrust table --json prints.", thrustSchema, reflect.TypeFor[thrustTables]()},
	{"tilt", "What downhaul tilt --json prints.", tiltSchema, reflect.TypeFor[tiltOutput]()},
	{"trips", "One line of the trip log, trips.jsonl, of a session's folder.", triplog.Version, reflect.TypeFor[triplog.Record]()},
	{"verify", "What downhaul verify --json prints.", verifySchema, reflect.TypeFor[verifyOutput]()},
}

// decisionForm is what interlock.AppendDecision writes.
type decisionForm struct {
	AtNS       int64    `json:"at_ns"` // engine time, nanoseconds
	Kind       string   `json:"kind"`
	On         bool     `json:"on,omitempty"`
	Sound      string   `json:"sound,omitempty"`
	From       string   `json:"from,omitempty"`  // state of the latch before
	State      string   `json:"state,omitempty"` // and after
	Trip       uint32   `json:"trip,omitempty"`  // number of the trip in its session
	FirstOut   bool     `json:"first_out,omitempty"`
	Stop       string   `json:"stop,omitempty"`
	LastedNS   int64    `json:"lasted_ns,omitempty"`
	Line       string   `json:"line,omitempty"`
	Number     uint32   `json:"number,omitempty"`
	Reason     string   `json:"reason,omitempty"`
	Rule       string   `json:"rule,omitempty"`
	Permissive string   `json:"permissive,omitempty"`
	Channel    string   `json:"channel,omitempty"`
	Value      *float64 `json:"value,omitempty"` // SI
	Limit      *float64 `json:"limit,omitempty"` // SI
	Unit       string   `json:"unit,omitempty"`
	Cause      string   `json:"cause,omitempty"` // of a value that is missing
}

// madeSchemas makes every schema anew: strict refuses keys that are not described;
// what is shipped does not, since a later version of the same form may add some.
var madeSchemas = sync.OnceValues(func() (map[string]*jsonschema.Schema, error) {
	decision, err := jsonschema.ForType(reflect.TypeFor[decisionForm](), nil)
	if err != nil {
		return nil, err
	}
	describe(decision, reflect.TypeFor[decisionForm]())
	byKind(decision, decisionKinds)
	decision.DependentRequired = map[string][]string{"value": {"channel"}, "limit": {"channel", "unit"}, "unit": {"limit"}}
	opts := &jsonschema.ForOptions{TypeSchemas: map[reflect.Type]*jsonschema.Schema{
		reflect.TypeFor[json.RawMessage](): decision,
		reflect.TypeFor[prooftest.Test]():  {Type: "string"},
	}}
	out := map[string]*jsonschema.Schema{}
	for _, o := range objects {
		s, err := jsonschema.ForType(o.of, opts)
		if err != nil {
			return nil, err
		}
		describe(s, o.of)
		s.Schema = "https://json-schema.org/draft/2020-12/schema"
		s.ID, s.Title = "urn:downhaul:"+o.name, o.title
		for _, key := range []string{"schema", "schema_version", "v"} {
			if p := s.Properties[key]; p != nil {
				*p = jsonschema.Schema{Const: jsonschema.Ptr[any](o.version), Description: "Version of this form."}
				break
			}
		}
		out[o.name] = s
	}
	// A line leaves out what its kind has not.
	out["trips"].Required = []string{"v", "n", "at_ns", "wall", "kind", "chain"}
	byKind(out["trips"], lineKinds)
	return out, nil
})

// describe gives the fields of a schema the comments of the type that it was made of.
func describe(s *jsonschema.Schema, t reflect.Type) {
	switch t.Kind() {
	case reflect.Pointer:
		describe(s, t.Elem())
	case reflect.Slice, reflect.Array:
		if s.Items != nil {
			describe(s.Items, t.Elem())
		}
	case reflect.Map:
		if s.AdditionalProperties != nil {
			describe(s.AdditionalProperties, t.Elem())
		}
	case reflect.Struct:
		for _, f := range reflect.VisibleFields(t) {
			key, _, _ := strings.Cut(f.Tag.Get("json"), ",")
			if key == "" {
				key = f.Name
			}
			p := s.Properties[key]
			if f.Anonymous || p == nil {
				continue
			}
			in := t
			if len(f.Index) > 1 {
				if in = t.FieldByIndex(f.Index[:len(f.Index)-1]).Type; in.Kind() == reflect.Pointer {
					in = in.Elem()
				}
			}
			says := commentsOf(in.PkgPath())[in.Name()+"."+f.Name]
			if rest, ok := strings.CutPrefix(says, f.Name+" "); ok {
				says = key + " " + rest
			}
			if says != "" {
				p.Description = says
			}
			describe(p, f.Type)
		}
	}
}

var comments sync.Map // of a package's path: its fields' comments

// commentsOf returns the comments of all fields of a package, by "Type.Field".
func commentsOf(pkg string) map[string]string {
	if known, ok := comments.Load(pkg); ok {
		return known.(map[string]string)
	}
	out := map[string]string{}
	dir := "."
	if rest, ok := strings.CutPrefix(pkg, "downhaul/"); ok {
		dir = filepath.Join("../..", rest)
	}
	names, _ := filepath.Glob(filepath.Join(dir, "*.go"))
	for _, name := range names {
		file, err := parser.ParseFile(token.NewFileSet(), name, nil, parser.ParseComments)
		if err != nil {
			continue
		}
		ast.Inspect(file, func(n ast.Node) bool {
			spec, ok := n.(*ast.TypeSpec)
			if !ok {
				return true
			}
			if st, ok := spec.Type.(*ast.StructType); ok {
				for _, f := range st.Fields.List {
					text := strings.Join(strings.Fields(f.Doc.Text()+" "+f.Comment.Text()), " ")
					for _, id := range f.Names {
						out[spec.Name.Name+"."+id.Name] = text
					}
				}
			}
			return true
		})
	}
	comments.Store(pkg, out)
	return out
}

// mayGrow takes from a schema that no key may be added.
func mayGrow(s *jsonschema.Schema) *jsonschema.Schema {
	s = s.CloneSchemas()
	for _, p := range s.Properties {
		*p = *mayGrow(p)
	}
	if s.Items != nil {
		s.Items = mayGrow(s.Items)
	}
	if a := s.AdditionalProperties; a != nil && a.Not != nil {
		s.AdditionalProperties = nil
	} else if a != nil {
		s.AdditionalProperties = mayGrow(a)
	}
	return s
}

// The shipped schemas are those of this version.
func TestSchemasAreOfThisVersion(t *testing.T) {
	made, err := madeSchemas()
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range slices.Sorted(maps.Keys(made)) {
		text, err := json.MarshalIndent(mayGrow(made[name]), "", " ")
		if err != nil {
			t.Fatal(err)
		}
		file := filepath.Join(schemaFolder, name+".schema.json")
		if text = append(text, '\n'); *rewrite {
			if err := os.WriteFile(file, text, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		if has, err := os.ReadFile(file); err != nil || !bytes.Equal(has, text) {
			t.Errorf("%s is not that of this version: %v (go test ./cmd/downhaul -run Schema -rewrite)", file, err)
		}
	}
	files, err := filepath.Glob(filepath.Join(schemaFolder, "*"))
	if err != nil || len(files) != len(made) {
		t.Errorf("%s holds %v, want one for each of the %d objects: %v", schemaFolder, files, len(made), err)
	}
}

// fitsSchema returns why a text is not what its schema says; nothing else may stand in it.
func fitsSchema(name string, text []byte) error {
	made, err := madeSchemas()
	if err != nil {
		return err
	}
	resolved, err := made[name].Resolve(nil)
	if err != nil {
		return err
	}
	var v any
	if err := json.Unmarshal(text, &v); err != nil {
		return err
	}
	return resolved.Validate(v)
}

// schemaOf returns which schema the output of a command line is of.
func schemaOf(args []string, text string) string {
	if len(args) == 0 {
		return ""
	}
	name := args[0]
	if name == "listen" && strings.Contains(text, `"recordings"`) {
		return "listen-recordings"
	}
	for _, o := range objects {
		if rest, ok := strings.CutPrefix(o.name, name+"-"); ok && slices.Contains(args, rest) {
			return o.name
		}
	}
	if name == "thrust" {
		return "thrust-session"
	}
	return name
}
