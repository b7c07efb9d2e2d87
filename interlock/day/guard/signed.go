package guard

import (
	"context"
	"net/netip"
	"path/filepath"
	"time"

	"downhaul/interlock/day/intake"
	"downhaul/interlock/day/telemetry"
	"downhaul/interlock/day/telemetry/signing"
)

// Frames of a craft that signs come through a door. What passed is kept beside the sessions,
// so that it does not pass again after a restart: every seenEvery while it changes, and then
// seenAhead into the future, for a process that is killed keeps nothing.
const (
	seenEvery = 10 * time.Second
	seenAhead = 15 * time.Second
)

// Whose is whose word a chunk of a link is.
type Whose uint8

// Nobody's word is not taken. The craft's is; a stranger's, which cannot be the
// craft's, is for the record and the counts.
const (
	Nobody Whose = iota
	Craft
	Stranger
)

// doorway is the door and what goes with it.
type doorway struct {
	door *signing.Door
	from [intake.MaxLinks]netip.AddrPort // where each link last had a frame of the craft from
	room []byte                          // what passed of the last chunk

	file   string
	passed signing.Passed // of the last picture; whoever keeps it
}

// openDoor reads the key and what passed before; nil where the pad has no key.
func (g *Guard) openDoor(wall time.Time) error {
	if g.pad.SigningKey == "" {
		return nil
	}
	key, err := signing.ReadKey(g.pad.SigningKey)
	if err != nil {
		return err
	}
	d := &doorway{file: filepath.Join(g.pad.LogFolder, "signing", "seen.json")}
	seen, err := signing.ReadSeen(d.file)
	if err != nil {
		return err
	}
	d.door = signing.NewDoor(key, g.pad.Craft.System, g.pad.Craft.Component, len(g.pad.Links), wall, seen)
	// Where this cannot be kept a restart would forget: better told now.
	g.doorway = d
	d.door.CopyTo(&d.passed)
	return d.keep(seenAhead)
}

// whose returns whose word a chunk of a link is: through the door where there is one. What cannot
// be the craft's, by the address that the pad file names or by the key, goes a way
// of its own, where however much of it displaces no word of the craft, and does not
// reach the door: a signed frame passes once, and copies would use it up. One goroutine.
func (g *Guard) whose(c *intake.Chunk) Whose {
	from := &g.pad.Links[c.Link]
	if c.From.IsValid() && !from.Hears(c.From) {
		return Stranger
	}
	d := g.doorway
	if d == nil {
		return Craft
	}
	room := d.room[:0]
	if at := g.now(); c.From.IsValid() {
		room = d.door.Datagram(room, at, c.Bytes)
	} else {
		room = d.door.Stream(room, at, c.Link, c.Bytes)
	}
	if d.room = room; len(room) == 0 {
		return Nobody
	}
	c.Bytes = room
	switch {
	case !c.From.IsValid() || from.From.IsValid():
	case g.ofCraft(room):
		d.from[c.Link] = c.From
	case c.From != d.from[c.Link]:
		return Stranger
	}
	return Craft
}

// ofCraft reports whether a frame that the craft signed is in these bytes, which
// passed the door: it lets RADIO_STATUS through unsigned.
func (g *Guard) ofCraft(b []byte) bool {
	var s telemetry.Scanner
	var f telemetry.Frame
	for used, ok := s.NextInto(&f, b, true); ok; used, ok = s.NextInto(&f, b, true) {
		b = b[used:]
		if f.System == g.pad.Craft.System && f.Component == g.pad.Craft.Component && !signing.Unsigned(&f) {
			return true
		}
	}
	return false
}

// keepSeen keeps what passed until ctx ends.
func (g *Guard) keepSeen(ctx context.Context) {
	d := g.doorway
	if d == nil {
		return
	}
	last := d.passed.Counts.Passed
	every(ctx, seenEvery, func() {
		d.passed = g.shot.copied().passed
		if n := d.passed.Counts.Passed; n != last {
			last = n
			g.unkept.Store(nil)
			if err := d.keep(seenAhead); err != nil {
				text := err.Error()
				g.unkept.Store(&text)
			}
		}
	})
}

func (d *doorway) keep(ahead time.Duration) error { return d.door.Seen(&d.passed, ahead).Write(d.file) }

// lastSeen keeps what passed as it stands, once nothing more comes.
func (g *Guard) lastSeen() error {
	d := g.doorway
	if d == nil {
		return nil
	}
	d.door.CopyTo(&d.passed)
	return d.keep(0)
}
