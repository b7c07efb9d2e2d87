package prove

import (
	"crypto/sha256"
	"fmt"
	"time"

	"github.com/bluenviron/gomavlib/v3/pkg/frame"

	"downhaul/interlock"
	"downhaul/interlock/day/intake"
	"downhaul/interlock/day/telemetry/signing"
)

// The key of a proof is made up here, and no secret: what is let in and what is
// not does not hang on which key it is.
var (
	proofKey = sha256.Sum256([]byte("downhaul proof, no secret"))
	wrongKey = sha256.Sum256([]byte("downhaul proof, another key"))
)

// proofDay is the wall clock at engine time 0; any day will do.
var proofDay = time.Date(2031, 5, 3, 9, 0, 0, 0, time.UTC)

// The link numbers inside signatures: the craft's own, and one that nobody has
// used before.
const (
	craftLink byte = 1
	freshLink byte = 9
)

// forgery is what is wrong with a frame under the craft's name; 0 is nothing.
type forgery uint8

const (
	genuine forgery = iota
	unsigned
	otherKey
	saidAgain
	stale
	ahead
	forgeries
)

var forgeryName = [forgeries]string{"genuine", "unsigned", "signed with another key", "said again", "over a minute old", "over a minute ahead"}

// stamped is the frame with the tail that the forgery calls for; at is engine
// time and last the stamp of the frame before.
func (k forgery) stamped(f *frame.V2Frame, at time.Duration, last *signing.Stamp) *frame.V2Key {
	now := signing.StampOf(proofDay.Add(at))
	key, link, stamp := proofKey, craftLink, max(now, *last+1)
	span := func(d time.Duration) signing.Stamp { return signing.Stamp(d / (10 * time.Microsecond)) }
	switch k {
	case unsigned:
		return nil
	case otherKey:
		key = wrongKey
	case saidAgain:
		stamp = now - span(5*time.Second)
	case stale:
		link, stamp = freshLink, now-span(62*time.Second)
	case ahead:
		link, stamp = freshLink, now+span(62*time.Second)
	default:
		*last = stamp
	}
	f.IncompatibilityFlag, f.SignatureLinkID, f.SignatureTimestamp = 1, link, uint64(stamp)
	out := frame.V2Key(key)
	return &out
}

// signedDoor is the guard's own door for signed frames in front of its intake.
type signedDoor struct {
	door
	p    *plan
	sign *signing.Door
	room []byte
}

func (p *plan) newSigned(d door, seen signing.Seen) *signedDoor {
	in := &p.setup.Intake
	return &signedDoor{door: d, p: p, sign: signing.NewDoor(signing.Key(proofKey), in.Craft.System, in.Craft.Component, len(in.Links), proofDay, seen)}
}

// clone is a second door that has heard the same. What is heard in pieces would
// be lost, and none is: a rig gives whole frames.
func (s *signedDoor) clone() door {
	return s.p.newSigned(s.door.clone(), s.sign.Seen(&s.sign.Passed, 0))
}

func (s *signedDoor) Append(dst []interlock.Input, c *intake.Chunk) []interlock.Input {
	if c.Source != intake.Telemetry {
		return s.door.Append(dst, c)
	}
	if c.From.IsValid() {
		s.room = s.sign.Datagram(s.room[:0], c.At, c.Bytes)
	} else {
		s.room = s.sign.Stream(s.room[:0], c.At, c.Link, c.Bytes)
	}
	if len(s.room) == 0 {
		return dst
	}
	signed := *c
	signed.Bytes = s.room
	return s.door.Append(dst, &signed)
}

// forged: a frame under the craft's name that is not signed as it must be is
// neither a value nor a sign of life.
func (t *trial) forged() {
	const name = "forged frames"
	if !t.p.setup.Signed || !t.told() || t.ofRadio() {
		return
	}
	for k := unsigned; k < forgeries; k++ {
		r := t.fresh(t.near)
		r.rogue = &rogue{scene: t.astray(r.sc), system: t.p.setup.Intake.Craft.System, forge: k}
		r.run(t.hold())
		v, ok := t.furthest(r)
		fault := ""
		if f := t.verdict(r.log, interlock.ReasonRule); f != nil || ok && t.left(v) && !t.trips {
			fault = "a value in a frame " + forgeryName[k] + " was taken for the craft's"
		} else {
			fault = t.asLife(&rogue{system: t.p.setup.Intake.Craft.System, forge: k}, "frames "+forgeryName[k]+" kept it fresh")
		}
		if fault != "" {
			t.add(name, fault, "")
			return
		}
	}
	t.add(name, "", "unsigned, of another key, said again, or a minute off: neither values nor a sign of life")
}

// forged: nor does such a frame keep the link alive.
func (t *builtins) forged() {
	site := &t.p.setup.Site
	for k := unsigned; k < forgeries && t.p.setup.Signed; k++ {
		r := from(t.b.air)
		r.silent = true
		r.rogue = &rogue{scene: r.sc, system: t.p.setup.Intake.Craft.System, forge: k}
		r.run(site.LinkStale + 200*time.Millisecond)
		fault := ""
		if t.linkLost(r) == nil || r.relay {
			fault = fmt.Sprintf("frames %s kept the craft alive", forgeryName[k])
		}
		t.add("frames "+forgeryName[k], fault, "do not keep the craft alive: power off by "+ms(site.LinkStale))
	}
}
