package report

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/before/bench"
	"downhaul/interlock/day/intake"
	"downhaul/interlock/limits"
	"downhaul/rules"
)

// Channels finds the channels of a list of names parted by commas.
func Channels(names string) ([]rules.ChannelID, error) {
	var out []rules.ChannelID
	var unknown []string
	for _, name := range strings.Split(names, ",") {
		name = strings.TrimSpace(name)
		if name == "" {
			continue
		}
		c, ok := rules.Lookup(name)
		switch {
		case !ok:
			unknown = append(unknown, strconv.Quote(name))
		case c.ID == rules.LinkAge:
			return nil, errors.New("link.age is no series: it grows with time by itself, from every frame on")
		default:
			out = append(out, c.ID)
		}
	}
	switch {
	case len(unknown) > 0:
		return nil, fmt.Errorf("no such channel: %s", list(unknown))
	case len(out) == 0:
		return nil, errors.New("no channel named")
	}
	return out, nil
}

// CSVHeader is the first line of a table.
const CSVHeader = "session,engine_s,utc,channel,value,unit,quality,cause\n"

// WriteCSV writes every value of the channels of a session in order, one a line,
// at the rate at which they came: engine time, the wall clock's start plus that,
// SI. A missing value has no number but its cause. It gives the channels that
// never came.
func WriteCSV(ctx context.Context, w io.Writer, dir string, ids []rules.ChannelID, opt Options) (never []string, err error) {
	r, err := openRecorded(ctx, dir, opt)
	if err != nil {
		return nil, err
	}
	return r.writeCSV(w, ids)
}

// Follow calls take for every reading of the channels of a session in order of time, as
// the guard's own intake and calculators give them.
func Follow(ctx context.Context, dir string, ids []rules.ChannelID, opt Options, take func(id rules.ChannelID, at time.Duration, v limits.Reading)) error {
	r, err := openRecorded(ctx, dir, opt)
	if err == nil {
		_, err = r.follow(ids, take)
	}
	return err
}

// openRecorded opens a session that has a recording.
func openRecorded(ctx context.Context, dir string, opt Options) (*reading, error) {
	r, err := open(ctx, dir, opt)
	if err != nil {
		return nil, err
	}
	r.files()
	r.readLog()
	if r.recording(); len(r.parts) == 0 {
		return nil, errors.New(strings.Join(r.out.Doubts, "; "))
	}
	return r, nil
}

// WriteAlone is WriteCSV for a recording that is no session, with files that belong to it.
func WriteAlone(ctx context.Context, w io.Writer, name string, ids []rules.ChannelID, files Files, opt Options) (never []string, err error) {
	r, err := openAlone(ctx, name, files, opt)
	if err != nil {
		return nil, err
	}
	return r.writeCSV(w, ids)
}

func (r *reading) writeCSV(w io.Writer, ids []rules.ChannelID) (never []string, err error) {
	out := bufio.NewWriterSize(w, 1<<16)
	var row []byte
	never, err = r.follow(ids, func(id rules.ChannelID, at time.Duration, v limits.Reading) {
		row = append(append(row[:0], r.out.Session...), ',')
		row = append(strconv.AppendFloat(row, at.Seconds(), 'f', 9, 64), ',')
		if !r.out.Began.IsZero() { // raw bytes do not tell it
			row = r.out.Began.Add(at).UTC().AppendFormat(row, "2006-01-02T15:04:05.000000Z")
		}
		row = append(row, ',')
		row = append(append(row, id.String()...), ',')
		if v.Quality != rules.Missing {
			row = strconv.AppendFloat(row, v.Value, 'g', -1, 64)
		}
		row = append(append(append(row, ','), rules.SIUnit(id.Channel().Kind)...), ',')
		row = append(append(append(row, qualityName[v.Quality]...), ','), v.Cause.String()...)
		_, _ = out.Write(append(row, '\n')) // Flush tells
	})
	if wrong := out.Flush(); wrong != nil {
		return nil, errors.Join(err, fmt.Errorf("session %s: %w", r.out.Session, wrong))
	}
	return never, err
}

// follow calls take for every reading of the channels, and returns those that never came.
func (r *reading) follow(ids []rules.ChannelID, take func(id rules.ChannelID, at time.Duration, v limits.Reading)) (never []string, err error) {
	ch := &channels{}
	came := map[rules.ChannelID]*bool{}
	for _, id := range ids {
		if came[id] != nil {
			continue // named twice
		}
		seen := new(bool)
		came[id] = seen
		ch.watch(id, sinkFunc(func(at time.Duration, v limits.Reading) {
			*seen = true
			take(id, at, v)
		}))
	}
	_, err = r.replay(bench.Seeing(ch.wants, func(_ *intake.Chunk, _ []interlock.Input, told []bench.Told) { ch.take(told) }))
	if err != nil {
		return nil, fmt.Errorf("session %s: %w", r.out.Session, err)
	}
	for _, id := range ids {
		if !*came[id] {
			never = append(never, id.String())
		}
	}
	return never, nil
}

// qualityName is the quality in a table.
var qualityName = map[rules.Quality]string{rules.Good: "good", rules.Doubtful: "doubtful", rules.Missing: "missing"}
