package pad

import (
	"strings"
	"time"

	"downhaul/interlock"
	"downhaul/rules"
	"downhaul/rules/document"
)

// Commission is when the proof tests of the pad's outputs and inputs are due.
type Commission struct {
	// Every is how long a passed test counts.
	Every time.Duration
	// Required reports whether no start is taken without tests in force. A rehearsal
	// on a virtual board may do without.
	Required bool
}

// Proof is whether a start asks for proved limits.
type Proof struct {
	// Required reports whether no start is taken before the limits were proved for
	// exactly these files.
	Required bool
}

// Upkeep is what watches over the guard's own process.
type Upkeep struct {
	// Device is the path of the computer's hardware watchdog, which resets a
	// board that hangs; empty for none. Timeout is what it is set to.
	Device  string
	Timeout time.Duration
	// RealTime asks for memory that is never paged out and for a thread that
	// no ordinary work holds up.
	RealTime bool
}

// Ours, from judgement, no source: a month in which a wire chafes through, and
// a reset that comes well before anybody has walked back to a hung board.
const (
	defaultEvery   = 30 * 24 * time.Hour
	longestEvery   = 400 * 24 * time.Hour
	defaultTimeout = 15 * time.Second
	// The kernel counts whole seconds, and the last words of a session must
	// fit in.
	shortestTimeout = 2 * time.Second
	longestTimeout  = 2 * time.Minute
	// Ten years; and from some days of telemetry to any disk there is.
	longestKeep         = 3650 * 24 * time.Hour
	leastKeep, mostKeep = 1000, 100_000_000
)

// upkeep reads [commission], [proof], [computer], [keep], [signing] and the device of
// [watchdog]. It comes after the board.
func (r *reading) upkeep() {
	t := r.root.Table("commission")
	r.Commission.Required = r.guards()
	r.Commission.Every = timeOr(t, "every", longestEvery, defaultEvery)
	desk := r.Board.Kind != GPIO
	if b, ok := t.Bool("required"); ok {
		t.FaultIf(!b && !desk, "required", "pins that reach a contactor are tested before a start", "take it out; only a virtual board goes without")
		r.Commission.Required = b && r.guards()
	}

	proved, _ := r.root.Table("proof").Bool("required")
	r.Proof.Required = proved && r.guards()

	r.Upkeep.RealTime = true
	c := r.root.Table("computer")
	if b, ok := c.Bool("real_time"); ok {
		c.FaultIf(!b && !desk && r.Duty == interlock.Guard, "real_time", "a guard of a real relay asks for it; where it is not permitted it only warns", "take it out; only a rehearsal goes without")
		r.Upkeep.RealTime = b
	}

	k := r.root.Table("keep")
	r.KeepAge, _ = timeAt(k, "age", longestKeep)
	megabytes, _ := k.Int("megabytes", leastKeep, mostKeep)
	r.KeepBytes = int64(megabytes) << 20

	r.SigningKey = wholePath(r.root.Table("signing"), "key_file", "/etc/downhaul/signing.key")

	w := r.root.Table("watchdog")
	r.Upkeep.Device, r.Upkeep.Timeout = wholePath(w, "device", "/dev/watchdog"), defaultTimeout
	if !w.Has("device") {
		w.Forbid("there is no device to set it on", `write device = "/dev/watchdog", or take it out`, "timeout")
		return
	}
	if d, ok := timeAt(w, "timeout", longestTimeout); ok {
		w.FaultIf(d < shortestTimeout || d%time.Second != 0, "timeout", "must be whole seconds from "+rules.FormatDuration(shortestTimeout)+" on", "write a time such as \"15 s\"")
		r.Upkeep.Timeout = d
	}
}

// wholePath is a path from the root, of which such is an example.
func wholePath(t *document.Table, key, such string) string {
	path, ok := t.Note(key)
	if ok && !strings.HasPrefix(path, "/") {
		t.Fault(key, "is no whole path", document.Quote(path), "write it from the root, such as "+such)
	}
	return path
}
