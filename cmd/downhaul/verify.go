package main

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"downhaul/interlock/plain"
	"downhaul/interlock/triplog"
)

type verifyCmd struct {
	JSON bool     `help:"Print one JSON object."`
	Logs []string `arg:"" name:"log" help:"Session folder or trip log file."`
}

func (verifyCmd) Help() string {
	return "Says of each trip log whether it is whole, cut short, torn by a power cut or tampered with, and names " +
		"the first line that was changed, cut out or moved. Exit code 0 means that every log is whole, and that the files beside it are those read on the day. The chain " +
		"has no key: it finds accident and careless editing, not somebody who writes the whole log anew."
}

// verified is the result for one log; verifySchema counts its shape.
type verified struct {
	Log   string   `json:"log"`
	Files []string `json:"files"`
	triplog.Report
	// Changed are the files beside the log (limits, pad, card) that are not
	// what its first line says was read on the day.
	Changed []string `json:"changed"`
}

const verifySchema = 1

func (c *verifyCmd) Run(s *streams) error {
	var all []verified
	found := false
	for _, log := range c.Logs {
		files, err := logFiles(log)
		if err != nil {
			return hint(err, "name a session folder, or the trip log in it (%s)", triplog.PartName(1))
		}
		report, err := triplog.VerifyFiles(files...)
		if err != nil {
			return fmt.Errorf("verify %s: %w", log, err)
		}
		changed, err := changedFiles(files[0])
		if err != nil {
			return fmt.Errorf("verify %s: %w", log, err)
		}
		found = found || report.Verdict != triplog.Whole || len(changed) > 0
		all = append(all, verified{log, files, report, changed})
	}
	if c.JSON {
		if err := printJSON(s.out, struct {
			Schema int        `json:"schema"`
			Logs   []verified `json:"logs"`
		}{verifySchema, all}); err != nil {
			return err
		}
	} else {
		for _, v := range all {
			v.print(s)
		}
	}
	if found {
		return errFound
	}
	return nil
}

// logFiles is the files of a log in order: the file itself, or all parts in a
// session folder.
func logFiles(log string) ([]string, error) {
	info, err := os.Stat(log)
	if err != nil {
		return nil, fmt.Errorf("verify: %w", err)
	}
	if !info.IsDir() {
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

// changedFiles names the files beside the log whose SHA-256 is not the one in
// its first line. A log without a good first line names none: Verify says what
// is wrong with it.
func changedFiles(log string) ([]string, error) {
	changed := []string{}
	f, err := plain.Open(log, plain.TripLog)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	for line, err := range triplog.Lines(f) {
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

func (v *verified) print(s *streams) {
	fmt.Fprintf(s.out, "%s: %s\n", printable(v.Log), v.Verdict)
	if v.Verdict == triplog.Tampered {
		fmt.Fprintf(s.out, "  first bad line: %s line %d, %s\n", printable(filepath.Base(v.Files[max(v.File, 1)-1])), v.FirstBad, v.What)
	}
	wrap(s.out, "  ", "  ", v.Reason)
	if v.Continues != nil {
		wrap(s.out, "  ", "  ", fmt.Sprintf("this file continues %q from line %d; what it says of that was not checked: verify the whole folder",
			v.Continues.File, v.Continues.N))
	}
	for _, name := range v.Changed {
		wrap(s.out, "  ", "  ", fmt.Sprintf("%s is gone, or is not what was read on the day", name))
	}
	fmt.Fprintf(s.out, "  %s good, last chain value\n  %s\n", plural(v.Lines, "line"), v.Head)
}
