package recording

import (
	"bytes"
	"encoding/binary"
	"errors"
	"io"
	"math/rand"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/gopacket/gopacket"
	"github.com/gopacket/gopacket/layers"
	"github.com/gopacket/gopacket/pcapgo"
)

// captured is a pcap that the library wrote: packets of many lengths, some with
// long runs of zeros, each unlike all others. offs are where the records begin,
// and the end.
func captured(t testing.TB, n int) (text []byte, offs []int, payloads []string) {
	t.Helper()
	var b bytes.Buffer
	w := pcapgo.NewWriter(&b)
	if err := w.WriteFileHeader(65535, layers.LinkTypeEthernet); err != nil {
		t.Fatal(err)
	}
	rnd := rand.New(rand.NewSource(7))
	at := wall
	for k := range n {
		payload := binary.BigEndian.AppendUint32(nil, uint32(k))
		payload = append(payload, make([]byte, rnd.Intn(80))...)
		for range rnd.Intn(200) {
			payload = append(payload, byte(rnd.Intn(256)))
		}
		p := packetOf(t, layers.LinkTypeEthernet, false, string(payload))
		offs, payloads = append(offs, b.Len()), append(payloads, string(payload))
		at = at.Add(time.Duration(rnd.Intn(200)) * time.Millisecond)
		if err := w.WritePacket(gopacket.CaptureInfo{Timestamp: at, CaptureLength: len(p), Length: len(p)}, p); err != nil {
			t.Fatal(err)
		}
	}
	return b.Bytes(), append(offs, b.Len()), payloads
}

// past reads a capture past its damage.
func past(text []byte) (got []string, info Info, end error) {
	r, err := OpenReader(bytes.NewReader(text), PastDamage())
	if err != nil {
		return nil, Info{}, err
	}
	last := time.Duration(0)
	for {
		c, err := r.Next()
		if err != nil {
			return got, r.Info(), err
		}
		if c.At < last {
			return got, r.Info(), errors.New("time ran back")
		}
		got, last = append(got, string(c.Bytes)), c.At
	}
}

// TestPastDamage_PCAPLosesAndInventsNothing spoils, takes out or puts in bytes
// anywhere among the records: all that stand in front come out as they were, all
// behind too, and of those that were hit no more than were hit. The places are
// always the same: once in some ten thousand, by chance, what is left of a record
// ends just where another begins, and nothing shows that.
func TestPastDamage_PCAPLosesAndInventsNothing(t *testing.T) {
	text, offs, payloads := captured(t, 60)
	passed, dropped, by := 0, 0, rand.New(rand.NewSource(11))
	for round := range 4000 {
		n := 1 + by.Intn([]int{8, 700}[by.Intn(2)])
		from := fileHead + by.Intn(len(text)-fileHead-n)
		junk := make([]byte, n)
		for k := range junk {
			junk[k] = byte(by.Intn(256) * by.Intn(2))
		}
		var spoiled []byte
		switch by.Intn(3) {
		case 0:
			spoiled = slices.Concat(text[:from], junk, text[from+n:])
		case 1:
			spoiled = slices.Concat(text[:from], text[from+n:])
		case 2:
			spoiled, n = slices.Concat(text[:from], junk, text[from:]), 0
		}
		got, info, end := past(spoiled)
		var torn *Torn
		var damaged *Damaged
		if !errors.Is(end, io.EOF) && !errors.As(end, &torn) && !errors.As(end, &damaged) {
			t.Fatalf("%d: end: %v", round, end)
		}
		front, behind, hit := 0, len(payloads), 0
		for k := range payloads {
			switch {
			case offs[k+1] <= from:
				front = k + 1
			case offs[k] >= from+n:
				behind = min(behind, k)
			default:
				hit++
			}
		}
		if len(got) < front || !slices.Equal(got[:front], payloads[:front]) {
			t.Fatalf("%d: the first %d are not as they were: %d read, %v, %+v", round, front, len(got), end, info.Damaged)
		}
		rest := got[front:]
		if want := payloads[behind:]; len(rest) < len(want) || !slices.Equal(rest[len(rest)-len(want):], want) {
			t.Fatalf("%d: the last %d are not as they were: %d read of %d, %v, %+v", round, len(want), len(got), len(payloads), end, info.Damaged)
		}
		if more := len(got) - front - (len(payloads) - behind); more > hit {
			t.Fatalf("%d: %d records where %d were hit", round, more, hit)
		}
		if info.Damages > 0 {
			passed++
			if info.DamagedBytes == 0 || !strings.Contains(strings.Join(info.Notes(), "\n"), "passed over") {
				t.Fatalf("%d: passed over, and not told: %+v", round, info)
			}
		}
		if len(got) < len(payloads) {
			dropped++
			if info.Damages == 0 && n > 0 && errors.Is(end, io.EOF) && info.Skipped == (Skipped{}) && len(spoiled) == len(text) {
				t.Fatalf("%d: something is missing, and nothing is said", round)
			}
		}
	}
	if passed == 0 || dropped == 0 {
		t.Errorf("passed over %d times, missing something %d times: nothing was tried", passed, dropped)
	}
}

