package main

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"downhaul/interlock/model/rehearsal"
	"downhaul/interlock/records/ledger"
)

// The list says each thing once, what is to be done last, and fits the screen.
func TestDefectListIsClear(t *testing.T) {
	dir := t.TempDir()
	link, err := rehearsal.FreePort()
	must(t, err)
	_, err = writeDemoFiles(dir, link)
	must(t, err)
	padFile := filepath.Join(dir, "pad.toml")
	p, err := readPad("a test", padFile)
	must(t, err)
	must(t, os.MkdirAll(p.LogFolder, 0o755))
	b, err := ledger.Read(p.LogFolder, "test")
	must(t, err)
	_, err = b.Took(time.Now(), "2031-05-04T10-00-00Z-s0007", 83456*time.Millisecond, "POWER NOT REMOVED: use the hard-wired stop", "live")
	must(t, err)
	defect := func(args ...string) string {
		t.Helper()
		var text, told bytes.Buffer
		run(context.Background(), append([]string{"defect"}, args...), &streams{strings.NewReader(""), &text, &told})
		for _, line := range strings.Split(text.String(), "\n") {
			if utf8.RuneCountInString(line) > columns {
				t.Errorf("%d columns: %s", utf8.RuneCountInString(line), line)
			}
		}
		return strings.Join(strings.Fields(text.String()), " ")
	}
	long := "hum from arm 3, worse when the packs are warm; looks like a bearing that runs dry"
	defect("--pad", padFile, long)
	out := defect("close", "--pad", padFile, "1", "new contactor", "AB")
	for _, want := range []string{"On record: what was done about number 1: new contactor.", "mended: new contactor (AB, ", "HOLDS THE START BACK: test it again (downhaul commission",
		"HOLDS THE START BACK: close it (downhaul defect close 2 WHAT INITIALS) or watch it"} {
		if !strings.Contains(out, want) {
			t.Errorf("%q is not in: %s", want, out)
		}
	}
	if list := defect("list", "--pad", padFile); strings.Contains(list, "On record:") || strings.Contains(list, "3. list") {
		t.Errorf("\"list\" is taken for a defect: %s", list)
	}
	for _, once := range []string{long, "power was not removed"} {
		if strings.Count(out, once) != 1 {
			t.Errorf("%q is told %d times: %s", once, strings.Count(out, once), out)
		}
	}
}
