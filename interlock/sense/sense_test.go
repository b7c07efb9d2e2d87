package sense

import (
	"strings"
	"testing"

	"downhaul/interlock/pad"
	"downhaul/rules"
	"downhaul/rules/card"
	"downhaul/rules/document"
)

// Every row of the table can act: its bounds are read, of one kind and in order, and
// its key is one that the reader of its file knows, with a number of that kind.
func TestRangesAreReadAndInOrder(t *testing.T) {
	readers := map[string]func(string) document.Faults{
		"pad":      func(text string) document.Faults { _, f := pad.Read("", []byte(text)); return f },
		"envelope": func(text string) document.Faults { _, f := rules.ReadEnvelope("", []byte(text)); return f },
		"card":     func(text string) document.Faults { _, f := card.Read("", []byte(text)); return f },
	}
	for _, r := range AllRanges() {
		if len(r) != 7 || r[6] == "" {
			t.Errorf("%q: not seven cells with a reason", r)
			continue
		}
		last, kind, some := 0.0, rules.Kind(0), ""
		for _, bound := range r[2:6] {
			if bound == "" {
				continue
			}
			v, _, of, ok := Number(bound)
			if !ok || kind != 0 && (of != kind || v < last) {
				t.Errorf("%s %s: bound %q", r[0], r[1], bound)
			}
			last, kind, some = v, of, bound
		}
		if some == "" {
			t.Errorf("%s %s: no bound", r[0], r[1])
			continue
		}
		// The last key below its sections, as a file writes it.
		text, path := "", strings.Split(r[1], ".")
		for i := range path[:len(path)-1] {
			name, isRow := strings.CutSuffix(strings.Join(path[:i+1], "."), "[]")
			name = strings.ReplaceAll(name, "[]", "")
			text += map[bool]string{true: "[[" + name + "]]\n", false: "[" + name + "]\n"}[isRow]
		}
		value := `"` + some + `"`
		if kind == rules.Number {
			value = some
		}
		for _, f := range readers[r[0]](text + path[len(path)-1] + " = " + value + "\n") {
			if strings.HasSuffix(f.Key, path[len(path)-1]) && (f.Wrong == "unknown key" || strings.Contains(f.Wrong, "is a unit of") || strings.Contains(f.Wrong, "takes")) {
				t.Errorf("%s %s: %v", r[0], r[1], f)
			}
		}
	}
}

// A number at a bound is inside, and the next one is not; what only is unusual is not
// refused.
func TestRangesAtTheirBounds(t *testing.T) {
	for text, want := range map[string]string{
		"[tether]\nlength = \"0.3 m\"":           "few",
		"[tether]\nlength = \"29 cm\"":           "refused",
		"[tether]\nlength = \"1 m\"":             "",
		"[tether]\nlength = \"60 m\"":            "",
		"[tether]\nlength = \"61 m\"":            "few",
		"[tether]\nlength = \"1000 ft\"":         "refused",
		"[tether]\nlength = \"60 N\"":            "",
		"[tether]\nlength = 60":                  "",
		"[tether]\ndesign_factor = 4":            "few",
		"[[rule]]\n[[rule]]\ngrace = \"20 min\"": "refused",
	} {
		from := Source{"e.toml", []byte(text)}
		got := ""
		if len(Past("envelope", from, 3, 4, "", "")) > 0 {
			got = "few"
		}
		if refused := Ranges("envelope", from); len(refused) > 0 {
			got = "refused"
			if want == "refused" && (refused[0].File != "e.toml" || refused[0].Line != strings.Count(text, "\n")+1) {
				t.Errorf("%q: %v", text, refused)
			}
		}
		if got != want {
			t.Errorf("%q: %q, want %q", text, got, want)
		}
	}
}
