package guard

import (
	"encoding/hex"
	"slices"
	"strings"
	"testing"
	"time"

	"downhaul/interlock/records/limitproof"
	"downhaul/interlock/records/numbered"
)

// A pad that asks for it takes no start before its limits were proved for
// exactly these files under this software; the newest proof counts. The engine
// is told by the host, so that the session replays.
func TestUnprovedLimitsRefuseAStart(t *testing.T) {
	t.Parallel()
	dir := shortDir(t)
	files := liveFiles(t, dir)
	files.Pad.Text = append(files.Pad.Text, "\n[proof]\nrequired = true\n"...)
	files.Envelope.Text = append(files.Envelope.Text, "\n[[rule]]\nname = \"apex\"\nwatch = \"craft.apex\"\nabove = \"30 m\"\nstop = \"immediate\"\n"...)
	c, faults := files.Check()
	must(t, faults.Err())
	keep := func(passed bool, change func(*limitproof.Record)) {
		t.Helper()
		r := &limitproof.Record{Schema: limitproof.Schema, Made: time.Date(2031, 5, 3, 9, 0, 0, 0, time.UTC), Software: "test", Passed: passed,
			NotProven: []string{}, Report: []byte("{}"), ReactionS: c.Pad.Height.Reaction.Seconds(), // a rehearsal's is the file's
			Envelope: limitproof.File{SHA256: hex.EncodeToString(c.Envelope.Hash[:])}, Pad: limitproof.File{SHA256: hex.EncodeToString(c.Pad.Hash[:])}}
		if change != nil {
			change(r)
		}
		_, err := numbered.Write(limitproof.Folder(c.Pad.LogFolder), r.Made, &r.Number, r)
		must(t, err)
	}
	const unproved = "the limits were not proved for exactly these files"
	wants := func(want string) {
		t.Helper()
		g := openLive(t, files)
		stop := running(t, g)
		soon(t, "taken the first turn", func() bool { return g.Status().Loop.Turns > 0 })
		find := func(lines []string) bool {
			return slices.ContainsFunc(lines, func(s string) bool { return strings.Contains(s, "the limits") && strings.Contains(s, want) })
		}
		if want != "" {
			soon(t, want, func() bool { return find(g.Status().NotReady) })
			if !find(g.Opening()) {
				t.Errorf("the opening does not say %q: %q", want, g.Opening())
			}
		} else if find(g.Status().NotReady) {
			t.Errorf("proved, and yet %q", g.Status().NotReady)
		}
		replayEqual(t, g, stop)
	}
	wants(unproved)
	// Neither another envelope's proof counts, nor another pad's.
	keep(true, func(r *limitproof.Record) { r.Envelope.SHA256 = r.Pad.SHA256 })
	keep(true, func(r *limitproof.Record) { r.Pad.SHA256 = r.Envelope.SHA256 })
	wants(unproved)
	keep(true, func(r *limitproof.Record) { r.Software = "downhaul 0123456789ab" })
	wants("another version of this software")
	keep(true, nil)
	wants("")
	keep(false, nil)
	wants("failed 2031-05-03")
	keep(true, nil)
	wants("")
	keep(true, func(r *limitproof.Record) { r.ReactionS += 0.1 })
	wants("for a stop in which the thrust is gone")
}
