package prove

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	"errors"
	"fmt"
	"time"

	"github.com/bluenviron/gomavlib/v3/pkg/frame"

	"downhaul/interlock"
	"downhaul/interlock/day/intake"
	"downhaul/interlock/day/telemetry/signing"
	"downhaul/rules"
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

// signedDoor is a craft that signs, and the guard's own door for signed frames in
// front of its intake.
type signedDoor struct {
	door
	in    intake.Config
	sign  *signing.Door
	room  []byte
	stamp signing.Stamp // of the craft's last signature
	forge forgery       // what is wrong with the frames that come now
	// leak, if set, lets a chunk past the door.
	leak func(c *intake.Chunk) bool
}

func newSigned(d door, in intake.Config, seen signing.Seen) *signedDoor {
	return &signedDoor{door: d, in: in, sign: signing.NewDoor(signing.Key(proofKey), in.Craft.System, in.Craft.Component, len(in.Links), proofDay, seen)}
}

// signed has the craft of a setup sign.
func signed(s Setup, leak func(c *intake.Chunk) bool) Setup {
	open := s.open
	if open == nil {
		open = openReal
	}
	s.open = func(env *rules.Envelope, site interlock.Site, in intake.Config) (core, door, error) {
		c, d, err := open(env, site, in)
		if err != nil {
			return nil, nil, err
		}
		k := newSigned(d, in, signing.Seen{})
		k.leak = leak
		return c, k, nil
	}
	return s
}

// clone is a second door that has heard the same. What is heard in pieces would
// be lost, and none is: a rig gives whole frames.
func (s *signedDoor) clone() door {
	k := newSigned(s.door.clone(), s.in, s.sign.Seen(&s.sign.Passed, 0))
	k.stamp, k.leak = s.stamp, s.leak
	return k
}

// signs is the door of a rig whose craft signs; nil where it does not.
func signs(r *rig) *signedDoor {
	s, _ := r.door.(*signedDoor)
	return s
}

// tailed is a frame under the craft's name with the signature that the forgery calls
// for, which the library makes; any other frame is left as it is.
func (s *signedDoor) tailed(b []byte, at time.Duration) []byte {
	if b[5] != s.in.Craft.System || s.forge == unsigned {
		return b
	}
	r := &frame.Reader{BufByteReader: bufio.NewReader(bytes.NewReader(b))}
	var out bytes.Buffer
	w := &frame.Writer{ByteWriter: &out}
	if err := errors.Join(r.Initialize(), w.Initialize()); err != nil {
		panic(err)
	}
	read, err := r.Read()
	if err != nil {
		panic(err)
	}
	f := read.(*frame.V2Frame)
	key := s.forge.stamped(f, at, &s.stamp)
	f.Checksum = f.GenerateChecksum(sums.GetMessage(f.Message.GetID()).CRCExtra())
	f.Signature = f.GenerateSignature(key)
	if err := w.Write(f); err != nil {
		panic(err)
	}
	return out.Bytes()
}

// stamped gives the frame the head of the signature that the forgery calls for, and
// says which key signs; at is engine time and last the stamp of the frame before.
func (k forgery) stamped(f *frame.V2Frame, at time.Duration, last *signing.Stamp) *frame.V2Key {
	now := signing.StampOf(proofDay.Add(at))
	key, link, stamp := proofKey, craftLink, max(now, *last+1)
	span := func(d time.Duration) signing.Stamp { return signing.Stamp(d / (10 * time.Microsecond)) }
	switch k {
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

func (s *signedDoor) Append(dst []interlock.Input, c *intake.Chunk) []interlock.Input {
	if c.Source != intake.Telemetry {
		return s.door.Append(dst, c)
	}
	told := *c
	told.Bytes = s.tailed(c.Bytes, c.At)
	if s.leak != nil && s.leak(&told) {
		return s.door.Append(dst, &told)
	}
	if c.From.IsValid() {
		s.room = s.sign.Datagram(s.room[:0], c.At, told.Bytes)
	} else {
		s.room = s.sign.Stream(s.room[:0], c.At, c.Link, told.Bytes)
	}
	if len(s.room) == 0 {
		return dst
	}
	told.Bytes = s.room
	return s.door.Append(dst, &told)
}

// forged: a frame under the craft's name that is not signed as it must be is
// neither a value nor a sign of life.
func (t *trial) forged() {
	const name = "forged frames"
	if signs(t.near) == nil || !t.told() || t.ofRadio() {
		return
	}
	for k := unsigned; k < forgeries; k++ {
		r := t.fresh(t.near)
		(&rogue{scene: t.astray(r.sc), system: t.p.setup.Intake.Craft.System, forge: k}).join(r)
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
	for k := unsigned; k < forgeries && signs(t.b.air) != nil; k++ {
		r := from(t.b.air)
		r.silent = true
		(&rogue{scene: r.sc, system: t.p.setup.Intake.Craft.System, forge: k}).join(r)
		r.run(site.LinkStale + 200*time.Millisecond)
		fault := ""
		if t.linkLost(r) == nil || r.relay {
			fault = fmt.Sprintf("frames %s kept the craft alive", forgeryName[k])
		}
		t.add("frames "+forgeryName[k], fault, "do not keep the craft alive: power off by "+ms(site.LinkStale))
	}
}
