package recording

import (
	"bytes"
	"encoding/binary"
	"errors"
	"io"
	"slices"
	"strings"
	"testing"
	"time"

	"downhaul/interlock/day/intake"

	"pgregory.net/rapid"
)

// longer is a recording in which each interface is named early, and as many
// packets again come behind; behind is the first of those.
func longer(t testing.TB) (text []byte, behind int) {
	t.Helper()
	var kept []put
	for _, p := range sample() {
		if len(p.Bytes) < 100 && len(strings.Join(p.comments, "")) < 100 && p.Source != intake.Decisions {
			kept = append(kept, p)
		}
	}
	n := len(kept)
	for i := range 3 * n {
		p := kept[i%n]
		p.Seq, p.At, p.Lost = kept[len(kept)-1].Seq+1, kept[len(kept)-1].At+time.Millisecond, 0
		kept = append(kept, p)
	}
	text = write(t, kept)
	packets := 0 // the interfaces stand before the first, and are known once it was read
	for _, off := range blocks(text) {
		switch binary.LittleEndian.Uint32(text[off:]) {
		case blockInterface:
			packets = 0
		case blockPacket:
			if packets++; packets == 2 {
				behind = off
			}
		}
	}
	return text, behind
}

// blocks are the offsets of the blocks, in order.
func blocks(text []byte) (offs []int) {
	for off := 0; off < len(text); off += int(binary.LittleEndian.Uint32(text[off+4:])) {
		offs = append(offs, off)
	}
	return offs
}

