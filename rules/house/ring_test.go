package house

import (
	"slices"
	"strings"
	"testing"
)

// ring1 are the packages that decide: what they are told by the outer rings may be
// wrong. What derives channels hands its work over through limits.Derivation.
var ring1 = []string{"interlock", "interlock/limits"}

// besideRing1 is what ring 1 may import and is none of it: the words for what is allowed.
var besideRing1 = []string{"rules"}

// ringFault says what is wrong with a package of ring 1 importing another, empty
// when nothing is.
func ringFault(path string) string {
	name, ours := strings.CutPrefix(path, module+"/")
	switch {
	case ours && (slices.Contains(ring1, name) || slices.Contains(besideRing1, name)):
		return ""
	case ours:
		return "what decides must be right whatever the outer rings say: have that one hand over what is needed"
	case path == "golang.org/x/sys/unix", !strings.Contains(strings.Split(path, "/")[0], "."):
		return ""
	}
	return "what decides stands on the standard library and the kernel's own calls alone"
}

func TestRing1ImportsNoOuterRing(t *testing.T) {
	for path, wrong := range map[string]bool{
		module + "/interlock/limits": false, module + "/rules": false, "time": false, "golang.org/x/sys/unix": false,
		module + "/interlock/derived": true, module + "/interlock/intake": true, module + "/rules/card": true, "golang.org/x/sys": true, "periph.io/x/host/v3": true,
	} {
		if (ringFault(path) != "") != wrong {
			t.Errorf("the rule is wrong itself: %s: %q", path, ringFault(path))
		}
	}
	left := slices.Clone(ring1)
	for _, p := range packages(t) {
		name := strings.TrimPrefix(p.ImportPath, module+"/")
		i := slices.Index(left, name)
		if i < 0 {
			continue
		}
		left = slices.Delete(left, i, i+1)
		for _, imp := range p.Imports {
			if fault := ringFault(imp); fault != "" {
				t.Errorf("%s imports %s: %s", name, imp, fault)
			}
		}
	}
	if len(left) > 0 {
		t.Errorf("packages of ring 1 that are not there: %v", left)
	}
}
