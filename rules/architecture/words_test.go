package architecture

import (
	"regexp"
	"strings"
	"testing"
)

// opener is a comment that begins with a name which "says" something: it must be decoded,
// while "returns", "reports whether", "opens", "writes" or "waits" is read at once.
var opener = regexp.MustCompile(`^\s*// [A-Za-z_][\w.]* (says|say) (that|what|whether|why|how|where|which|who|when|of)\b`)

// plainer are words that people stumble over, with what they say instead.
var plainer = map[string]string{
	"can " + "not ":     "cannot",
	"of " + "chance":    "random",
	"nobody " + "looks": "who does not look, and what then is missed",
}

// Comments and documents are read by tired people and by engineers who do not know each
// other.
func TestWordsNeedNoDecoding(t *testing.T) {
	looked := 0
	for _, f := range files(t) {
		source := strings.HasSuffix(f.path, ".go")
		if !source && !strings.HasSuffix(f.path, ".md") || strings.Contains(f.path, "testdata/") {
			continue
		}
		looked++
		before := ""
		for i, line := range strings.Split(string(f.text), "\n") {
			if source && opener.MatchString(line) && !strings.HasPrefix(strings.TrimSpace(before), "//") {
				t.Errorf("%s:%d: %s\nbegin with what it does: returns, reports whether, opens, writes, waits", f.path, i+1, strings.TrimSpace(line))
			}
			for word, better := range plainer {
				if strings.Contains(line, word) {
					t.Errorf("%s:%d: %q; better: %s", f.path, i+1, word, better)
				}
			}
			before = line
		}
	}
	if looked < 100 {
		t.Fatalf("only %d files were looked at", looked)
	}
}
