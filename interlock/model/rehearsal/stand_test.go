package rehearsal

import (
	"crypto/sha256"
	"encoding/hex"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"downhaul/interlock/after/standrun"
	"downhaul/interlock/day/guard"
	"downhaul/interlock/model/craftmodel"
	"downhaul/interlock/records/standtable"
)

// standFiles are those of a stand that keeps its records in dir.
func standFiles(t *testing.T, dir string) guard.Files {
	t.Helper()
	read := func(name string) guard.File {
		text, err := os.ReadFile(filepath.Join("testdata", "stand", name))
		if err != nil {
			t.Fatal(err)
		}
		return guard.File{Name: name, Text: []byte(strings.ReplaceAll(string(text), "@FOLDER@", dir))}
	}
	return guard.Files{Pad: read("pad.toml"), Card: read("card.toml"), Envelope: read("stand.toml")}
}

func hashText(b []byte) string { h := sha256.Sum256(b); return hex.EncodeToString(h[:]) }

// A run on the virtual board becomes a table end to end: under the guard, from tare and
// hung mass to the last tare, with the law of the modelled propeller in its rows. A
// propeller that flutters and a supply that gives way are told apart.
func TestRehearsedStandRunBecomesItsTable(t *testing.T) {
	for _, row := range []struct {
		name        string
		want, never standtable.Code
	}{{"stand", "", standtable.NotSteady}, {"stand-flutter", standtable.Jumps, standtable.GivesWay}, {"stand-weak-supply", standtable.GivesWay, standtable.OffLaw}} {
		dir := t.TempDir()
		s, err := Prepare(standFiles(t, dir), "stand, motor 1", dir, false)
		if err != nil {
			t.Fatal(err)
		}
		if s, err = s.In(filepath.Join(dir, row.name)); err != nil {
			t.Fatal(err)
		}
		scenario, err := s.Shipped(row.name)
		if err != nil {
			t.Fatal(err)
		}
		r, err := s.Fly(row.name, scenario)
		if err != nil || !r.AsExpected || !r.Live {
			t.Fatalf("%s: %v, %+v, %q", row.name, err, r.Stopped, r.NoStart)
		}
		run, err := standrun.Read(r.Session)
		if err != nil {
			t.Fatal(err)
		}
		made, taken, err := run.Table("", "", "")
		if err != nil || !taken.Finished || len(taken.Notes) > 0 || len(made.Rows) != 14 {
			t.Fatalf("%s: %v, %+v", row.name, err, taken)
		}
		table, faults := standtable.Read("t.csv", made.Text())
		if err := faults.Err(); err != nil {
			t.Fatal(err)
		}
		j := standtable.Judge(table)
		has := func(c standtable.Code) bool {
			return slices.ContainsFunc(j.Findings, func(f standtable.Finding) bool { return f.Code == c })
		}
		if row.want == "" && len(j.Findings) > 0 || row.want != "" && !has(row.want) || has(row.never) || j.Refused() {
			t.Errorf("%s: %+v", row.name, j.Findings)
		}
		if row.name != "stand" {
			continue
		}
		for _, r := range table.Rows {
			want := craftmodel.Thrust(s.Craft.Config.ThrustCoefficient, craftmodel.Density(0, 15), r.Speed.Value, 0.381)
			if math.Abs(r.Thrust.Value/want-1) > 0.01 || r.Count < 200 || !r.Celsius.Told {
				t.Errorf("at %.0f %% the table tells %.3f N, and the model gave %.3f: %+v", 100*r.Output.Value, r.Thrust.Value, want, r)
			}
		}
		if table.Doubt != 0.005 || !strings.Contains(table.Source, "rehearsal") || table.MaxSpeed*60 < 9499 {
			t.Errorf("%+v", table)
		}
	}
}

// The limits of a stand hold there: a rotor past its limit loses its power at once.
func TestRehearsedStandRunIsGuarded(t *testing.T) {
	dir := t.TempDir()
	files := standFiles(t, dir)
	low := strings.Replace(string(files.Envelope.Text), "9500 rpm", "6000 rpm", 1)
	files.Card.Text = []byte(strings.Replace(string(files.Card.Text), hashText(files.Envelope.Text), hashText([]byte(low)), 1))
	files.Envelope.Text = []byte(low)
	s, err := Prepare(files, "stand, motor 1", dir, false)
	if err != nil {
		t.Fatal(err)
	}
	if s, err = s.In(filepath.Join(dir, "run")); err != nil {
		t.Fatal(err)
	}
	scenario, err := s.Shipped(OnStand)
	if err != nil {
		t.Fatal(err)
	}
	r, err := s.Fly(OnStand, scenario)
	if err != nil || r.Stopped == nil || r.Stopped.Rule != "rotor speed" {
		t.Fatalf("%v, stopped %+v", err, r.Stopped)
	}
	// What was taken before is kept, and told as unfinished only where no last tare came.
	run, err := standrun.Read(r.Session)
	if err != nil {
		t.Fatal(err)
	}
	made, _, err := run.Table("", "", "")
	if err != nil || len(made.Rows) < 5 || len(made.Rows) > 6 {
		t.Errorf("%v: %+v", err, made)
	}
}
