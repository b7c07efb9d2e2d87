package main

import (
	"bytes"
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"downhaul/interlock/day/intake"
	"downhaul/interlock/records/recorder"
	"downhaul/interlock/records/recording"
	"downhaul/interlock/records/session"
	"downhaul/interlock/records/triplog"
)

// tell runs the tool and gives its exit code and all that it says, in one line.
func tell(args ...string) (code int, says string) {
	var out, errs bytes.Buffer
	code = run(context.Background(), args, &streams{strings.NewReader(""), &out, &errs})
	return code, strings.Join(strings.Fields(out.String()+errs.String()), " ")
}

// logAnew writes a trip log once more in another folder as somebody could who has
// this program: without the lines that drop names, in a chain that holds.
func logAnew(t *testing.T, from, to string, drop func(r *triplog.Record) bool) {
	t.Helper()
	must(t, os.Remove(filepath.Join(to, triplog.PartName(1))))
	var log *triplog.Log
	for rec, err := range triplog.FileLines(filepath.Join(from, triplog.PartName(1))) {
		if err == nil && rec.Kind == triplog.KindHead {
			log, err = triplog.Create(triplog.Folder(to), *rec.Head)
		} else if err == nil && !drop(&rec) {
			err = log.Append(triplog.Line{At: rec.At(), Kind: rec.Kind, State: rec.State, Decision: rec.Decision, Text: rec.Text, Count: rec.Count}, false)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	if err := log.Close(); err != nil {
		t.Fatal(err)
	}
}

// recordAnew writes a recording once more without the chunks that drop names.
func recordAnew(t *testing.T, from, to string, drop func(c intake.Chunk, comments []string) (chunk bool, left []string)) {
	t.Helper()
	in, err := recording.Open(from)
	if err != nil {
		t.Fatal(err)
	}
	defer in.Close()
	file, err := os.Create(to)
	if err != nil {
		t.Fatal(err)
	}
	info := in.Info()
	out, err := recorder.Create(file, recorder.Start{Session: info.Session, Software: info.Software, Wall: info.Start})
	if err != nil {
		t.Fatal(err)
	}
	for {
		c, err := in.Next()
		if err != nil {
			break
		}
		gone, comments := drop(*c, in.Comments())
		if gone {
			continue
		}
		if err := out.Put(*c, comments...); err != nil {
			t.Fatal(err)
		}
	}
	if err := out.Close(); err != nil {
		t.Fatal(err)
	}
}

func isTrip(decision []byte) bool {
	var d struct{ Kind string }
	return json.Unmarshal(decision, &d) == nil && d.Kind == "trip"
}

// A whole day's records, and what somebody could make of them who can write in
// the folder: the chain alone finds none of it.
//
//fault:row a trip is taken out of a log and its chain made anew | found by the recording beside it; a whole folder made anew, by the head on paper alone
func TestVerifyAgainstRecordingAndPaper(t *testing.T) {
	root := t.TempDir()
	day := filepath.Join(root, "day")
	if code, says := tell("demo", "--fast", "--out", day); code != nothingFound {
		t.Fatalf("the demo ends with %d: %s", code, says)
	}
	folders, err := filepath.Glob(filepath.Join(day, "*", "session.json"))
	if len(folders) == 0 {
		folders, err = filepath.Glob(filepath.Join(day, "*", "*", "session.json"))
	}
	if err != nil || len(folders) != 1 {
		t.Fatalf("sessions of the demo: %v, %v", folders, err)
	}
	good := filepath.Dir(folders[0])
	names, err := triplog.Parts(good)
	if err != nil {
		t.Fatal(err)
	}
	report, err := triplog.WalkFiles(names, nil)
	if err != nil || report.HeadCode == "" {
		t.Fatalf("%+v, %v", report, err)
	}
	paper := report.HeadCode
	slip := []byte(paper)
	if slip[0]++; slip[0] == 'I' || slip[0] == 'O' || slip[0] > 'Z' || slip[0] == ':' {
		slip[0] = '2'
	}
	middle := "" // the code of a line in the middle
	for line, err := range triplog.FileLines(names...) {
		if err == nil && line.N == report.Lines/2 {
			middle = triplog.Code(line.Chain)
		}
	}
	rec, log := "recording.pcapng", triplog.PartName(1)
	for _, c := range []struct {
		what string
		do   func(t *testing.T, dir string)
		args []string
		code int
		says []string
	}{
		{"as it was written", nil, nil, 0, []string{": whole", "log and recording hold the same decisions", "on paper: " + paper}},
		{"by its paper", nil, []string{"--head", strings.ToLower(strings.ReplaceAll(paper, "-", " "))}, 0, []string{"it ends in the head on paper"}},
		{"a slip of the pen", nil, []string{"--head", string(slip)}, 2, []string{"is not a code as it was shown", "look again"}},
		{"a code with a letter that is none", nil, []string{"--head", "0" + paper[1:]}, 2, []string{"0, O, 1 and I are left out"}},
		{"written down too early", nil, []string{"--head", middle}, 1, []string{"THE HEAD ON PAPER IS THAT OF LINE"}},
		{"a chain made anew without one trip", func(t *testing.T, dir string) {
			done := false
			logAnew(t, good, dir, func(r *triplog.Record) bool {
				drop := !done && isTrip(r.Decision)
				done = done || drop
				return drop
			})
		}, nil, 1, []string{": whole", "1 trip of the recording DO NOT STAND IN THE LOG, the first trip 1 at"}},
		{"the same by the paper", func(t *testing.T, dir string) {
			logAnew(t, good, dir, func(r *triplog.Record) bool { return isTrip(r.Decision) })
		}, []string{"--head", paper}, 1, []string{"NO LINE OF IT HAS THE HEAD ON PAPER", "the first trip 1 at"}},
		{"a chain made anew without its reset", func(t *testing.T, dir string) {
			logAnew(t, good, dir, func(r *triplog.Record) bool {
				return strings.Contains(string(r.Decision), `"from":"tripped"`)
			})
		}, nil, 1, []string{": whole", "of the recording DO NOT STAND IN THE LOG", `"state" at`}},
		{"a whole folder made anew is found by the paper alone", func(t *testing.T, dir string) {
			logAnew(t, good, dir, func(r *triplog.Record) bool { return isTrip(r.Decision) })
			recordAnew(t, filepath.Join(good, rec), filepath.Join(dir, rec), func(c intake.Chunk, _ []string) (bool, []string) {
				return c.Source == intake.Decisions && isTrip(c.Bytes), nil
			})
		}, nil, 0, []string{"log and recording hold the same decisions"}},
		{"and there it is", func(t *testing.T, dir string) {
			logAnew(t, good, dir, func(r *triplog.Record) bool { return isTrip(r.Decision) })
			recordAnew(t, filepath.Join(good, rec), filepath.Join(dir, rec), func(c intake.Chunk, _ []string) (bool, []string) {
				return c.Source == intake.Decisions && isTrip(c.Bytes), nil
			})
		}, []string{"--head", paper}, 1, []string{"NO LINE OF IT HAS THE HEAD ON PAPER"}},
		{"a recording without one trip", func(t *testing.T, dir string) {
			done := false
			recordAnew(t, filepath.Join(good, rec), filepath.Join(dir, rec), func(c intake.Chunk, comments []string) (bool, []string) {
				drop := !done && c.Source == intake.Decisions && isTrip(c.Bytes)
				done = done || drop
				return drop, comments
			})
		}, nil, 1, []string{"1 decision of the log DO NOT STAND IN THE RECORDING", "the first trip 1 at"}},
		{"chunks that were lost are no missing trips", func(t *testing.T, dir string) {
			n := 0
			recordAnew(t, filepath.Join(good, rec), filepath.Join(dir, rec), func(c intake.Chunk, comments []string) (bool, []string) {
				if c.Source == intake.Telemetry {
					n++
				}
				return c.Source == intake.Telemetry && n >= 100 && n < 107, comments
			})
		}, nil, 0, []string{"lost and counted: 7 chunks of the recording", "whether the recording has all of the log's is not claimed"}},
		{"lost chunks and a missing trip", func(t *testing.T, dir string) {
			logAnew(t, good, dir, func(r *triplog.Record) bool { return isTrip(r.Decision) })
			n := 0
			recordAnew(t, filepath.Join(good, rec), filepath.Join(dir, rec), func(c intake.Chunk, comments []string) (bool, []string) {
				if c.Source == intake.Telemetry {
					n++
				}
				return c.Source == intake.Telemetry && n == 100, comments
			})
		}, nil, 1, []string{"lost and counted: 1 chunk of the recording", "DO NOT STAND IN THE LOG, the first trip 1 at"}},
		{"a trip that is left only as a packet's comment", func(t *testing.T, dir string) {
			logAnew(t, good, dir, func(r *triplog.Record) bool { return isTrip(r.Decision) })
			recordAnew(t, filepath.Join(good, rec), filepath.Join(dir, rec), func(c intake.Chunk, comments []string) (bool, []string) {
				return c.Source == intake.Decisions && isTrip(c.Bytes) && len(comments) == 0, comments
			})
		}, nil, 1, []string{"DO NOT STAND IN THE LOG, the first trip 1 at"}},
		{"no recording", func(t *testing.T, dir string) { must(t, os.Remove(filepath.Join(dir, rec))) }, nil, 1, []string{"THE RECORDING IS GONE"}},
		{"another file in its place", func(t *testing.T, dir string) {
			must(t, os.WriteFile(filepath.Join(dir, rec), []byte("holiday"), 0o644))
		}, nil, 1, []string{"THE RECORDING IS NOT THIS SESSION'S"}},
		{"a log that is cut short", func(t *testing.T, dir string) {
			text, err := os.ReadFile(filepath.Join(good, log))
			must(t, err)
			lines := bytes.SplitAfter(text, []byte("\n"))
			must(t, os.WriteFile(filepath.Join(dir, log), bytes.Join(lines[:len(lines)-3], nil), 0o644))
		}, nil, 1, []string{": cut short"}},
		{"a recording that breaks off", func(t *testing.T, dir string) {
			info, err := os.Stat(filepath.Join(good, rec))
			must(t, err)
			must(t, os.Truncate(filepath.Join(dir, rec), info.Size()/2))
		}, nil, 0, []string{"is not claimed: the recording breaks off"}},
	} {
		dir := filepath.Join(root, strings.ReplaceAll(c.what, " ", "-"))
		must(t, os.CopyFS(dir, os.DirFS(good)))
		if c.do != nil {
			c.do(t, dir)
		}
		code, says := tell(slices.Concat([]string{"verify"}, c.args, []string{dir})...)
		if code != c.code {
			t.Errorf("%s: code %d, want %d: %s", c.what, code, c.code, says)
		}
		for _, want := range c.says {
			if !strings.Contains(says, want) {
				t.Errorf("%s: does not say %q: %s", c.what, want, says)
			}
		}
	}
	if code, says := tell("verify", "--head", paper, good, good); code != couldNot || !strings.Contains(says, "one log") {
		t.Errorf("one code for two logs: %d: %s", code, says)
	}
	if code, says := tell("report", "--out", filepath.Join(root, "report"), good); !strings.Contains(says, "on paper: "+paper) {
		t.Errorf("report ends with %d and does not show the code: %s", code, says)
	}
	for _, name := range []string{filepath.Join(good, rec), filepath.Join(good, session.Pad), filepath.Join(good, "session.json")} {
		if code, says := tell("verify", name); code != couldNot || !strings.Contains(strings.ReplaceAll(says, " ", ""), "thisisnotriplog") {
			t.Errorf("%s: code %d: %s", name, code, says)
		}
	}
}