// TestPastDamage_NothingButTheDamageIsLost spoils, takes out or puts in bytes
// anywhere behind the interfaces: whatever stands in blocks a little behind is
// read, in order, and where something was passed over it is told.
func TestPastDamage_NothingButTheDamageIsLost(t *testing.T) {
	text, behind := longer(t)
	whole, err := OpenReader(bytes.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	all, _ := read(t, whole)
	offs := blocks(text)
	// The number of a packet stands in the recording itself; those of blocks
	// that begin at or after a place follow from the whole.
	after := func(from int) (seqs []uint64) {
		for k := len(all) - 1; k >= 0; k-- {
			seqs = append(seqs, all[k].Seq)
		}
		n := 0
		for _, off := range offs {
			if off >= from && binary.LittleEndian.Uint32(text[off:]) == blockPacket {
				n++
			}
		}
		seqs = seqs[:min(n, len(seqs))]
		slices.Reverse(seqs)
		return seqs
	}
	passed := 0
	rapid.Check(t, func(rt *rapid.T) {
		from := rapid.IntRange(behind, len(text)-1).Draw(rt, "from")
		n := min(rapid.IntRange(1, 400).Draw(rt, "bytes"), len(text)-from)
		junk := rapid.SliceOfN(rapid.Byte(), n, n).Draw(rt, "junk")
		var spoiled []byte
		switch rapid.SampledFrom([]string{"over", "out", "in"}).Draw(rt, "how") {
		case "over":
			spoiled = slices.Concat(text[:from], junk, text[from+n:])
		case "out":
			spoiled = slices.Concat(text[:from], text[from+n:])
		case "in":
			spoiled, n = slices.Concat(text[:from], junk, text[from:]), 0
		}
		r, err := OpenReader(bytes.NewReader(spoiled), PastDamage())
		if err != nil {
			rt.Fatal(err)
		}
		got, end := read(t, r)
		info := r.Info()
		var torn *Torn
		var damaged *Damaged
		if !errors.Is(end, io.EOF) && !errors.As(end, &torn) && !errors.As(end, &damaged) {
			rt.Fatalf("end: %v", end)
		}
		// pcapng has no checksum: where bytes are gone, two halves can look like
		// one block, and take what stands between with them.
		want := after(from + n + 256)
		var seqs []uint64
		for _, c := range got {
			seqs = append(seqs, c.Seq)
		}
		if len(seqs) < len(want) || !slices.Equal(seqs[len(seqs)-len(want):], want) {
			rt.Fatalf("read %v, want %v at the end; %v, %+v", seqs, want, end, info.Damaged)
		}
		for i := 1; i < len(got); i++ {
			if got[i].At < got[i-1].At {
				rt.Fatal("time ran back")
			}
		}
		if info.Damages > 0 {
			passed++
			if info.DamagedBytes == 0 || !strings.Contains(strings.Join(info.Notes(), "\n"), "passed over") {
				rt.Fatalf("passed over, and not told: %+v", info)
			}
		}
	})
	if passed == 0 {
		t.Error("nothing was ever passed over")
	}
}

func TestPastDamage_SaysWhereAndThatSomethingIsLost(t *testing.T) {
	text, behind := longer(t)
	offs := blocks(text)
	at := slices.Index(offs, behind) + 3
	length := binary.LittleEndian.Uint32(text[offs[at]+4:])
	binary.LittleEndian.PutUint32(text[offs[at]+4:], 13)
	r, err := OpenReader(bytes.NewReader(text), PastDamage())
	if err != nil {
		t.Fatal(err)
	}
	got, end := read(t, r)
	info := r.Info()
	if !errors.Is(end, io.EOF) || info.Damages != 1 || len(info.Damaged) != 1 ||
		info.Damaged[0].Offset != int64(offs[at]) || info.Damaged[0].Bytes != int64(length) || !strings.Contains(info.Damaged[0].Text, "want 12 to") {
		t.Errorf("%v %+v; want one damage at %d of %d bytes", end, info, offs[at], length)
	}
	if !slices.ContainsFunc(got, func(c put) bool { return c.Lost > 0 }) {
		t.Error("no chunk says that something was lost in front of it")
	}
	// Without being asked to it ends there, as ever.
	r, err = OpenReader(bytes.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	var damaged *Damaged
	if _, end := drain(t, r); !errors.As(end, &damaged) || damaged.Offset != int64(offs[at]) {
		t.Errorf("%v, want damage at %d", end, offs[at])
	}
}

// Where the interfaces of a section may be lost nothing in it is believed, and
// an interface behind damage has no number.
func TestPastDamage_InterfacesAreNotGuessed(t *testing.T) {
	text, first := longer(t)
	faces := slices.IndexFunc(blocks(text), func(off int) bool { return binary.LittleEndian.Uint32(text[off:]) == blockInterface })
	faces = blocks(text)[faces]
	spoiled := bytes.Clone(text)
	binary.LittleEndian.PutUint32(spoiled[faces+4:], 13)
	r, err := OpenReader(bytes.NewReader(spoiled), PastDamage())
	if err == nil {
		got, end := drain(t, r)
		var damaged *Damaged
		if len(got) > 0 || !errors.As(end, &damaged) {
			t.Errorf("%d chunks of interfaces nobody knows, %v", len(got), end)
		}
	}
	// A damaged packet, then one more interface, then the rest.
	face := bytes.Clone(text[faces : faces+int(binary.LittleEndian.Uint32(text[faces+4:]))])
	second := first + int(binary.LittleEndian.Uint32(text[first+4:]))
	third := second + int(binary.LittleEndian.Uint32(text[second+4:]))
	fourth := third + int(binary.LittleEndian.Uint32(text[third+4:]))
	spoiled = slices.Concat(text[:fourth], face, text[fourth:])
	binary.LittleEndian.PutUint32(spoiled[second+4:], 13)
	r, err = OpenReader(bytes.NewReader(spoiled), PastDamage())
	if err != nil {
		t.Fatal(err)
	}
	_, end := drain(t, r)
	if info := r.Info(); !errors.Is(end, io.EOF) || info.Damages != 2 || !strings.Contains(info.Damaged[1].Text, "its number is not known") {
		t.Errorf("%v %+v", end, info.Damaged)
	}
}
