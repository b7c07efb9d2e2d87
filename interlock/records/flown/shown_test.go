package flown

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"downhaul/interlock/records/numbered"
	"downhaul/rules/card"
)

// What was kept comes back for its craft alone, oldest first, and a record that
// was changed is left out and told.
func TestRecordsComeBackForTheirCraft(t *testing.T) {
	dir := t.TempDir()
	for i, craft := range []string{"Eight 2", "Stork", "eight 2"} {
		r := Record{Schema: Schema, Made: time.Date(2031, 5, 3+i, 9, 0, 0, 0, time.UTC), Craft: craft, Sessions: []string{"s"},
			Hovers: []Hover{{Session: "s", Step: "empty hover", MassKg: 31, ForS: 20 + float64(i)}}, Reserves: []card.Reserve{{Step: "ballast 6", Go: true, Numbers: true, Low: 0.2, High: 0.4}}}
		if _, err := numbered.Write(Folder(dir), r.Made, &r.Number, &r); err != nil {
			t.Fatal(err)
		}
	}
	records, trouble, err := Records(dir, "EIGHT 2", "")
	if err != nil || len(trouble) != 0 || len(records) != 2 || records[0].Number != 1 || records[1].Number != 3 || records[1].Hovers[0].ForS != 22 || records[1].Reserves[0].Low != 0.2 {
		t.Fatalf("%+v, %v, %v", records, trouble, err)
	}
	names, err := filepath.Glob(filepath.Join(Folder(dir), "0001-*.json"))
	if err != nil || len(names) != 1 {
		t.Fatal(names, err)
	}
	text, err := os.ReadFile(names[0])
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(names[0], []byte(strings.Replace(string(text), "20", "90", 1)), 0o644); err != nil {
		t.Fatal(err)
	}
	if records, trouble, err = Records(dir, "Eight 2", ""); err != nil || len(trouble) != 1 || len(records) != 1 || records[0].Number != 3 {
		t.Errorf("with a changed record: %d records, %v, %v", len(records), trouble, err)
	}
}
