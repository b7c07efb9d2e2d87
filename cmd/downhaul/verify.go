package main

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"downhaul/interlock/records/plain"
	"downhaul/interlock/records/session"
	"downhaul/interlock/records/session/against"
	"downhaul/interlock/records/triplog"
	"downhaul/interlock/records/triplog/inspect"
	"downhaul/rules/words"
)

type verifyCmd struct {
	JSON bool     `help:"Print one JSON object."`
	Head string   `placeholder:"CODE" help:"Hold one log against the code that somebody wrote on paper at the end of the day."`
	Logs []string `arg:"" name:"log" help:"Session folder or trip log file."`
}

func (verifyCmd) Help() string {
	return "Says of each trip log whether it is whole, cut short, torn by a power cut or tampered with, and names " +
		"the first line that was changed, cut out or moved. Exit code 0 means that every log is whole, and that the files beside it are those read on the day, and that every decision " +
		"of the recording beside it stands in the log. The chain " +
		"has no key: it finds accident and careless editing, not somebody who writes the whole folder anew. Against that there is only the head of " +
		"the chain on paper: the guard prints its code at the end, and so do report and this; --head holds a log against it."
}

// verified is the result for one log; verifySchema counts its shape.
type verified struct {
	Log   string   `json:"log"`
	Files []string `json:"files"`
	triplog.Report
	// Changed are the files beside the log (limits, pad, card) that are not
	// what its first line says was read on the day.
	Changed []string `json:"changed"`
	// Recording is the log held against the recording beside it; null where a
	// single file of several was named.
	Recording *against.Result `json:"recording"`
	// NoRecording reports whether the recording of a session's folder is gone.
	NoRecording bool `json:"no_recording,omitempty"`
	// Paper is the log held against the code of --head.
	Paper *onPaper `json:"paper,omitempty"`
}

// onPaper reports whether the log ends in the head that somebody wrote down.
type onPaper struct {
	Code  string `json:"code"`
	Holds bool   `json:"holds"`
	// Line is the number of the line whose head that is, 0 where none has it.
	Line uint64 `json:"line"`
}

func (v *verified) found() bool {
	return v.Verdict != triplog.Whole || len(v.Changed) > 0 || v.NoRecording || v.Recording != nil && v.Recording.Found() || v.Paper != nil && !v.Paper.Holds
}

const verifySchema = 1

// verifyOutput is what logs were found to be, as one JSON object.
type verifyOutput struct {
	Schema int        `json:"schema"`
	Logs   []verified `json:"logs"`
	Passed []string   `json:"no_sessions"`
}

func (c *verifyCmd) Run(s *streams) error {
	var all []verified
	found := false
	code := ""
	if c.Head != "" {
		var err error
		if code, err = inspect.ParseCode(c.Head); err != nil {
			return hint(fmt.Errorf("verify: %w", err), "nothing was held against it")
		}
		if len(c.Logs) != 1 {
			return hint(fmt.Errorf("verify: --head is the code of one log (got %d logs)", len(c.Logs)), "name the log of that day")
		}
	}
	passed := []string{}
	for _, log := range c.Logs {
		files, err := logFiles(log)
		if err != nil && len(c.Logs) > 1 && holdsNoSession(log) {
			passed = append(passed, log)
			continue
		}
		if err != nil {
			return hint(err, "name a session folder, or the trip log in it (%s)", triplog.PartName(1))
		}
		report, err := inspect.Files(files...)
		if err != nil {
			return fmt.Errorf("verify %s: %w", log, err)
		}
		changed, err := changedFiles(files[0])
		if err != nil {
			return fmt.Errorf("verify %s: %w", log, err)
		}
		v := verified{Log: log, Files: files, Report: report, Changed: changed}
		if err := v.againstRecording(); err != nil {
			return fmt.Errorf("verify %s: %w", log, err)
		}
		if code != "" {
			v.Paper = againstPaper(code, &v)
		}
		found = found || v.found()
		all = append(all, v)
	}
	if len(all) == 0 {
		return hint(errors.New("verify: none of these holds a trip log"), "name session folders, or the trip log in one (%s)", triplog.PartName(1))
	}
	return s.conclude(&verifyOutput{verifySchema, all, passed}, c.JSON, nil, found)
}