// Each number of a header, spoiled by itself.
func TestPastDamage_PCAPSaysWhereAndWhat(t *testing.T) {
	text, offs, payloads := captured(t, 30)
	const k = 12
	size := offs[k+1] - offs[k]
	for _, c := range []struct {
		name   string
		spoil  func(b []byte)
		says   string
		bytes  int
		loses  int // records from k on
		passes bool
	}{
		{"kept more than the packet had", func(b []byte) { binary.LittleEndian.PutUint32(b[offs[k]+8:], uint32(size)) }, "keeps", size, 1, true},
		{"kept less, and the packet too", func(b []byte) {
			binary.LittleEndian.PutUint32(b[offs[k]+8:], uint32(size-recordHead-20))
			binary.LittleEndian.PutUint32(b[offs[k]+12:], uint32(size-recordHead-20))
		}, "", 20, 0, true}, // it reads as a shorter one with 20 bytes behind that are none
		{"kept less", func(b []byte) { binary.LittleEndian.PutUint32(b[offs[k]+8:], uint32(size-recordHead-20)) }, "does not end where the next begins", size, 1, true},
		{"both far more", func(b []byte) {
			binary.LittleEndian.PutUint32(b[offs[k]+8:], uint32(size)+701)
			binary.LittleEndian.PutUint32(b[offs[k]+12:], uint32(size)+701)
		}, "does not end where the next begins", size, 1, true},
		{"past the end", func(b []byte) {
			binary.LittleEndian.PutUint32(b[offs[k]+8:], 60000)
			binary.LittleEndian.PutUint32(b[offs[k]+12:], 60000)
		}, "runs past the end of the file", size, 1, true},
		{"parts of a second", func(b []byte) { binary.LittleEndian.PutUint32(b[offs[k]+4:], 1e6) }, "1000000 parts of a second", size, 1, true},
		{"zeros", func(b []byte) { clear(b[offs[k] : offs[k]+40]) }, "without time and length", size, 1, true},
		{"a wild time", func(b []byte) { binary.LittleEndian.PutUint32(b[offs[k]:], 12) }, "", 0, 0, false},
		{"three in a row", func(b []byte) { copy(b[offs[k]:offs[k+2]+4], bytes.Repeat([]byte{0xEE}, offs[k+3])) }, "keeps", offs[k+3] - offs[k], 3, true},
	} {
		b := bytes.Clone(text)
		c.spoil(b)
		got, info, end := past(b)
		if !errors.Is(end, io.EOF) || (info.Damages == 1) != c.passes || len(got) != len(payloads)-c.loses {
			t.Errorf("%s: %d read, %v, %+v", c.name, len(got), end, info.Damaged)
			continue
		}
		if !c.passes {
			continue
		}
		d := info.Damaged[0]
		at := int64(offs[k])
		if c.loses == 0 {
			at = int64(offs[k+1] - c.bytes)
		}
		if d.Offset != at || d.Bytes != int64(c.bytes) || info.DamagedBytes != uint64(c.bytes) || !strings.Contains(d.Text, c.says) {
			t.Errorf("%s: %+v, want %d bytes at %d and %q", c.name, d, c.bytes, at, c.says)
		}
		// Without being asked to it ends there or later, as ever.
		r, err := OpenReader(bytes.NewReader(b))
		if err != nil {
			t.Fatal(err)
		}
		if all, end := drain(t, r); errors.Is(end, io.EOF) || len(all) > k+2 {
			t.Errorf("%s: not asked to, it read %d to %v", c.name, len(all), end)
		}
	}
}

// The damage is a loss in front of the next chunk, and no time is made up.
func TestPastDamage_PCAPTellsTheLoss(t *testing.T) {
	text, offs, _ := captured(t, 30)
	clear(text[offs[5]+8 : offs[9]])
	r, err := OpenReader(bytes.NewReader(text), PastDamage())
	if err != nil {
		t.Fatal(err)
	}
	all, end := drain(t, r)
	if !errors.Is(end, io.EOF) || len(all) != 30-4 || all[5].Lost != 1 {
		t.Fatalf("%d read, %v", len(all), end)
	}
	whole, err := OpenReader(bytes.NewReader(func() []byte { b, _, _ := captured(t, 30); return b }()))
	if err != nil {
		t.Fatal(err)
	}
	want, _ := drain(t, whole)
	if all[5].At != want[9].At {
		t.Errorf("behind the damage it is %v, want %v", all[5].At, want[9].At)
	}
}

