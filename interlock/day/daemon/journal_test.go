//go:build linux

package daemon

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"golang.org/x/sys/unix"
)

// The journal is told that a trip is an error, as sd-daemon(3) has it ("<3>" in front of the
// line), where standard output is the journal's by systemd.exec(5): JOURNAL_STREAM has its
// device and inode. Elsewhere no line has such a mark.
func TestJournalIsToldWhatIsUrgent(t *testing.T) {
	b := newTable(t, "watch", "")
	name := filepath.Join(b.dir, "journal")
	f, err := os.Create(name)
	must(t, err)
	defer f.Close()
	var st unix.Stat_t
	must(t, unix.Fstat(int(f.Fd()), &st))
	p := &process{b: b, cmd: exec.Command(binary, "--pad", b.pad()), done: make(chan error, 1)}
	p.cmd.Env = append(os.Environ(), fmt.Sprintf("JOURNAL_STREAM=%d:%d", st.Dev, st.Ino))
	p.cmd.Stdout = f
	p.launch()
	stop := b.stir()
	soon(t, "a trip", func() bool { return b.status().Trips > 0 })
	stop()
	must(t, p.cmd.Process.Signal(unix.SIGTERM), <-p.done)
	text, err := os.ReadFile(name)
	must(t, err)
	marked := 0
	for line := range strings.Lines(string(text)) {
		urgent := strings.Contains(line, "  TRIP ") || strings.Contains(line, "  part of trip ") || strings.Contains(line, "  FAULT:")
		if urgent {
			marked++
		}
		if urgent != strings.HasPrefix(line, "<3>downhauld: ") || !urgent && !strings.HasPrefix(line, "downhauld: ") && !strings.HasPrefix(line, "<4>downhauld: ") {
			t.Errorf("the priority of %q", line)
		}
	}
	if marked == 0 {
		t.Errorf("no trip was told:\n%s", text)
	}
}
