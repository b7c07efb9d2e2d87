package main

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"downhaul/interlock/before/bench"
	"downhaul/interlock/before/bench/chart"
	"downhaul/rules"
)

// pictures are those of one recording: one for every course of its trace. With
// no folder to write to there are none.
type pictures struct {
	trace *bench.Trace
	files []string // by course
	force bool
}

// pictureNames gives every recording the beginning of its pictures' names: its
// own name, with a number where two are the same.
func pictureNames(recordings []string) map[string]string {
	names, taken := map[string]string{}, map[string]bool{}
	for _, rec := range recordings {
		if names[rec] != "" {
			continue
		}
		base := filepath.Base(filepath.Clean(rec))
		base = fileName(strings.TrimSuffix(base, filepath.Ext(base)))
		name := base
		for n := 2; taken[name]; n++ {
			name = fmt.Sprintf("%s-%d", base, n)
		}
		names[rec], taken[name] = name, true
	}
	return names
}

// fileName keeps what is safe in a file's name everywhere.
func fileName(text string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r >= 'a' && r <= 'z', r >= 'A' && r <= 'Z', r >= '0' && r <= '9', r == '-', r == '_':
			return r
		}
		return '-'
	}, text)
}

// pictures names the pictures of one recording, and refuses before any work if
// one of them is there already.
func (c *replayCmd) pictures(env *rules.Envelope, name string) (*pictures, error) {
	p := &pictures{force: c.Force}
	if c.Plot == "" {
		return p, nil
	}
	if err := os.MkdirAll(c.Plot, 0o755); err != nil {
		return nil, err
	}
	p.trace = bench.NewTrace(env)
	for _, course := range p.trace.Courses {
		file := name + "-" + fileName(course.Channel.String())
		if course.Rate {
			file += fmt.Sprintf("-rate-%d", course.Rules[0]+1)
		}
		file = filepath.Join(c.Plot, file+".svg")
		if err := notThere(file, c.Force); err != nil {
			return nil, err
		}
		p.files = append(p.files, file)
	}
	return p, nil
}

// options are those of the replay.
func (p *pictures) options(j *job) []bench.Option {
	if p.trace == nil {
		return []bench.Option{j.ticking()}
	}
	return []bench.Option{j.ticking(), bench.Tracing(p.trace)}
}

// draw writes them.
func (p *pictures) draw(env *rules.Envelope, r *bench.Result) error {
	for i, file := range p.files {
		var b bytes.Buffer
		if err := chart.Course(&b, env, r, p.trace.Courses[i]); err != nil {
			return fmt.Errorf("draw %s: %w", file, err)
		}
		if err := writeNew(file, b.Bytes(), p.force); err != nil {
			return err
		}
	}
	return nil
}