// A packet that carries records of its own, of the same minute, is read as the
// one packet that it is, also where the record behind it is damaged.
func TestPastDamage_PCAPTakesNoPayloadForRecords(t *testing.T) {
	at := []time.Duration{0, time.Second, 2 * time.Second, 3 * time.Second, 4 * time.Second, 5 * time.Second}
	short := packetOf(t, layers.LinkTypeRaw, false, "short")
	inner := pcapOf(binary.LittleEndian, false, uint32(layers.LinkTypeRaw), []time.Duration{time.Second, time.Second, time.Second}, short, short, short)[fileHead:]
	carrier := packetOf(t, layers.LinkTypeRaw, false, string(inner))
	text := pcapOf(binary.LittleEndian, false, uint32(layers.LinkTypeRaw), at, short, carrier, short, short, short, short)
	damaged := bytes.Clone(text)
	off := fileHead + recordHead + len(short) + recordHead + len(carrier)
	binary.LittleEndian.PutUint32(damaged[off+8:], 1<<30)
	for i, b := range [][]byte{text, damaged} {
		got, info, end := past(b)
		want := []string{"short", string(inner), "short", "short", "short", "short"}
		want = want[:len(want)-i]
		if !errors.Is(end, io.EOF) || !slices.Equal(got, want) || info.Damages != uint64(i) {
			t.Errorf("%d: read %d, %v, %+v", i, len(got), end, info.Damaged)
		}
	}
}

// A capture that nothing happened to is read the same, asked to or not: also one
// whose clock was set by decades, one of a single packet, and the real one.
func TestPastDamage_PCAPIsNoOtherWhereNothingIsDamaged(t *testing.T) {
	files := map[string][]byte{}
	for _, n := range []int{1, 2, 40} {
		text, _, _ := captured(t, n)
		files[strings.Repeat("x", n)] = text
	}
	p := packetOf(t, layers.LinkTypeRaw, false, "datagram")
	decades := 40 * 365 * 24 * time.Hour
	for name, at := range map[string][]time.Duration{
		"set ahead": {0, time.Second, decades, decades + time.Second, decades + 2*time.Second},
		"set back":  {decades, decades + time.Second, 0, time.Second, 2 * time.Second},
		"silence":   {0, 30 * time.Hour, 30*time.Hour + time.Second},
		"one wild":  {0, time.Second, decades, 2 * time.Second, 3 * time.Second},
		"disorder":  {2 * time.Second, 0, time.Second, 3 * time.Second, 2 * time.Second},
	} {
		files[name] = pcapOf(binary.BigEndian, true, uint32(layers.LinkTypeRaw), at, slices.Repeat([][]byte{p}, len(at))...)
	}
	same := func(t *testing.T, name string, text []byte) {
		r, err := OpenReader(bytes.NewReader(text))
		if err != nil {
			t.Fatal(err)
		}
		want, wantEnd := drain(t, r)
		var payloads []string
		for _, c := range want {
			payloads = append(payloads, string(c.Bytes))
		}
		got, info, end := past(text)
		if !slices.Equal(got, payloads) || !errors.Is(end, wantEnd) || info.Damages > 0 {
			t.Errorf("%.10s: %d, want %d; %v, want %v; %+v", name, len(got), len(want), end, wantEnd, info.Damaged)
		}
	}
	for name, text := range files {
		same(t, name, text)
	}
	t.Run("real", func(t *testing.T) {
		b, err := os.ReadFile(outside(t, "quad-crash-then-mission.pcap"))
		if err != nil {
			t.Fatal(err)
		}
		same(t, "real", b)
	})
}

// The real capture with a hundred places spoiled: nearly everything else is read.
func TestOutside_RealCapturePastDamage(t *testing.T) {
	text, err := os.ReadFile(outside(t, "quad-crash-then-mission.pcap"))
	if err != nil {
		t.Fatal(err)
	}
	whole, _, _ := past(text)
	is := map[string]bool{}
	for _, s := range whole {
		is[s] = true
	}
	rnd := rand.New(rand.NewSource(3))
	for range 100 {
		at := 200 + rnd.Intn(len(text)-400)
		for k := range 20 {
			text[at+k] = byte(rnd.Intn(256))
		}
	}
	got, info, end := past(text)
	others := 0
	for _, s := range got {
		if !is[s] {
			others++
		}
	}
	t.Logf("%d of %d datagrams, %d of them not as they were; %d damages, %d bytes; %v", len(got), len(whole), others, info.Damages, info.DamagedBytes, end)
	if !errors.Is(end, io.EOF) || len(got) < len(whole)-200 || others > 100 || info.Damages < 10 {
		t.Error("more is lost than was spoiled, or it is not told")
	}
}
