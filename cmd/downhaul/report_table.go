package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"

	"downhaul/interlock/after/report"
	"downhaul/rules"
)

// table writes channels of the sessions as one table.
func (c *reportCmd) table(ctx context.Context, s *streams) error {
	if c.CSV == "" || c.Channels == "" {
		return hint(errors.New("report: a table needs both its file and its channels"), "such as --csv wind.csv --channels wind.speed,wind.gust3s")
	}
	ids, err := report.Channels(c.Channels)
	if err != nil {
		return hint(fmt.Errorf("report: %w", err), "\"downhaul listen\" shows channels; so does every rule's watch")
	}
	if c.CSV == "-" {
		return c.writeTable(ctx, s, s.out, ids)
	}
	if err := notThere(c.CSV, c.Force); err != nil {
		return fmt.Errorf("report: %w", err)
	}
	return makeNew(c.CSV, c.Force, func(w io.Writer) error { return c.writeTable(ctx, s, w, ids) })
}

func (c *reportCmd) writeTable(ctx context.Context, s *streams, w io.Writer, ids []rules.ChannelID) error {
	show := c.progress(s)
	defer show.end()
	if _, err := io.WriteString(w, report.CSVHeader); err != nil {
		return err
	}
	for _, dir := range c.Sessions {
		opt := report.Options{Counting: show.read}
		write := func() ([]string, error) { return report.WriteCSV(ctx, w, dir, ids, opt) }
		if isRecording(dir) {
			write = func() ([]string, error) { return report.WriteAlone(ctx, w, dir, ids, c.alone, opt) }
		}
		never, err := write()
		show.done.Add(1)
		switch {
		case ctx.Err() != nil:
			return errors.New("report: interrupted")
		case err != nil:
			return hint(fmt.Errorf("report %s: %w", dir, err), "no table is left behind")
		case len(never) > 0:
			wrap(s.err, "downhaul: ", "    ", fmt.Sprintf("%s: never told: %s", dir, strings.Join(never, ", ")))
		}
	}
	return nil
}
