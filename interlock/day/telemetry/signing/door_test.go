package signing

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	"testing"
	"time"

	"github.com/bluenviron/gomavlib/v3/pkg/dialects/common"
	"github.com/bluenviron/gomavlib/v3/pkg/frame"
	"github.com/bluenviron/gomavlib/v3/pkg/message"
)

var (
	wall = time.Date(2031, 5, 3, 14, 0, 0, 0, time.UTC)
	key  = Key(sha256.Sum256([]byte("ours")))
	kite = Key(sha256.Sum256([]byte("somebody else's")))
)

// sender signs frames with the library's own signature.
type sender struct {
	key               Key
	system, component uint8
	link              byte
	seq               uint8
}

// frame is a frame of message m, signed with a stamp; unsigned where it is 0.
func (s *sender) frame(t testing.TB, m message.Message, stamp Stamp) []byte {
	t.Helper()
	rw := &message.ReadWriter{Message: m}
	if err := rw.Initialize(); err != nil {
		t.Fatal(err)
	}
	s.seq++
	f := &frame.V2Frame{SequenceNumber: s.seq, SystemID: s.system, ComponentID: s.component, Message: rw.Write(m, true)}
	if stamp != 0 {
		f.IncompatibilityFlag, f.SignatureLinkID, f.SignatureTimestamp = 1, s.link, uint64(stamp)
	}
	f.Checksum = f.GenerateChecksum(rw.CRCExtra())
	if stamp != 0 {
		k := frame.V2Key(s.key)
		f.Signature = f.GenerateSignature(&k)
	}
	return encoded(t, f)
}

