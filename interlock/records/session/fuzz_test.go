//go:build linux

package session

import (
	"os"
	"path/filepath"
	"reflect"
	"testing"

	"downhaul/interlock/records/triplog"
)

// Whatever stands as a declaration in a log: it is none, or it comes back as it
// was written.
func FuzzParseDeclaration(f *testing.F) {
	d := Declaration{What: "wind"}
	for _, text := range []string{d.Text(), "declared {}", "declared null", "declared []", "declared", "run begins {}", `declared {"what":"wind","value":1e999}`, `declared {"what":"step"}x`} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		d, ok := ParseDeclaration(text)
		if !ok {
			return
		}
		again, ok := ParseDeclaration(d.Text())
		if !ok || !reflect.DeepEqual(again, d) {
			t.Errorf("%q is %+v and comes back as %+v, %v", text, d, again, ok)
		}
	})
}

// Whatever stands in session.json: it is refused, or it is of this schema; and
// either way the next start hears of it or is none the worse.
func FuzzOpen(f *testing.F) {
	for _, text := range []string{`{"v":1}`, `{"v":1,"number":3,"duty":"guard"}`, `{"v":2}`, `{}`, `null`, ``, `{"v":1,"session":"../../x"}`, `{"v":1,"number":-1}`, `{"v":1,"number":9223372036854775807}`} {
		f.Add([]byte(text))
	}
	logs := f.TempDir()
	dir := filepath.Join(logs, "2031-05-03T09-30-00Z-0000")
	if err := os.Mkdir(dir, 0o755); err != nil {
		f.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, triplog.PartName(1)), nil, 0o644); err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		if err := os.WriteFile(filepath.Join(dir, infoName), text, 0o644); err != nil {
			t.Fatal(err)
		}
		s, err := Open(dir)
		if (err == nil) != (s != nil) || err == nil && s.Info.V != Version {
			t.Fatalf("%q gave %+v, %v", text, s, err)
		}
		endings, uerr := Unfinished(logs)
		if uerr != nil {
			t.Fatal(uerr)
		}
		for _, e := range endings {
			if e.ComesUp() == "" || e.Says == "" {
				t.Errorf("%q: %+v", text, e)
			}
		}
		if err != nil && len(endings) == 0 {
			t.Errorf("%q cannot be read (%v), and the next start would not hear of it", text, err)
		}
		if m, err := recall(logs, &meta); err != nil || m.highest < 0 {
			t.Errorf("%q: the newest session has number %d, %v", text, m.highest, err)
		}
		if err == nil && s.Info.Duty != DutyWatch && len(endings) == 0 {
			t.Errorf("%q without a trip log counts as ended in order", text)
		}
	})
}
