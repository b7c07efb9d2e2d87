package panel

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"
)

// opened opens the events as a page does; the answer's status is told, and
// frames come on a channel that is closed at the end of the stream.
func opened(t testing.TB, ctx context.Context, p *Panel) (code int, says string, frames chan string) {
	t.Helper()
	r, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+p.Address()+"/events", nil)
	must(t, err)
	client := http.Client{Transport: &http.Transport{DisableKeepAlives: true}}
	answer, err := client.Do(r)
	if err != nil {
		return 0, err.Error(), nil
	}
	if answer.StatusCode != http.StatusOK {
		text, _ := io.ReadAll(answer.Body)
		answer.Body.Close()
		return answer.StatusCode, string(text), nil
	}
	frames = make(chan string, 1)
	go func() {
		defer answer.Body.Close()
		defer close(frames)
		in := bufio.NewScanner(answer.Body)
		in.Buffer(nil, 1<<22)
		for in.Scan() {
			if strings.HasPrefix(in.Text(), "data: {\"panel\"") {
				select {
				case frames <- in.Text():
				default:
				}
			}
		}
	}()
	return answer.StatusCode, "", frames
}

// next waits for one more frame.
func next(t testing.TB, frames chan string) {
	t.Helper()
	select {
	case _, ok := <-frames:
		if !ok {
			t.Fatal("the stream ended")
		}
	case <-time.After(20 * time.Second):
		t.Fatal("no frame in 20 s")
	}
}

func (p *pages) count() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return len(p.open)
}

func soon(t testing.TB, what string, is func() bool) {
	t.Helper()
	for end := time.Now().Add(30 * time.Second); !is(); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("never: %s", what)
		}
	}
}

// Hundreds of pages at once: as many as there is room for are served, the rest
// is told why not, the one that was there first goes on, and the guard is asked
// no more often for all of them.
func TestHundredsOfPages(t *testing.T) {
	var w teller
	w.status.Store(scenes()[4].status())
	p := served(t, w.ask, 20, 20)
	ctx, stop := context.WithCancel(context.Background())
	defer stop()
	code, says, first := opened(t, ctx, p)
	if code != 200 {
		t.Fatalf("the first page: %d %s", code, says)
	}
	next(t, first)
	asked, began := w.asked.Load(), time.Now()
	var mu sync.Mutex
	codes := map[int]int{}
	var all sync.WaitGroup
	for range 300 {
		all.Go(func() {
			code, says, _ := opened(t, ctx, p)
			mu.Lock()
			defer mu.Unlock()
			codes[code]++
			if code == 503 && says != "" && !strings.Contains(says, "Too many pages") {
				t.Errorf("a refused page is told %q", says)
			}
		})
	}
	all.Wait()
	if codes[200] != 19 || codes[200]+codes[503]+codes[0] != 300 || codes[503] == 0 {
		t.Errorf("answers: %v", codes)
	}
	if n := p.pages.count(); n != 20 {
		t.Errorf("%d pages are open", n)
	}
	next(t, first)
	next(t, first)
	if n, most := w.asked.Load()-asked, int64(time.Since(began)/askEvery)+2; n > most {
		t.Errorf("the guard was asked %d times, want at most %d", n, most)
	}
	head, err := http.Head("http://" + p.Address() + "/events")
	must(t, err)
	head.Body.Close()
	if head.StatusCode != 503 {
		t.Errorf("a full panel tells a page that asks before it comes: %s", head.Status)
	}
	stop()
	soon(t, "all places free again", func() bool { return p.pages.count() == 0 })
	ctx, stop = context.WithCancel(context.Background())
	defer stop()
	if code, says, frames := opened(t, ctx, p); code != 200 {
		t.Errorf("afterwards: %d %s", code, says)
	} else {
		next(t, frames)
	}
}

// One device does not take every place.
func TestOneDeviceLeavesPlaces(t *testing.T) {
	p := &pages{most: 10, mostFrom: 3, open: map[*page]bool{}}
	for i := range 5 {
		if _, full := p.join("10.0.0.1"); (full != "") != (i >= 3) {
			t.Errorf("page %d of one device: %q", i+1, full)
		}
	}
	if _, full := p.join("10.0.0.2"); full != "" {
		t.Errorf("another device: %s", full)
	}
}

