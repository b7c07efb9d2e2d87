package triplog

import (
	"fmt"
	"io"
	"runtime"
	"testing"
)

// longLog is a log of that many of the shortest lines, made while it is read. peak
// is the most memory that was in use meanwhile.
type longLog struct {
	at    place
	to    uint64
	buf   []byte
	peak  uint64
	after uint64 // line behind which the memory is looked at next
}

func (l *longLog) line(body string) {
	chain := sum(l.at.head, []byte(body))
	l.buf = append(l.buf, body+chainKey+chain.String()+chainEnd+"\n"...)
	l.at = place{l.at.n + 1, chain}
}

func (l *longLog) Read(p []byte) (int, error) {
	for len(l.buf) < len(p) && l.at.n < l.to {
		if l.at.n == 0 {
			l.line(`{"v":1,"n":1,"at_ns":0,"wall":"2026-05-30T18:04:14Z","kind":"head","head":{}`)
			continue
		}
		l.line(fmt.Sprintf(`{"v":1,"n":%d,"at_ns":0,"wall":"","kind":"note"`, l.at.n+1))
	}
	if len(l.buf) == 0 {
		return 0, io.EOF
	}
	if l.at.n >= l.after {
		l.after += 50_000
		runtime.GC()
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		l.peak = max(l.peak, m.HeapAlloc)
	}
	n := copy(p, l.buf)
	l.buf = l.buf[:copy(l.buf, l.buf[n:])]
	return n, nil
}

// A log is read as a stream: what is kept of it does not grow with its length.
// 300,000 lines would be 10 MB of chain values.
func TestVerifyKeepsNoLineOfALongLog(t *testing.T) {
	short, long := &longLog{to: 50_000}, &longLog{to: 300_000}
	for _, l := range []*longLog{short, long} {
		rep, err := walk([]io.Reader{l}, nil)
		if err != nil || rep.Verdict != CutShort || rep.Lines != l.to {
			t.Fatalf("%+v, %v", rep, err)
		}
	}
	if long.peak > short.peak+2<<20 {
		t.Errorf("300,000 lines take %d KB of memory, 50,000 take %d KB", long.peak>>10, short.peak>>10)
	}
}
