package words

import (
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"
)

// part is a STATUSTEXT payload, after the MAVLink common set: severity, text[50], id,
// chunk_seq; zeros at the end are cut as version 2 does.
func part(severity byte, text string, id uint16, n byte) []byte {
	p := make([]byte, 54)
	p[0] = severity
	copy(p[1:51], text)
	p[51], p[52], p[53] = byte(id), byte(id>>8), n
	for len(p) > 1 && p[len(p)-1] == 0 {
		p = p[:len(p)-1]
	}
	return p
}

func heard(payloads ...[]byte) (out []string) {
	var j Joiner
	say := func(s Said) { out = append(out, s.Word()+": "+s.Text) }
	for i, p := range payloads {
		j.Hear(time.Duration(i)*time.Second, p, say)
	}
	j.End(say)
	return out
}

func TestTextsAreJoinedEscapedAndBounded(t *testing.T) {
	fifty := strings.Repeat("0123456789", 5)
	for _, c := range []struct {
		name string
		in   [][]byte
		want []string
	}{
		{"one", [][]byte{part(2, "Crash: disarming", 0, 0)}, []string{"critical: Crash: disarming"}},
		{"full and alone", [][]byte{part(4, fifty, 0, 0)}, []string{"warning: " + fifty}},
		{"two parts", [][]byte{part(6, fifty, 7, 0), part(6, "end", 7, 1)}, []string{"info: " + fifty + "end"}},
		{"ends where a part is full", [][]byte{part(6, fifty, 7, 0), part(6, "", 7, 1)}, []string{"info: " + fifty}},
		{"said twice by a repeater", [][]byte{part(6, fifty, 7, 0), part(6, fifty, 7, 0), part(6, "end", 7, 1), part(6, "end", 7, 1)}, []string{"info: " + fifty + "end"}},
		{"a part is lost", [][]byte{part(6, fifty, 7, 0), part(6, "end", 7, 2)}, []string{"info: " + fifty + " [...] end"}},
		{"the first is lost", [][]byte{part(6, "end", 7, 1)}, []string{"info: [...] end"}},
		{"the last is lost", [][]byte{part(6, fifty, 7, 0), part(3, "next", 8, 0)}, []string{"info: " + fifty, "error: next"}},
		{"two at once", [][]byte{part(6, fifty, 7, 0), part(1, "stop", 0, 0), part(6, "end", 7, 1)}, []string{"alert: stop", "info: " + fifty + "end"}},
		{"nothing for eyes", [][]byte{part(9, "a\x1b[2J\n\u202e\xff\\\"", 0, 0)}, []string{`severity 9: a\x1b[2J\n\u202e\xff\"`}},
		{"marks that are drawn over other lines", [][]byte{part(6, "a\u0301\u0489 5 °C", 0, 0)}, []string{"info: a 5 °C"}},
		{"parts out of order", [][]byte{part(6, fifty, 7, 0), part(6, "end", 7, 2), part(6, fifty, 7, 1)}, []string{"info: " + fifty + " [...] end"}},
		{"the same number after a restart", [][]byte{part(6, fifty, 1, 0), part(6, "a", 1, 1), part(4, fifty, 1, 0), part(4, "b", 1, 1)}, []string{"info: " + fifty + "a", "warning: " + fifty + "b"}},
		{"the severity alone", [][]byte{{0}}, []string{"emergency: "}},
	} {
		if got := heard(c.in...); !slices.Equal(got, c.want) {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
	var long [][]byte
	for i := range 200 {
		long = append(long, part(6, fifty, 9, byte(i)))
	}
	if got := heard(long...); len(got) != 1 || len(got[0]) > mostText+10 || !strings.HasSuffix(got[0], " [...]") {
		t.Errorf("200 parts: %q", got)
	}
	for _, c := range []string{"\x01", "\u202e", "ö"} {
		var hostile [][]byte
		for i := range 10 {
			hostile = append(hostile, part(6, strings.Repeat(c, 50/len(c)), 9, byte(i)))
		}
		if got := heard(hostile...); len(got[0]) > mostText+len("info: ") || !utf8.ValidString(got[0]) {
			t.Errorf("ten parts of %q: %d bytes, %q", c, len(got[0]), got)
		}
	}
}

// Whoever sends parts without end fills no memory.
func TestPartsWithoutEndFillNoMemory(t *testing.T) {
	var j Joiner
	fifty := strings.Repeat("x", 50)
	for i := range 100_000 {
		j.Hear(0, part(6, fifty, 9, byte(255*(i%2))), func(Said) { t.Fatal("it has no end") })
	}
	if len(j.raw) > 2*mostText {
		t.Errorf("%d bytes are held", len(j.raw))
	}
}

// A text whose last part was lost is handed over once nothing more is to be expected.
func TestATextWithoutItsEndIsToldAll(t *testing.T) {
	var j Joiner
	var got []string
	say := func(s Said) { got = append(got, s.Remark()) }
	j.Hear(time.Second, part(2, strings.Repeat("y", 50), 9, 0), say)
	for _, at := range []time.Duration{2 * time.Second, 12 * time.Second, 30 * time.Second} {
		j.Overdue(at, say)
	}
	if want := []string{"the craft says, critical: " + strings.Repeat("y", 50)}; !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
}