func (o *verifyOutput) print(w io.Writer) {
	for i := range o.Logs {
		o.Logs[i].print(w)
	}
	for _, name := range o.Passed {
		wrap(w, "", "  ", printable(name)+": no session and no trip log, so there is nothing to hold")
	}
}

// holdsNoSession reports whether a name beside sessions is none: a file that is no trip
// log, or a folder with nothing of a session in it. A session whose log is gone is one.
func holdsNoSession(name string) bool {
	info, err := os.Stat(name)
	if err != nil {
		return false
	}
	if !info.IsDir() {
		f, err := plain.Open(name, plain.TripLog)
		if err != nil {
			return !info.Mode().IsRegular() // a socket, say; what is too large to be read is told
		}
		defer f.Close()
		is, err := inspect.IsLog(f)
		return err == nil && !is && !strings.HasPrefix(filepath.Base(name), "trips")
	}
	found := false
	err = plain.Names(name, func(n string) {
		found = found || n == "session.json" || strings.HasPrefix(n, "trips") || strings.HasPrefix(n, "recording")
	})
	return err == nil && !found
}

// logFiles is the files of a log in order: the file itself, or all parts in a
// session folder.
func logFiles(log string) ([]string, error) {
	info, err := os.Stat(log)
	if err != nil {
		return nil, fmt.Errorf("verify: %w", err)
	}
	if !info.IsDir() {
		f, err := plain.Open(log, plain.TripLog)
		if err != nil {
			return nil, fmt.Errorf("verify: %w", err)
		}
		defer f.Close()
		switch is, err := inspect.IsLog(f); {
		case err != nil:
			return nil, fmt.Errorf("verify: %w", err)
		case !is:
			return nil, fmt.Errorf("verify: %s: this is no trip log: no line of it has the form of one", log)
		}
		return []string{log}, nil
	}
	files, err := triplog.Parts(log)
	if err != nil {
		return nil, fmt.Errorf("verify: %w", err)
	}
	if len(files) == 0 {
		return nil, fmt.Errorf("verify: folder %s holds no trip log", log)
	}
	return files, nil
}

// againstRecording holds the log against the recording in its folder. A session
// always begins with one: where session.json stands and no recording, it is gone.
func (v *verified) againstRecording() error {
	dir := filepath.Dir(v.Files[0])
	parts, err := triplog.Parts(dir)
	if err != nil {
		return err
	}
	if len(parts) != len(v.Files) || filepath.Base(parts[0]) != filepath.Base(v.Files[0]) {
		return nil
	}
	if v.Recording, err = against.Recording(&session.Session{Dir: dir}, v.Verdict); err != nil {
		return err
	}
	_, err = session.Open(dir)
	v.NoRecording = err == nil && !v.Recording.Held && v.Recording.Foreign == ""
	return nil
}

// againstPaper looks for the head that was written down.
func againstPaper(code string, v *verified) *onPaper {
	p := &onPaper{Code: code, Holds: v.HeadCode == code && v.Verdict == triplog.Whole}
	for line, err := range triplog.FileLines(v.Files...) {
		if err != nil {
			break
		}
		if triplog.Code(line.Chain) == code {
			p.Line = line.N
		}
	}
	return p
}

