package recording

import (
	"bytes"
	"slices"
	"strings"
	"testing"
	"time"
)

// numberedFrame puts the number into a frame of attitude or heartbeat and its sum right.
func numberedFrame(f []byte, seq byte) []byte {
	f = slices.Clone(f)
	at, seed := 2, byte(39)
	if f[0] == 0xFD {
		at, seed = 4, 50
	}
	f[at] = seq
	return sealed(f, seed)
}

// timesOf gives each frame's time as the chunks have it, by its number.
func timesOf(t *testing.T, text []byte) map[byte]time.Duration {
	t.Helper()
	r, err := OpenReader(bytes.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	out, joined, last := map[byte]time.Duration{}, []byte(nil), time.Duration(0)
	for c, err := r.Next(); err == nil; c, err = r.Next() {
		joined = append(joined, c.Bytes...)
		if c.At < last {
			t.Errorf("%v behind %v", c.At, last)
		}
		last = c.At
		for _, f := range c.Checked {
			out[f.Seq] = c.At
		}
	}
	if !bytes.Equal(joined, text) {
		t.Error("the chunks are not the bytes")
	}
	return out
}

// A heartbeat has no time of its own. Behind a silence of 16 s, with the frames lost in
// it missing by their numbers, it belongs behind the silence; in front of it, in front;
// with none lost, it came on its way between.
func TestRaw_WhatHasNoTimeGetsNoTimeThatItCannotHave(t *testing.T) {
	seconds := func(seq byte, text []byte) float64 { return timesOf(t, text)[seq].Seconds() }
	att := func(boot uint32, seq byte) []byte { return numberedFrame(attitude(1, boot), seq) }
	beat := func(seq byte) []byte { return numberedFrame(heartbeat(1, false), seq) }
	start := join(att(1000, 1), att(1100, 2))
	if got := seconds(203, join(start, beat(203), att(17_100, 204))); got < 16 {
		t.Errorf("a heartbeat behind 200 lost frames is at %v s, want just before 16.1", got)
	}
	if got := seconds(3, join(start, beat(3), att(17_100, 204))); got > 0.3 {
		t.Errorf("a heartbeat in front of 200 lost frames is at %v s, want just behind 0.1", got)
	}
	slow := start
	for i := range 3 {
		slow = join(slow, beat(byte(3+i)))
	}
	at := timesOf(t, join(slow, att(5100, 6), att(5200, 7)))
	for i, want := range []float64{1.1, 2.1, 3.1, 4.1} {
		if got := at[byte(3+i)].Seconds(); got != want {
			t.Errorf("heartbeat %d of a slow link at %v s, want %v", i, got, want)
		}
	}
	// A leap of more than a minute is believed at the second message: the first stands there too.
	at = timesOf(t, join(start, beat(3), att(101_000, 50), beat(51), att(101_100, 52)))
	if at[3].Seconds() > 3 || at[50].Seconds() != 100 || at[51] <= at[50] || at[51] > at[52] {
		t.Errorf("around a leap: %v", at)
	}
	// Another's frames say nothing of where the craft's came.
	if got := seconds(3, join(start, beat(3), numberedFrame(heartbeat(9, false), 77), att(17_100, 204))); got > 0.3 {
		t.Errorf("beside another sender: %v s", got)
	}
}

// A file with something before each frame is no link's bytes; noise between some is.
func TestRaw_StampedLogsAreRefused(t *testing.T) {
	var stamped, noisy []byte
	for i := range 40 {
		f := numberedFrame(attitude(1, uint32(1000+20*i)), byte(i))
		stamped = join(stamped, []byte{0, 5, 0x9A, 0x31, 7, byte(i >> 3), byte(i * 77), byte(i)}, f)
		noisy = join(noisy, f)
		if i%3 == 0 {
			noisy = append(noisy, "noise!!!"...)
		}
	}
	if _, err := OpenReader(bytes.NewReader(stamped)); err == nil || !strings.Contains(err.Error(), "8 other bytes") || !strings.Contains(err.Error(), "pcapng") {
		t.Errorf("stamped: %v", err)
	}
	if _, err := OpenReader(bytes.NewReader(noisy)); err != nil {
		t.Errorf("noisy: %v", err)
	}
}
