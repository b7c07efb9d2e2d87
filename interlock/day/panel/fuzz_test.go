package panel

import (
	"bytes"
	"errors"
	"io"
	"net"
	"net/http"
	"strconv"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"downhaul/interlock/day/answers/told"
)

// inMemory is a listener whose connections are pipes.
type inMemory struct {
	conns chan net.Conn
	done  chan struct{}
}

func (l *inMemory) Accept() (net.Conn, error) {
	select {
	case c := <-l.conns:
		return c, nil
	case <-l.done:
		return nil, net.ErrClosed
	}
}

func (l *inMemory) Close() error {
	select {
	case <-l.done:
	default:
		close(l.done)
	}
	return nil
}

func (l *inMemory) Addr() net.Addr { return &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: 1} }

// atMost is how long a connection that is no page may go on, by the panel's own
// bounds: a request, its answer, and a silence in which no other comes.
const atMost = readWithin + writeWithin + idleWithin + 5*time.Second

// Whatever bytes come in place of a request: they are answered or hung up on,
// in a bounded time and with what anybody may read; nothing goes to the guard;
// and somebody else's page goes on. Time is the test's own.
func FuzzPageRequest(f *testing.F) {
	for _, text := range []string{
		"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n", "GET /events HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n", "HEAD /events HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n",
		"GET /page.js HTTP/1.0\r\n\r\n", "GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\nGET /wind.js HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: close\r\n\r\n",
		"POST /reset HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 5\r\n\r\nreset", "GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nTransfer-Encoding: chunked\r\n\r\n5\r\nreset\r\n0\r\n\r\n",
		"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 3\r\n\r\nabc", "GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nExpect: 100-continue\r\nContent-Length: 9\r\n\r\n",
		"OPTIONS * HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n", "CONNECT guard:1 HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n", "PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n",
		"GET //events HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n", "GET /%2e%2e/server.go HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n", "GET http://127.0.0.1/page.css HTTP/1.1\r\nHost: 127.0.0.1\r\nRange: bytes=0-3\r\n\r\n",
		"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n\r\n", "GET / HTTP/1.1\r\nX: ", "GET / HTTP/1.1\r\nHost: elsewhere.example\r\n\r\n", "GET /events HTTP/1.1\r\nHost: 127.0.0.1\r\nOrigin: http://elsewhere.example\r\n\r\n",
		"\x16\x03\x01\x02\x00", "", "\x00", "{\"do\":\"mark\"}\n",
		"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX: " + strings.Repeat("y", mostHeader+5000) + "\r\n\r\n",
	} {
		f.Add([]byte(text))
	}
	status := scenes()[0].status()
	f.Fuzz(func(t *testing.T, request []byte) {
		synctest.Test(t, func(t *testing.T) {
			asked := 0
			l := &inMemory{conns: make(chan net.Conn), done: make(chan struct{})}
			p, err := on(Config{Ask: func() (*told.Status, error) { asked++; return status, nil }, Pages: 4, From: 4}, l)
			must(t, err)
			// What Serve does besides goes by the clock and costs a second a
			// minute: here the other page is told something by hand.
			ended := make(chan error, 1)
			go func() { ended <- p.server.Serve(p.listener) }()
			other := newReader(l, []byte("GET /events HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"))
			time.Sleep(time.Second)
			stranger := newReader(l, request)
			time.Sleep(atMost)
			before := other.heard()
			p.pages.tell(isFrame, event("frame", p.source.frame()))
			time.Sleep(time.Second)
			if other.over() || other.heard() == before {
				t.Error("somebody else's page does not go on")
			}
			text := stranger.text()
			streams := bytes.Contains(text, []byte("text/event-stream"))
			if !stranger.over() && !streams {
				t.Errorf("after %v it is still connected, having heard %.300q", atMost, text)
			}
			p.pages.mu.Lock()
			if n := len(p.pages.open); n > 2 || n == 2 && !streams {
				t.Errorf("%d pages are open", n)
			}
			p.pages.mu.Unlock()
			lookAt(t, p, text, streams)
			if asked > 0 {
				t.Errorf("it asked the guard something")
			}
			p.pages.end()
			close(p.done)
			must(t, p.server.Close())
			if err := <-ended; !errors.Is(err, http.ErrServerClosed) {
				t.Error(err)
			}
			stranger.conn.Close()
			other.conn.Close()
		})
	})
}

// lookAt wants nothing but answers of this panel, each as long as it says.
func lookAt(t *testing.T, p *Panel, text []byte, streams bool) {
	t.Helper()
	if len(text) > 0 && !bytes.HasPrefix(text, []byte("HTTP/1.")) {
		t.Fatalf("it was answered %.300q", text)
	}
	for _, head := range bytes.SplitAfter(text, []byte("HTTP/1.")) {
		if len(head) < 5 || head[0] != '0' && head[0] != '1' || head[1] != ' ' {
			continue // before the first, or inside a file
		}
		code, err := strconv.Atoi(string(head[2:5]))
		if err != nil {
			continue
		}
		switch code {
		case 100, 200, 400, 403, 404, 405, 413, 417, 421, 431, 501, 503, 505:
		default:
			t.Errorf("an answer of %d: %.300q", code, text)
		}
	}
	if streams || !bytes.HasPrefix(text, []byte("HTTP/1.1 200 ")) && !bytes.HasPrefix(text, []byte("HTTP/1.0 200 ")) {
		return
	}
	if _, body, ok := bytes.Cut(text, []byte("\r\n\r\n")); ok && len(body) > 0 {
		for _, file := range p.files {
			if bytes.HasPrefix(body, file.text) || bytes.HasPrefix(body, []byte("HTTP/1.")) {
				return
			}
		}
		t.Errorf("a body that is no file of the page: %.300q", body)
	}
}

// reader is a client that sends at once and then only reads.
type reader struct {
	conn net.Conn
	lock chan struct{} // holds one
	got  []byte        // its beginning
	all  int           // bytes heard
	end  bool
}

func newReader(l *inMemory, request []byte) *reader {
	here, there := net.Pipe()
	r := &reader{conn: here, lock: make(chan struct{}, 1)}
	l.conns <- there
	go func() {
		_, _ = here.Write(request) // a server that hangs up in the middle may
	}()
	go func() {
		var b [4096]byte
		for {
			n, err := here.Read(b[:])
			r.lock <- struct{}{}
			r.all += n
			if len(r.got) < 1<<18 {
				r.got = append(r.got, b[:n]...)
			}
			r.end = errors.Is(err, io.EOF) || err != nil
			<-r.lock
			if err != nil {
				return
			}
		}
	}()
	return r
}

func (r *reader) text() []byte {
	r.lock <- struct{}{}
	defer func() { <-r.lock }()
	return bytes.Clone(r.got)
}

func (r *reader) heard() int {
	r.lock <- struct{}{}
	defer func() { <-r.lock }()
	return r.all
}

func (r *reader) over() bool {
	r.lock <- struct{}{}
	defer func() { <-r.lock }()
	return r.end
}
