package main

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// A file of another kind than is wanted is named as what it is, by whatever command, and
// not as a wanted one in which everything is wrong.
func TestAFileOfAnotherKindIsNamed(t *testing.T) {
	const pad, limits, card = "testdata/sense/pad.toml", "testdata/sense/envelope.toml", "testdata/sense/card.toml"
	raw := filepath.Join(t.TempDir(), "raw.bin")
	// A heartbeat of MAVLink 1 (mavlink/rust-mavlink, mavlink/tests/test_shared/mod.rs).
	if err := os.WriteFile(raw, []byte("\xFE\x09\xEF\x01\x02\x00\x05\x00\x00\x00\x02\x03\x59\x03\x03\x1F\x50"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		want string
		args []string
	}{
		{pad + " is a pad file, and no envelope", []string{"replay", raw, "--envelope", pad}},
		{card + " is a test card, and no envelope", []string{"compare", raw, "--envelope", limits, "--envelope", card}},
		{card + " is a test card, and no envelope", []string{"sweep", raw, "--envelope", card, "--rule", "ceiling", "--from", "1 m", "--to", "2 m"}},
		{limits + " is an envelope, and no pad file", []string{"replay", raw, "--envelope", limits, "--pad", limits}},
		{card + " is a test card, and no envelope", []string{"prove", "--no-record", "--envelope", card}},
		{limits + " is an envelope, and no pad file", []string{"prove", "--no-record", "--envelope", limits, "--pad", limits}},
		{card + " is a test card, and no pad file", []string{"commission", "--pad", card}},
		{limits + " is an envelope, and no pad file", []string{"board", "--pad", limits}},
		{limits + " is an envelope, and no pad file", []string{"status", "--pad", limits}},
		{pad + " is a pad file, and no test card", []string{"tilt", "--card", pad, "--pad", card}},
		{card + " is a test card, and no pad file", []string{"rehearse", "--pad", card, "--auto"}},
	} {
		var out bytes.Buffer
		code := run(context.Background(), c.args, &streams{in: strings.NewReader(""), out: &out, err: &out})
		if text := strings.Join(strings.Fields(out.String()), " "); code != couldNot || !strings.Contains(text, c.want) || strings.Contains(text, "unknown key") {
			t.Errorf("%v: %d\n%.300s\nwant %s", c.args, code, text, c.want)
		}
	}
}

// What is to know of a pad is told once, however many envelopes are held against it.
func TestNotesOfThePadAreToldOnce(t *testing.T) {
	files := map[string]string{}
	for _, name := range senseFiles {
		b, err := os.ReadFile("testdata/sense/" + name + ".toml")
		if err != nil {
			t.Fatal(err)
		}
		files[name] = strings.Replace(string(b), `from    = "192.0.2.10"`, "", 1)
	}
	if out, _ := checkIn(t, files, senseFiles...); strings.Count(out, "Note: link wire: anybody on that network") != 1 {
		t.Errorf("told %d times", strings.Count(out, "Note: link wire: anybody on that network"))
	}
}

// Two files that were pasted into one are told as that, and not as a pad file too many.
func TestTwoFilesInOneAreToldAsThat(t *testing.T) {
	text := map[string]string{}
	for _, name := range senseFiles {
		b, err := os.ReadFile("testdata/sense/" + name + ".toml")
		if err != nil {
			t.Fatal(err)
		}
		text[name] = string(b)
	}
	for _, c := range []struct{ in, behind, want string }{
		{"envelope", "pad", "rule and permissive are of an envelope"}, {"card", "envelope", "motors, pack and step are of a test card"}, {"pad", "card", "are of a test card"},
	} {
		files := map[string]string{"pad": text["pad"], "envelope": text["envelope"]}
		files[c.in] = text[c.in] + "\n" + text[c.behind]
		names := []string{"pad", "envelope"}
		if c.in == "card" {
			names = append(names, "card")
		}
		out, code := checkIn(t, files, names...)
		if code != somethingWas || !strings.Contains(out, "two files in one: ") || !strings.Contains(out, c.want) || strings.Contains(out, "more than one pad file") || strings.Contains(out, "unknown key") {
			t.Errorf("%s behind %s: %d\n%.600s", c.behind, c.in, code, out)
		}
	}
}
