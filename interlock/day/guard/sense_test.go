package guard

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// A start refuses what is a hazard by what the files say, with its line, and takes the
// files as they are.
func TestAStartRefusesWhatCannotBeMeant(t *testing.T) {
	const folder = "../../../cmd/downhaul/testdata/sense"
	for _, c := range []struct{ file, old, new, want string }{
		{"pad", "", "", ""},
		{"pad", `"608 N"`, `"61 N"`, "pad.toml:29: height.max_thrust: full thrust is 0.2 times the weight"},
		{"pad", `mass         = "31 kg"`, `mass         = "29 kg"`, "pad.toml:30: height.mass: the test card has another mass: 31 kg"},
		{"pad", `"350 ms"`, `"1 ms"`, "pad.toml:28: height.reaction: cannot be meant"},
		{"envelope", "above   = \"9 m\"\ncaution = \"8 m\"", `above   = "1 ft"`, "envelope.toml:21: rule[1].above: this ceiling leaves -7.7 ft to hover"},
		{"card", `lasts    = "1 d"`, `lasts    = "36500 d"`, "card.toml:45: step[1].lasts: cannot be meant"},
		// One number that is wrong is one fault, though others rest on it.
		{"pad", `error_height = "0.3 m"`, `error_height = "100 m"`, "pad.toml:26: height.error_height: cannot be meant"},
		{"pad", "max_thrust   = \"608 N\"", "max_thrust   = \"608000 N\"", "pad.toml:29: height.max_thrust: "},
		{"card", "\nthrust  = \"75 N\"", "\nthrust  = \"7.5 N\"", "card.toml:15: motors.thrust: "},
	} {
		dir := t.TempDir()
		for _, name := range []string{"pad", "envelope", "card"} {
			text, err := os.ReadFile(filepath.Join(folder, name+".toml"))
			if err != nil {
				t.Fatal(err)
			}
			if name == c.file {
				if !strings.Contains(string(text), c.old) {
					t.Fatalf("%s.toml has no %q", name, c.old)
				}
				text = []byte(strings.Replace(string(text), c.old, c.new, 1))
			}
			if err := os.WriteFile(filepath.Join(dir, name+".toml"), text, 0o600); err != nil {
				t.Fatal(err)
			}
		}
		files, err := ReadFiles(filepath.Join(dir, "pad.toml"), "", "")
		if err != nil {
			t.Fatal(err)
		}
		_, faults := files.Check()
		got := strings.ReplaceAll(faults.Error(), dir+"/", "")
		if !strings.Contains(got, c.want) || len(faults) != min(1, len(c.want)) {
			t.Errorf("%s: %d faults\n%s\nwant %s alone", c.new, len(faults), got, c.want)
		}
	}
}
