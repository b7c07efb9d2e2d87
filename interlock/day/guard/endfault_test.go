//go:build linux

package guard

import (
	"os"
	"strings"
	"testing"
	"time"

	"downhaul/hw/virtual"
	"downhaul/interlock"
	"downhaul/interlock/records/ledger"
	"downhaul/interlock/records/prooftest"
	"downhaul/interlock/records/session"
)

// The loop has turned for the last time when the contactor is looked at once more: one
// that is not seen open then is a fault on record, and the next start comes up by it,
// though the contactor has let go since.
//
//fault:row the contactor is not seen open when the guard ends, which is killed before it has written its ledger | the next start takes the fault over from the trip log
//fault:row the contactor is not seen open when the guard ends | the session ends in a fault, and the next one comes up in it
func TestPromise06_NotSeenOpenAtTheEndIsAFault(t *testing.T) {
	dir := shortDir(t)
	files := liveFiles(t, dir)
	g := openLive(t, files)
	must(t, g.Board().(*virtual.Board).Break("weld"), g.Abandon())
	if g.VerifiedOpen() {
		t.Fatal("a welded contactor was seen open: the test proves nothing")
	}
	if e := ending(t, g.Folder()); e.How != session.InFault || !strings.Contains(tripText(t, g.Folder()), "not seen open") {
		t.Errorf("the session counts as %+v", e)
	}
	book, err := ledger.Read(dir, "test")
	must(t, err)
	items, _ := book.Items(time.Now(), func(prooftest.Test, int) bool { return false })
	if len(items) != 1 || !strings.Contains(strings.Join(ledger.Holding(items), ""), "power was not removed") {
		t.Errorf("the ledger holds %+v", items)
	}
	// Killed between the end on record and the ledger, the next start takes it over.
	must(t, os.RemoveAll(ledger.Folder(dir)))
	g = openLive(t, files)
	book, err = ledger.Read(dir, "test")
	must(t, err)
	if again, _ := book.Items(time.Now(), func(prooftest.Test, int) bool { return false }); len(again) != 1 || again[0].Text != items[0].Text || again[0].AtS != items[0].AtS {
		t.Errorf("the ledger holds %+v, want %+v", again, items)
	}
	stop := running(t, g)
	if s := g.Status(); s.State != interlock.Fault.String() {
		t.Errorf("the next came up %s", s.State)
	}
	must(t, stop())
}