func encoded(t testing.TB, f frame.Frame) []byte {
	t.Helper()
	var b bytes.Buffer
	w := &frame.Writer{ByteWriter: &b}
	if err := w.Initialize(); err != nil {
		t.Fatal(err)
	}
	if err := w.Write(f); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func craft() *sender { return &sender{key: key, system: 7, component: 1} }

func door(seen Seen) *Door { return NewDoor(key, 7, 1, 2, wall, seen) }

var attitude = &common.MessageAttitude{TimeBootMs: 1000, Roll: 0.1}

// Promise 10: with a key only the craft's signed frames are heard, by the rules
// of the standard (MAVLink, message signing).
//
//fault:row yesterday's signed frames | refused and counted
func TestPromise10_SignedFramesOnly(t *testing.T) {
	now := StampOf(wall)
	later := now + Stamp(5*time.Second/stampUnit)
	c := craft()
	other := &sender{key: kite, system: 7, component: 1}
	for _, try := range []struct {
		name string
		send []byte
		pass bool
		want Counts
	}{
		{"signed", c.frame(t, attitude, later), true, Counts{Passed: 1}},
		{"unsigned", c.frame(t, attitude, 0), false, Counts{Unsigned: 1}},
		{"another key", other.frame(t, attitude, later), false, Counts{WrongKey: 1}},
		{"a minute ahead", c.frame(t, attitude, later+stampMinute), true, Counts{Passed: 1}},
		{"over a minute ahead", c.frame(t, attitude, later+stampMinute+1), false, Counts{Ahead: 1}},
		{"of the year 2100", c.frame(t, attitude, StampOf(time.Date(2100, 1, 1, 0, 0, 0, 0, time.UTC))), false, Counts{Ahead: 1}},
		{"a minute behind", c.frame(t, attitude, later-stampMinute), true, Counts{Passed: 1}},
		{"over a minute behind", c.frame(t, attitude, later-stampMinute-1), false, Counts{Behind: 1}},
		{"yesterday's", c.frame(t, attitude, later-Stamp(24*time.Hour/stampUnit)), false, Counts{Behind: 1}},
	} {
		d := door(Seen{})
		got := d.Datagram(nil, 5*time.Second, try.send)
		if pass := bytes.Equal(got, try.send); pass != try.pass || !pass && len(got) > 0 {
			t.Errorf("%s: passed %v, want %v (%x)", try.name, pass, try.pass, got)
		}
		if n := d.Counts; n != try.want {
			t.Errorf("%s: counted %+v", try.name, n)
		}
	}
}

// What was heard is not heard again: not the very frame, not an older one of its
// stream, and not after a restart.
func TestPromise10_NothingIsHeardTwice(t *testing.T) {
	now := StampOf(wall)
	c := craft()
	first, second := c.frame(t, attitude, now+10), c.frame(t, attitude, now+20)
	d := door(Seen{})
	for i, try := range []struct {
		send []byte
		pass bool
	}{{second, true}, {second, false}, {first, false}} {
		if got := d.Datagram(nil, 0, try.send); (len(got) > 0) != try.pass {
			t.Errorf("frame %d: passed %v", i, len(got) > 0)
		}
	}
	// Another link number of the craft is a stream of its own.
	c.link = 4
	if got := d.Datagram(nil, 0, c.frame(t, attitude, now+10)); len(got) == 0 {
		t.Error("a second stream was refused")
	}
	c.link = 0
	again := door(d.Seen(&d.Passed, 0))
	if got := again.Datagram(nil, 0, second); len(got) > 0 {
		t.Error("after a restart the last frame was heard once more")
	}
	if got := again.Datagram(nil, 0, c.frame(t, attitude, now+21)); len(got) == 0 {
		t.Error("after a restart a new frame was refused")
	}
	// Kept while frames came, for a process that is killed.
	killed := door(d.Seen(&d.Passed, 15*time.Second))
	late := c.frame(t, attitude, now+Stamp(14*time.Second/stampUnit))
	if got := killed.Datagram(nil, 14*time.Second, late); len(got) > 0 {
		t.Error("a frame that may have been heard before the kill was heard once more")
	}
	if got := killed.Datagram(nil, 16*time.Second, c.frame(t, attitude, now+Stamp(16*time.Second/stampUnit))); len(got) == 0 {
		t.Error("a frame after the kill was refused")
	}
	// With another key nothing of it counts.
	if n := len(NewDoor(kite, 7, 1, 1, wall, d.Seen(&d.Passed, 0)).Streams); n != 0 {
		t.Errorf("%d streams of another key", n)
	}
}

// A clock that nobody has set: the craft's frames lie in its future. Once one
// was kept, time goes on from there.
func TestUnsetClockGoesOnFromWhatWasKept(t *testing.T) {
	c := craft()
	unset := time.Unix(0, 0)
	d := NewDoor(key, 7, 1, 1, unset, Seen{})
	if got := d.Datagram(nil, 0, c.frame(t, attitude, StampOf(wall))); len(got) > 0 || d.Counts.Ahead != 1 {
		t.Errorf("heard, though the clock is not set: %+v", d.Counts)
	}
	kept := door(Seen{})
	kept.Datagram(nil, 0, c.frame(t, attitude, StampOf(wall)))
	d = NewDoor(key, 7, 1, 1, unset, kept.Seen(&kept.Passed, 0))
	if got := d.Datagram(nil, 0, c.frame(t, attitude, StampOf(wall)+100)); len(got) == 0 {
		t.Errorf("refused after a restart: %+v", d.Counts)
	}
}

func TestOthersPassUnsigned(t *testing.T) {
	d := door(Seen{})
	for name, s := range map[string]*sender{
		"another system":    {system: 8, component: 1},
		"another component": {system: 7, component: 191},
	} {
		if got := d.Datagram(nil, 0, s.frame(t, attitude, 0)); len(got) == 0 {
			t.Errorf("%s: refused", name)
		}
	}
	radio := craft().frame(t, &common.MessageRadioStatus{Rssi: 100}, 0)
	if got := d.Datagram(nil, 0, radio); len(got) == 0 {
		t.Error("the radio's own status was refused")
	}
	if n := d.Counts; n != (Counts{}) {
		t.Errorf("counted %+v", n)
	}
}

// In a datagram, and in a stream cut anywhere, only what passes goes on.
func TestOnlyWhatPassesGoesOn(t *testing.T) {
	now := StampOf(wall)
	c, other := craft(), &sender{key: kite, system: 7, component: 1}
	good := [][]byte{c.frame(t, attitude, now+1), c.frame(t, attitude, now+2), c.frame(t, attitude, now+3)}
	all := bytes.Join([][]byte{{1, 2, 3}, good[0], other.frame(t, attitude, now+4), good[1], c.frame(t, attitude, 0), {0xFD}, good[2]}, nil)
	want := bytes.Join(good, nil)
	if got := door(Seen{}).Datagram(nil, 0, all); !bytes.Equal(got, want) {
		t.Errorf("datagram: %d bytes passed, want %d", len(got), len(want))
	}
	for cut := range all {
		d := door(Seen{})
		got := d.Stream(nil, 0, 1, all[:cut])
		if got = d.Stream(got, 0, 1, all[cut:]); !bytes.Equal(got, want) {
			t.Fatalf("stream cut at %d: %d bytes passed, want %d", cut, len(got), len(want))
		}
	}
}

// Every byte of a signed frame is covered.
func TestAnyChangeIsRefused(t *testing.T) {
	send := craft().frame(t, attitude, StampOf(wall)+1)
	for i := range send {
		for bit := range 8 {
			b := bytes.Clone(send)
			b[i] ^= 1 << bit
			if got := door(Seen{}).Datagram(nil, 0, b); len(got) > 0 && !(b[5] != 7 || b[6] != 1) {
				t.Fatalf("byte %d, bit %d changed: it passed", i, bit)
			}
		}
	}
}

func TestTooManyStreams(t *testing.T) {
	c, d := craft(), door(Seen{})
	for link := range streamsMost + 3 {
		c.link = byte(link)
		d.Datagram(nil, 0, c.frame(t, attitude, StampOf(wall)+1))
	}
	if n := d.Counts; n.Passed != streamsMost || n.Streams != 3 {
		t.Errorf("%+v", n)
	}
}

// The instants of the standard's scale: 10 µs since 1 January 2015.
func TestStamp(t *testing.T) {
	for _, c := range []struct {
		at   time.Time
		want Stamp
	}{
		{time.Unix(0, 0), 0},
		{time.Date(2015, 1, 1, 0, 0, 0, 0, time.UTC), 0},
		{time.Date(2015, 1, 1, 0, 0, 1, 0, time.UTC), 100_000},
		{time.Date(2016, 1, 1, 0, 0, 0, 0, time.UTC), 365 * 86400 * 100_000},
		{time.Date(2300, 1, 1, 0, 0, 0, 0, time.UTC), stampEnd - 1},
	} {
		if got := StampOf(c.at); got != c.want {
			t.Errorf("%v: %d, want %d", c.at, got, c.want)
		}
	}
}

// Whatever comes, nothing under the craft's name passes that the library would
// not call signed.
func FuzzDoor(f *testing.F) {
	c := craft()
	f.Add(c.frame(f, attitude, StampOf(wall)+1), uint8(3))
	f.Add(c.frame(f, attitude, 0), uint8(0))
	f.Fuzz(func(t *testing.T, b []byte, cut uint8) {
		d := door(Seen{})
		at := min(int(cut), len(b))
		got := d.Stream(nil, 0, 0, b[:at])
		got = d.Stream(got, 0, 0, b[at:])
		if len(got) > len(b) {
			t.Fatalf("%d bytes of %d passed", len(got), len(b))
		}
		k := frame.V2Key(key)
		r := &frame.Reader{BufByteReader: bufio.NewReader(bytes.NewReader(got))}
		if err := r.Initialize(); err != nil {
			t.Fatal(err)
		}
		for passed := uint64(0); ; {
			fr, err := r.Read()
			if err != nil {
				if passed < d.Counts.Passed {
					t.Fatalf("%d frames of the craft in what passed, counted %d: %v", passed, d.Counts.Passed, err)
				}
				return
			}
			v2, ok := fr.(*frame.V2Frame)
			if !ok || v2.SystemID != 7 || v2.ComponentID != 1 || fr.GetMessage().GetID() == idRadioStatus {
				continue
			}
			passed++
			if v2.Signature == nil || *v2.Signature != *v2.GenerateSignature(&k) {
				t.Fatalf("an unsigned frame passed: %+v", v2)
			}
		}
	})
}
