package main

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"testing"
	"time"

	"downhaul/interlock/after/report"
	"downhaul/interlock/model/rehearsal"
	"downhaul/interlock/records/recording"
	"downhaul/interlock/records/session"
)

// BenchmarkReport reports an hour of some 400 frames a second with pins, load
// cell and anemometer beside, page and all, beside the floor: a bare pass of the
// recording's reader over the same bytes.
func BenchmarkReport(b *testing.B) {
	dir := b.TempDir()
	link, err := rehearsal.FreePort()
	if err != nil {
		b.Fatal(err)
	}
	if err := hoverFiles(dir, link); err != nil {
		b.Fatal(err)
	}
	const ms = time.Millisecond
	flown, err := hoverDay(dir, link, hovering{ballast: "12", seed: 1, stands: time.Hour - 2*time.Minute, periods: map[uint32]time.Duration{
		30: 8 * ms, 32: 15 * ms, 33: 20 * ms, 36: 15 * ms, 291: 40 * ms, 74: 50 * ms, 147: 200 * ms}})
	if err != nil {
		b.Fatal(err)
	}
	ses, err := session.Open(flown)
	if err != nil {
		b.Fatal(err)
	}
	parts, err := recording.Parts(ses.Dir)
	if err != nil {
		b.Fatal(err)
	}
	size := folderSize(flown)
	b.Run("report", func(b *testing.B) {
		b.SetBytes(size)
		for b.Loop() {
			s, err := report.Read(b.Context(), flown, report.Options{})
			if err != nil {
				b.Fatal(err)
			}
			r := report.Of(time.Unix(0, 0), "bench", []*report.Session{s}, nil, report.Asked{})
			if err := r.WritePage(io.Discard); err != nil {
				b.Fatal(err)
			}
			b.ReportMetric(float64(s.Link.Frames)/s.Lasted.Value, "frames/s-heard")
			b.ReportMetric(s.Lasted.Value, "s-recorded")
		}
	})
	b.Run("bare", func(b *testing.B) {
		b.SetBytes(size)
		for b.Loop() {
			rec, err := recording.OpenParts(parts)
			if err != nil {
				b.Fatal(err)
			}
			for err == nil {
				_, err = rec.Next()
			}
			_ = rec.Close()
			if !errors.Is(err, io.EOF) {
				b.Fatal(err)
			}
		}
	})
	_ = os.Remove(filepath.Join(dir, "board.sock"))
}
