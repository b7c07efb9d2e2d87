package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
)

type newCmd struct {
	Dir string `arg:"" help:"Folder for the files; it is made if need be."`
}

func (newCmd) Help() string {
	return "Asks about craft, tether and pad, each question with a default, works out first limits that leave the craft room to hover, and writes commented files: " +
		"limits, others for steps on the ground, pad file and test card. They pass check and prove, and can be rehearsed. What was heard of the craft (a recording, listen --json, or the link now) answers some of it. " +
		"Nothing is overwritten. The files are a beginning: every limit in them is to be thought about."
}

// sessionsFolder is made beside the files, so that a guard can start at once.
const sessionsFolder = "sessions"

// longestSocket is what the address of a local socket holds (see the pad file).
const longestSocket = 100

func (c *newCmd) Run(ctx context.Context, s *streams) error {
	for _, name := range starterNames {
		path := filepath.Join(c.Dir, name)
		if _, err := os.Lstat(path); err == nil {
			return hint(fmt.Errorf("new: %s is there already, and nothing is overwritten", path), "name another folder, or move the file away")
		} else if !errors.Is(err, fs.ErrNotExist) {
			return fmt.Errorf("new: %w", err)
		}
	}
	wrap(s.out, "", "", "An empty answer takes what stands in brackets. Every limit that comes of the answers is a first guess: read the files, and change what you know better.")
	fmt.Fprintln(s.out)
	q := newAsker(s.in, s.out)
	a, err := askAll(ctx, q)
	if err != nil {
		return fmt.Errorf("new: %w", err)
	}
	dir, err := filepath.Abs(c.Dir)
	if err != nil {
		return fmt.Errorf("new: %w", err)
	}
	f := a.reckon()
	if err := f.places(dir); err != nil {
		return fmt.Errorf("new: %w", err)
	}
	texts, doubts, err := f.texts()
	if err != nil {
		return fmt.Errorf("new: %w", err)
	}
	if err := writeAll(c.Dir, texts); err != nil {
		return fmt.Errorf("new: %w", err)
	}
	f.tells(q)
	fmt.Fprintln(s.out)
	for _, name := range starterNames {
		fmt.Fprintf(s.out, "wrote %s\n", printable(filepath.Join(c.Dir, name)))
	}
	for _, d := range doubts {
		wrap(s.out, "Warning: ", "  ", d.Error())
	}
	f.next(s, printable(c.Dir))
	if len(doubts) > 0 {
		return errFound
	}
	return nil
}

// next names the commands that come next.
func (f *filled) next(s *streams, dir string) {
	at := func(name string) string { return filepath.Join(dir, name) }
	fmt.Fprintf(s.out, "next: downhaul check %s\n", at("*.toml"))
	fmt.Fprintf(s.out, "      downhaul prove --envelope %s --pad %s\n", at("envelope.toml"), at("pad.toml"))
	fmt.Fprintf(s.out, "      downhaul rehearse --pad %s --auto\n", at("pad.toml"))
	switch {
	case f.Table():
		fmt.Fprintf(s.out, "      downhauld-bench --pad %s    and in a second terminal:\n      downhaul board --pad %s\n", at("pad.toml"), at("pad.toml"))
	case f.Guards():
		fmt.Fprintf(s.out, "      downhaul commission --pad %s    (its pins first: they are examples)\n", at("pad.toml"))
	default:
		fmt.Fprintf(s.out, "      downhauld --pad %s\n", at("pad.toml"))
	}
}

// writeAll writes all files or none.
func writeAll(dir string, texts map[string][]byte) (err error) {
	var made []string
	defer func() {
		if err != nil {
			for _, path := range made {
				_ = os.Remove(path)
			}
		}
	}()
	if _, statErr := os.Stat(dir); errors.Is(statErr, fs.ErrNotExist) {
		if err := os.MkdirAll(dir, 0o755); err != nil {
			return err
		}
		made = append(made, dir)
	}
	sessions := filepath.Join(dir, sessionsFolder)
	if err := os.Mkdir(sessions, 0o755); err == nil {
		made = append([]string{sessions}, made...)
	} else if !errors.Is(err, fs.ErrExist) {
		return err
	}
	for _, name := range starterNames {
		path := filepath.Join(dir, name)
		f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
		if err != nil {
			return err
		}
		made = append([]string{path}, made...) // files go before their folder
		_, err = f.Write(texts[name])
		if err = errors.Join(err, f.Close()); err != nil {
			return err
		}
	}
	return nil
}
