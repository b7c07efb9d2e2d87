package prove

import (
	"bufio"
	"bytes"
	"strings"
	"testing"

	"github.com/bluenviron/gomavlib/v3/pkg/frame"

	"downhaul/interlock"
	"downhaul/interlock/day/intake"
	"downhaul/rules"
)

// keepingDoor keeps what comes over the telemetry link.
type keepingDoor struct {
	door
	into *bytes.Buffer
	n    *int
}

func (k *keepingDoor) clone() door { return &keepingDoor{k.door.clone(), k.into, k.n} }

func (k *keepingDoor) Append(dst []interlock.Input, c *intake.Chunk) []interlock.Input {
	if c.Source == intake.Telemetry {
		k.into.Write(c.Bytes)
		*k.n++
	}
	return k.door.Append(dst, c)
}

// twenty is an envelope of twenty rules, of many forms and channels.
func twenty() []byte {
	parts := strings.Split(wide(), "[[rule]]")
	return []byte(strings.Join(parts[:21], "[[rule]]"))
}

// BenchmarkProve is the proof of twenty rules and of what is built in. The
// floor, in the same run, is the very frames of such a proof, read and decoded
// by the MAVLink library and nothing more.
func BenchmarkProve(b *testing.B) {
	var frames bytes.Buffer
	n := 0
	s := setupOf(b, twenty(), []byte(widePad))
	s.open = func(env *rules.Envelope, site interlock.Site, in intake.Config) (core, door, error) {
		c, d, err := openReal(env, site, in)
		return c, &keepingDoor{d, &frames, &n}, err
	}
	if r := report(b, s); !r.Pass || len(r.Rules) < 20 {
		b.Fatalf("%d rows: %v", len(r.Rules), faults(r))
	}
	b.Run("20rules", func(b *testing.B) {
		s := setupOf(b, twenty(), []byte(widePad))
		for b.Loop() {
			report(b, s)
		}
		b.ReportMetric(float64(n), "frames")
	})
	b.Run("floor", func(b *testing.B) {
		for b.Loop() {
			r := &frame.Reader{BufByteReader: bufio.NewReader(bytes.NewReader(frames.Bytes())), DialectRW: sums}
			if err := r.Initialize(); err != nil {
				b.Fatal(err)
			}
			got := 0
			for {
				if _, err := r.Read(); err != nil {
					break
				}
				got++
			}
			if got != n {
				b.Fatalf("%d of %d frames", got, n)
			}
		}
		b.ReportMetric(float64(n), "frames")
	})
}
