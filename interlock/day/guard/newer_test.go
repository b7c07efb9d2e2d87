package guard

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"downhaul/interlock/records/numbered"
	"downhaul/interlock/records/prooftest"
)

// A newer program's record may say that a test failed. After a downgrade it is not
// readable here, and what an older run passed must not count in its place.
func TestNewerProofTestRecordLetsNoOlderOneCount(t *testing.T) {
	dir := shortDir(t)
	files := commissionedFiles(t, dir)
	keepRecord(t, files, time.Now().Add(-time.Hour))
	newer, err := numbered.Encode(struct {
		Schema int `json:"schema"`
		Number int `json:"number"`
	}{prooftest.Schema + 1, 2})
	must(t, err)
	must(t, os.WriteFile(filepath.Join(prooftest.Folder(dir), "0002-2031-05-03T093000Z.json"), newer, 0o644))
	g := openLive(t, files)
	stop := running(t, g)
	defer stop()
	if due := dueIn(g.Status()); len(due) == 0 {
		t.Error("no test is due")
	}
	if said := strings.Join(g.Opening(), "\n"); !strings.Contains(said, "this software reads") {
		t.Errorf("nobody says why:\n%s", said)
	}
}