// changedFiles names the files beside the log whose SHA-256 is not the one in
// its first line. A log without a good first line names none: Verify says what
// is wrong with it.
func changedFiles(log string) ([]string, error) {
	changed := []string{}
	for line, err := range triplog.FileLines(log) {
		if err != nil || line.Head == nil {
			break
		}
		for _, file := range line.Head.Files {
			text, err := plain.Read(filepath.Join(filepath.Dir(log), filepath.Base(file.Name)), plain.Setup)
			if err != nil && !errors.Is(err, fs.ErrNotExist) {
				return nil, err
			}
			if sum := sha256.Sum256(text); err != nil || hex.EncodeToString(sum[:]) != file.SHA256 {
				changed = append(changed, file.Name)
			}
		}
		break
	}
	return changed, nil
}

func (v *verified) print(w io.Writer) {
	fmt.Fprintf(w, "%s: %s\n", printable(v.Log), v.Verdict)
	if v.Verdict == triplog.Tampered {
		fmt.Fprintf(w, "  first bad line: %s line %d, %s\n", printable(filepath.Base(v.Files[max(v.File, 1)-1])), v.FirstBad, v.What)
	}
	wrap(w, "  ", "  ", v.Reason)
	if v.Continues != nil {
		wrap(w, "  ", "  ", fmt.Sprintf("this file continues %q from line %d; what it says of that was not checked: verify the whole folder",
			v.Continues.File, v.Continues.N))
	}
	for _, name := range v.Changed {
		wrap(w, "  ", "  ", fmt.Sprintf("%s is gone, or is not what was read on the day", name))
	}
	if r := v.Recording; r != nil {
		v.printRecording(w, r)
	}
	if p := v.Paper; p != nil {
		wrap(w, "  ", "  ", p.says(v))
	}
	fmt.Fprintf(w, "  %s good, last chain value\n  %s\n", words.Count(v.Lines, "line"), v.Head)
	if v.HeadCode != "" {
		fmt.Fprintf(w, "  on paper: %s\n", v.HeadCode)
	}
}

func (v *verified) printRecording(w io.Writer, r *against.Result) {
	say := func(format string, args ...any) { wrap(w, "  ", "  ", fmt.Sprintf(format, args...)) }
	switch {
	case v.NoRecording:
		say("THE RECORDING IS GONE: every session begins with one")
	case r.Foreign != "":
		say("THE RECORDING IS NOT THIS SESSION'S: %s", r.Foreign)
	case !r.Held:
		say("not held against a recording: %s", r.Why)
	}
	if r.MissingTrips > 0 {
		say("%s of the recording DO NOT STAND IN THE LOG, the first %s", words.Count(r.MissingTrips, "trip"), r.First)
	}
	if n := r.MissingOthers; n > 0 {
		first := ""
		if r.MissingTrips == 0 {
			first = ", the first " + r.First
		}
		say("%s of the recording DO NOT STAND IN THE LOG%s", words.Count(n, "other decision"), first)
	}
	if r.NotRecorded > 0 {
		say("%s of the log DO NOT STAND IN THE RECORDING, which lacks nothing, the first %s", words.Count(r.NotRecorded, "decision"), r.First)
	}
	if r.Lost > 0 {
		say("lost and counted: %s of the recording; those are no missing trips", words.Count(r.Lost, "chunk"))
	}
	switch {
	case !r.Held || r.Found():
	case r.Why != "":
		say("every decision of the recording stands in the log; whether the recording has all of the log's is not claimed: %s", r.Why)
	default:
		say("log and recording hold the same decisions")
	}
}

// says is what the paper tells of the log.
func (p *onPaper) says(v *verified) string {
	switch {
	case p.Holds:
		return "it ends in the head on paper: nothing was changed since that was written down"
	case p.Line == v.Lines && p.Line > 0:
		return "its last good line has the head on paper, but see above"
	case p.Line > 0:
		return fmt.Sprintf("THE HEAD ON PAPER IS THAT OF LINE %d of %d: the lines behind it came after it was written down", p.Line, v.Lines)
	}
	return "NO LINE OF IT HAS THE HEAD ON PAPER: this is another log, or it was written anew"
}
