package words

import (
	"slices"
	"strings"
	"testing"
	"time"

	"downhaul/interlock/day/telemetry"
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
		j.Hear(time.Duration(i)*time.Second, &telemetry.Frame{ID: ID, Payload: p}, say)
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
	if got := heard(long...); len(got) != 1 || len(got[0]) > MostText+10 {
		t.Errorf("200 parts: %q", got)
	}
}
