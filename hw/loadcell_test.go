package hw

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// steps is a converter that answers each call after a time, with a count or an
// error; after the last it is stuck.
type steps struct {
	of   []step
	done int
}

type step struct {
	after time.Duration
	value int32
	err   error
}

func (s *steps) next() (int32, error) {
	if s.done == len(s.of) {
		time.Sleep(time.Hour)
		return 0, errors.New("stuck")
	}
	now := s.of[s.done]
	s.done++
	time.Sleep(now.after)
	return now.value, now.err
}

func (s *steps) close() error { return nil }

func TestAConversionThatDoesNotComeIsAFailedCount(t *testing.T) {
	const ms = time.Millisecond
	synctest.Test(t, func(t *testing.T) {
		began := time.Now()
		ctx, stop := context.WithCancel(t.Context())
		var got []Count
		ended := make(chan struct{})
		go func() {
			defer close(ended)
			r := &steps{of: []step{{10 * ms, 7, nil}, {10 * ms, -8, nil}, {0, 99, errors.New("no answer")}, {60 * ms, 9, nil}}}
			pumpCounts(ctx, func() time.Duration { return time.Since(began) }, 100, r, func(c Count) { got = append(got, c) })
		}()
		time.Sleep(128 * ms)
		stop()
		<-ended
		want := []Count{
			{7, 10 * ms, false}, {-8, 20 * ms, false},
			{0, 20 * ms, true},                     // the error, whose value counts for nothing
			{0, 45 * ms, true}, {0, 55 * ms, true}, // nothing for 2.5 periods, and a period more
			{0, 65 * ms, true}, {0, 75 * ms, true}, {0, 85 * ms, true},
			{9, 90 * ms, false},
			{0, 115 * ms, true}, {0, 125 * ms, true}, // stuck
		}
		if len(got) != len(want) {
			t.Fatalf("got  %v\nwant %v", got, want)
		}
		for i := range want {
			if got[i] != want[i] {
				t.Errorf("count %d: got %v, want %v", i, got[i], want[i])
			}
		}
		time.Sleep(2 * time.Hour) // the stuck reader comes back, and goes
	})
}

func TestReadsOneChannelOfIndustrialIO(t *testing.T) {
	dir := t.TempDir()
	raw := filepath.Join(dir, "in_voltage0_raw")
	write := func(name, text string) {
		t.Helper()
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := openIIO(raw, 80); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a channel that is not there: %v", err)
	}
	write("in_voltage0_raw", "-8421\n")
	write("name", "nau7802\n")
	r, err := openIIO(raw, 1000)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = r.close() }()
	for _, c := range []struct {
		text string
		want int32
		bad  bool
	}{{"-8421\n", -8421, false}, {"0\n", 0, false}, {"8388607\n", 8388607, false}, {"2147483647\n", 1<<31 - 1, false}, {"2147483648\n", 0, true}, {"", 0, true}, {"1.5\n", 0, true}, {"12 34\n", 0, true}} {
		write("in_voltage0_raw", c.text)
		v, err := r.next()
		if v != c.want || (err != nil) != c.bad {
			t.Errorf("%q: got %d, %v", c.text, v, err)
		}
	}
	if _, err := openIIO(raw, 80); err == nil || !strings.Contains(err.Error(), "want a whole number") {
		t.Errorf("a file that is no channel was opened: %v", err)
	}
}

// That kernel driver gives no load near 2^23 (linux, drivers/iio/adc/hx711.c);
// taken as it is, half of all loads would read as the end of the range.
func TestOffsetBinaryIsTurnedIntoTwosComplement(t *testing.T) {
	dir := t.TempDir()
	raw := filepath.Join(dir, "in_voltage0_raw")
	for _, f := range [][2]string{{"name", "hx711\n"}, {"in_voltage0_raw", "8388608\n"}} {
		if err := os.WriteFile(filepath.Join(dir, f[0]), []byte(f[1]), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	r, err := openIIO(raw, 80)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = r.close() }()
	for text, want := range map[string]int32{"8388608": 0, "0": -1 << 23, "16777215": 1<<23 - 1, "8388607": -1} {
		if err := os.WriteFile(raw, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if v, err := r.read(); v != want || err != nil {
			t.Errorf("%s: got %d, %v, want %d", text, v, err, want)
		}
	}
}

// A device or a folder in the converter's place is refused before it is opened:
// some act on being opened, and a pipe waits.
func TestLoadCellFileMustBeRegular(t *testing.T) {
	for _, name := range []string{"/dev/zero", t.TempDir()} {
		if r, err := openIIO(name, 80); err == nil || r != nil || !strings.Contains(err.Error(), "no regular file") {
			t.Errorf("%s: %v", name, err)
		}
	}
}