// A page that does not read is dropped, and holds nobody up meanwhile.
func TestPagesThatNeverRead(t *testing.T) {
	var w teller
	s := scenes()[4].status()
	s.Unseen = append(s.Unseen, strings.Repeat("far ", 100_000)) // buffers fill in no time
	w.status.Store(s)
	p := served(t, w.ask, 20, 20)
	ctx, stop := context.WithCancel(context.Background())
	defer stop()
	_, _, good := opened(t, ctx, p)
	next(t, good)
	for range 8 {
		c, err := net.Dial("tcp", p.Address())
		must(t, err)
		defer c.Close()
		_, err = io.WriteString(c, "GET /events HTTP/1.1\r\nHost: x\r\n\r\n")
		must(t, err)
	}
	soon(t, "nine pages", func() bool { return p.pages.count() == 9 })
	soon(t, "the eight that do not read dropped", func() bool {
		next(t, good)
		return p.pages.count() == 1
	})
}

// Connections that say nothing, or say it for ever, take a bounded number of
// places for a bounded time; what is too long is refused.
func TestSlowAndHugeRequests(t *testing.T) {
	if testing.Short() {
		t.Skip("takes several seconds; left out by -short")
	}
	var w teller
	w.status.Store(scenes()[4].status())
	p := served(t, w.ask, 20, 20)
	ctx, stop := context.WithCancel(context.Background())
	defer stop()
	_, _, good := opened(t, ctx, p)
	next(t, good)

	for name, c := range map[string]struct{ request, want string }{
		"long header":  {"GET / HTTP/1.1\r\nHost: x\r\nX: " + strings.Repeat("x", 1<<20) + "\r\n\r\n", "431"},
		"many headers": {"GET / HTTP/1.1\r\nHost: x\r\n" + strings.Repeat("X: y\r\n", 100_000) + "\r\n", "431"},
		"long address": {"GET /" + strings.Repeat("x", 1<<20) + " HTTP/1.1\r\nHost: x\r\n\r\n", "431"},
		"body":         {"GET / HTTP/1.1\r\nHost: x\r\nContent-Length: 1000000000\r\n\r\n" + strings.Repeat("x", 1<<16), "413"},
		"chunks":       {"GET /events HTTP/1.1\r\nHost: x\r\nTransfer-Encoding: chunked\r\n\r\n10000\r\n", "413"},
		"no request":   {"\x00\xff\x00\r\n\r\n", "400"},
		"no end":       {strings.Repeat("\x00\xff", 1<<16), "431"},
		"other":        {"DELETE / HTTP/1.1\r\nHost: x\r\n\r\n", "405"},
	} {
		// A server that hangs up in the middle of what comes may do so before
		// its answer is read.
		if first := send(t, p.Address(), c.request); first != "hung up" && !strings.Contains(first, " "+c.want+" ") {
			t.Errorf("%s: %q, want %s", name, first, c.want)
		}
	}

	taken := func() int {
		l := p.listener.(*fewConns)
		l.mu.Lock()
		defer l.mu.Unlock()
		return len(l.open)
	}
	// A server that refused waits half a second before it hangs up: a place that
	// is let go later than the silent ones come would be free at the end.
	soon(t, "only the page left", func() bool { return taken() <= 1 })
	began := time.Now()
	var silent []net.Conn
	for range mostConns + 50 {
		c, err := net.Dial("tcp", p.Address())
		must(t, err)
		defer c.Close()
		silent = append(silent, c)
	}
	for i, c := range silent[:20] {
		fmt.Fprintf(c, "GET / HTTP/1.1\r\nHost: x\r\nX-%d: ", i) // and never ends
	}
	next(t, good) // who was there goes on
	next(t, good)
	// A busy computer may take so long over this that the first of the silent
	// ones are dropped meanwhile: then there is a place, and no refusal.
	full := send(t, p.Address(), "GET / HTTP/1.1\r\nHost: x\r\n\r\n")
	if time.Since(began) < readWithin && full != "hung up" && !strings.Contains(full, " 503 ") {
		t.Errorf("with every place taken: %q", full)
	}
	soon(t, "the silent ones dropped", func() bool { return taken() <= 1 })
	if first := send(t, p.Address(), "GET / HTTP/1.1\r\nHost: x\r\n\r\n"); !strings.Contains(first, " 200 ") {
		t.Errorf("somebody new, afterwards: %s", first)
	}
	next(t, good)
}
