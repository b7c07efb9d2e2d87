package guard

import (
	"encoding/hex"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"downhaul/hw/localsocket"
	"downhaul/interlock/before/bench"
	"downhaul/interlock/model/craftmodel"
	"downhaul/interlock/records/ledger"
	"downhaul/interlock/records/numbered"
	"downhaul/interlock/records/prooftest"
	"downhaul/interlock/records/session"
)

// waits brings a guard to where only the ledger may still hold it back.
func waits(t *testing.T, files Files) *flight {
	t.Helper()
	f := onPad(t, files, craftmodel.EightTwo())
	f.run(2 * time.Second)
	f.press("reset")
	f.run(11 * time.Second)
	return f
}

// because wants the guard not to be ready for just these reasons.
func because(t *testing.T, g *Guard, want ...string) {
	t.Helper()
	s := g.Status()
	ok := s.State != "ready"
	for _, w := range want {
		ok = ok && slices.ContainsFunc(s.NotReady, func(why string) bool { return strings.Contains(why, w) })
	}
	if !ok {
		t.Errorf("%s, not ready because %q, want %q", s.State, s.NotReady, want)
	}
}

// tested puts a run of commissioning on record in which the chain passed.
func tested(t *testing.T, g *Guard, dir string, entry int) {
	t.Helper()
	r := prooftest.Record{Schema: prooftest.Schema, Ledger: entry, Made: time.Now().AddDate(-1, 0, 0), // a clock that is wrong
		Pad: prooftest.PadFile{SHA256: hex.EncodeToString(g.pad.Hash[:])}, Board: prooftest.BoardID{Machine: prooftest.Machine(g.pad)}}
	for _, test := range []prooftest.Test{prooftest.Chain, prooftest.Rotors} {
		r.Tests = append(r.Tests, prooftest.Result{Test: test, Outcome: prooftest.Passed, At: r.Made})
	}
	_, err := numbered.Write(prooftest.Folder(dir), r.Made, &r.Number, &r)
	must(t, err)
}

// After power was not removed no reset leads to ready: not in this session, nor in
// the next, nor where the guard died before it could write the ledger, until the
// chain was tested again behind the fault on record and somebody wrote what was
// mended.
//
//fault:row power was not removed, and the crew resets and starts | not ready until the chain was tested again and what was mended is on record
//fault:row the power is cut between a fault of the chain and its entry in the ledger | the next start takes it over from the trip log, and is held back
func TestNoStartAfterAFaultOfTheChain(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	files := testFiles(t, dir, "flight.toml")
	f := takeOff(t, craftmodel.EightTwo(), files)
	must(t, f.board.Break("weld"))
	f.press("end")
	f.until("fault")
	must(t, f.board.Mend("weld"))
	f.run(12 * time.Second)
	f.press("reset")
	f.run(11 * time.Second)
	because(t, f.guard, "of the chain, power was not removed", "downhaul commission --only chain --only rotors")
	f.press("start")
	f.run(5 * time.Second)
	if f.guard.Status().Closed {
		t.Fatal("the relay closed again after the fault")
	}
	must(t, f.guard.Finish(f.now))
	s, err := session.Open(f.guard.Folder())
	must(t, err)
	r, err := bench.ReplaySession(s)
	must(t, err)
	if !r.Equal.Claimed || !r.Equal.Holds {
		t.Errorf("%s\nlive   %s\nreplay %s", r.Equal.Says(), r.Equal.Log, r.Equal.Here)
	}

	// Tested before the fault on record: that counts for nothing, whatever its date.
	tested(t, f.guard, dir, 0)
	must(t, os.RemoveAll(ledger.Folder(dir)))
	f = waits(t, files)
	because(t, f.guard, "fault 1 of the chain, power was not removed")
	must(t, f.guard.Finish(f.now))

	tested(t, f.guard, dir, 1)
	f = waits(t, files)
	because(t, f.guard, "note what was mended (downhaul defect close 1")
	reply := f.guard.answer([]byte(`{"do":"ledger","ledger":{"act":"close","of":1,"text":"new contactor","initials":"AB"}}`), localsocket.Peer{})
	if !reply.OK || reply.Ledger == nil || len(reply.Ledger.Items) != 1 {
		t.Fatalf("closing answers %+v", reply)
	}
	f.until("ready")
	must(t, f.guard.Finish(f.now))
}

// A defect holds the next start back from the moment it is noted, takes no power
// off, and lets the start go once it is closed or watched.
func TestDefectHoldsTheNextStartBack(t *testing.T) {
	dir := t.TempDir()
	files := testFiles(t, dir, "flight.toml")
	f := takeOff(t, craftmodel.EightTwo(), files)
	ask := func(line string) {
		t.Helper()
		if reply := f.guard.answer([]byte(line), localsocket.Peer{}); !reply.OK {
			t.Fatalf("%s: %s", line, reply.Error)
		}
		f.run(time.Second)
	}
	ask(`{"do":"ledger","ledger":{"act":"note","text":"hum from arm 3"}}`)
	if s := f.guard.Status(); s.State != "live" {
		t.Fatalf("a defect noted while live led to %s", s.State)
	}
	f.press("end")
	f.until("blocked")
	because(t, f.guard, "defect 1, hum from arm 3: close it (downhaul defect close 1")
	ask(`{"do":"ledger","ledger":{"act":"watch","of":1,"text":"only at idle","initials":"AB","lasts_s":86400}}`)
	f.press("reset")
	f.until("ready")
	ask(`{"do":"ledger","ledger":{"act":"note","text":"crack in blade 2"}}`)
	because(t, f.guard, "defect 3, crack in blade 2")
	must(t, f.guard.Finish(f.now))

	f = waits(t, files)
	because(t, f.guard, "defect 3, crack in blade 2")
	ask(`{"do":"ledger","ledger":{"act":"close","of":3,"text":"new blade","initials":"AB"}}`)
	f.until("ready")
	must(t, f.guard.Finish(f.now))
}
