package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"sync/atomic"

	"downhaul/interlock/before/bench"
	"downhaul/interlock/pad"
	"downhaul/interlock/records/plain"
	"downhaul/interlock/records/recording"
	"downhaul/interlock/records/session"
	"downhaul/interlock/sense"
	"downhaul/rules"
)

// readAs reads one of the three files for a command.
func readAs[T any](command, file string, want kind, read func(name string, text []byte) (T, rules.Faults)) (T, error) {
	got, _, err := readText(command, file, want, read)
	return got, err
}

// readText is readAs for who needs the file's text as well.
func readText[T any](command, file string, want kind, read func(name string, text []byte) (T, rules.Faults)) (got T, from sense.Source, err error) {
	text, err := plain.Read(file, plain.Setup)
	if err == nil {
		err = otherKind(file, text, want)
	}
	from = sense.Source{Name: file, Text: text}
	switch {
	case errors.Is(err, fs.ErrNotExist) && want == isEnvelope:
		return got, from, hint(fmt.Errorf("%s: %w", command, err), `"downhaul new DIR" writes an envelope to begin with`)
	case err != nil:
		return got, from, fmt.Errorf("%s: %w", command, err)
	}
	got, faults := read(file, text)
	return got, from, hint(faults.Err(), `"downhaul check" says more`)
}

func readEnvelope(command, file string) (*rules.Envelope, error) {
	return readAs(command, file, isEnvelope, rules.ReadEnvelope)
}

// readPad reads a pad file; nil without one.
func readPad(command, file string) (*pad.Pad, error) {
	if file == "" {
		return nil, nil
	}
	return readAs(command, file, isPad, pad.Read)
}

// source is one recording as named on the command line.
type source struct {
	name  string
	parts []string
	ses   *session.Session // of a session folder
	size  int64
	how   []recording.Option
}

// toPort takes of a capture only what went to that UDP port; 0 takes all. It looks the
// capture through once, for every time that it is opened.
func (src *source) toPort(port uint16) {
	if port > 0 {
		src.how = []recording.Option{recording.OnlyPort(port)}
	}
	if len(src.parts) == 1 {
		src.how = append(src.how, recording.LookedThrough(src.parts[0], src.how...))
	}
}

func openSource(name string) (*source, error) {
	info, err := os.Stat(name)
	if err != nil {
		return nil, err
	}
	src := &source{name: name, parts: []string{name}, size: info.Size()}
	if !info.IsDir() {
		return src, nil
	}
	if src.ses, err = session.Open(name); err != nil {
		return nil, hint(fmt.Errorf("%s: %w", name, err), "name a session folder, or a recording")
	}
	if src.parts, err = recording.Parts(src.ses.Dir); err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	if len(src.parts) == 0 {
		return nil, fmt.Errorf("%s: the session holds no recording", name)
	}
	src.size = 0
	for _, part := range src.parts {
		if info, err := os.Stat(part); err == nil {
			src.size += info.Size()
		}
	}
	return src, nil
}

// setup is the recording's way into an envelope as if a guard had been watching:
// with the pad file p, else a session's own, else what the recording shows.
func (src *source) setup(env *rules.Envelope, p *pad.Pad) (bench.Setup, []string, error) {
	if src.how == nil {
		src.toPort(0)
	}
	if p == nil && src.ses != nil {
		text, err := src.ses.Text(session.Pad)
		if err != nil {
			return bench.Setup{}, nil, err
		}
		got, faults := pad.Read(filepath.Join(src.name, session.Pad), text)
		if len(faults) > 0 {
			return bench.Setup{}, nil, faults
		}
		p = got
	}
	return bench.Watching(src.parts, env, p, src.how...)
}

// job is one recording on its way, for the function that works on it.
type job struct {
	*source
	ctx  context.Context
	show *progress
}

// open opens the recording; what is read of it is shown as progress.
func (j *job) open() (*recording.Reader, error) {
	return recording.OpenParts(j.parts, append(slices.Clone(j.how), recording.PastDamage(), recording.Counting(j.show.read))...)
}

// against opens the recording, has do go through it with the setup that belongs
// to it under that envelope, and gives what there is to say of the setup.
func (j *job) against(env *rules.Envelope, p *pad.Pad, do func(rec *recording.Reader, setup bench.Setup) error) (notes []string, err error) {
	setup, notes, err := j.setup(env, p)
	if err != nil {
		return nil, err
	}
	rec, err := j.open()
	if err != nil {
		return nil, err
	}
	defer rec.Close()
	return notes, do(rec, setup)
}

// ticking lets an interrupt end the work.
func (j *job) ticking() bench.Option { return bench.Ticking(j.ctx.Err) }

// failure is a recording that could not be gone through.
type failure struct {
	File  string `json:"file"`
	Error string `json:"error"`
}

// eachRecording has do work on every recording, on all cores at once, and gives
// the results in the order of the names. One that fails leaves the others
// alone: it is listed in failed, and err says all of them.
func eachRecording[T any](ctx context.Context, s *streams, command string, names []string, do func(j *job) (T, error)) (results []T, failed []failure, err error) {
	show := newProgress(s.err, command, len(names))
	defer show.end()
	sources := make([]*source, len(names))
	errs := make([]error, len(names))
	for i, name := range names {
		if sources[i], errs[i] = openSource(name); errs[i] == nil {
			show.total += sources[i].size
		}
	}
	show.begin()
	made := make([]T, len(names))
	var next atomic.Int64
	var workers sync.WaitGroup
	for range min(runtime.GOMAXPROCS(0), len(names)) {
		workers.Go(func() {
			for {
				i := int(next.Add(1)) - 1
				if i >= len(names) {
					return
				}
				if errs[i] == nil {
					made[i], errs[i] = do(&job{sources[i], ctx, show})
				}
				show.done.Add(1)
			}
		})
	}
	workers.Wait()
	if ctx.Err() != nil {
		return nil, nil, fmt.Errorf("%s: interrupted", command)
	}
	failed = []failure{}
	var bad []error
	for i, e := range errs {
		if e == nil {
			results = append(results, made[i])
			continue
		}
		failed = append(failed, failure{names[i], e.Error()})
		bad = append(bad, e)
	}
	for i, e := range bad {
		bad[i] = prefixed(command, failed[i].File, e)
	}
	return results, failed, errors.Join(bad...)
}

// prefixed adds which command and recording an error is about; it keeps the
// error's hint.
func prefixed(command, file string, err error) error {
	if faults := (rules.Faults)(nil); errors.As(err, &faults) {
		return err // they name their file themselves
	}
	if strings.Contains(err.Error(), file) {
		return fmt.Errorf("%s: %w", command, err)
	}
	return fmt.Errorf("%s %s: %w", command, file, err)
}
