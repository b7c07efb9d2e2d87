package panel

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"downhaul/hw/virtual"
	"downhaul/interlock"
	"downhaul/interlock/day/answers"
	"downhaul/interlock/limits"
)

// tries are requests that somebody may hope to change something with.
func tries() (out []string) {
	words := strings.Fields("reset start end stop go close open live ready arm disarm hold press clear ack bypass override silence declare mark wind packs step set limit envelope reload config relay heartbeat buzzer lamp shutdown status")
	for _, method := range []string{"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE", "CONNECT", "PROPFIND", "RESET", "start"} {
		for _, word := range words {
			body := fmt.Sprintf(`{"do":"%s","text":"%s","on":true}`, word, word)
			out = append(out,
				fmt.Sprintf("%s /%s HTTP/1.1\r\nHost: x\r\n\r\n", method, word),
				fmt.Sprintf("%s /?do=%s&%s=1 HTTP/1.1\r\nHost: x\r\n\r\n", method, word, word),
				fmt.Sprintf("%s /events?do=%s HTTP/1.1\r\nHost: x\r\nX-Do: %s\r\nLast-Event-ID: %s\r\nCookie: do=%s\r\n\r\n", method, word, word, word, word),
				fmt.Sprintf("%s / HTTP/1.1\r\nHost: x\r\nContent-Type: application/json\r\nContent-Length: %d\r\n\r\n%s", method, len(body), body),
				fmt.Sprintf("%s / HTTP/1.1\r\nHost: x\r\nX-HTTP-Method-Override: POST\r\nTransfer-Encoding: chunked\r\n\r\n%x\r\n%s\r\n0\r\n\r\n", method, len(body), body))
		}
	}
	return append(out, `{"do":"mark","text":"x"}`+"\n", "GET / HTTP/1.1\r\nHost: x\r\nUpgrade: websocket\r\nConnection: Upgrade\r\nSec-WebSocket-Version: 13\r\nSec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA==\r\n\r\n",
		"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n", "OPTIONS * HTTP/1.1\r\nHost: x\r\n\r\n", "GET http://127.0.0.1/reset HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
}

// send puts one raw request and gives the first line of the answer.
func send(t testing.TB, address, request string) string {
	t.Helper()
	c, err := net.Dial("tcp", address)
	must(t, err)
	defer c.Close()
	must(t, c.SetDeadline(time.Now().Add(20*time.Second)))
	if _, err := io.WriteString(c, request); err != nil {
		return "hung up"
	}
	line, err := bufio.NewReader(c).ReadString('\n')
	if err != nil {
		return "hung up"
	}
	return strings.TrimSpace(line)
}

// Whatever comes over the network, all that leaves for the guard is the
// question for its status, and no more often than the panel asks by itself.
func TestPromise12_OnlyTheQuestionLeavesThePanel(t *testing.T) {
	dir, err := os.MkdirTemp("", "dh")
	must(t, err)
	defer os.RemoveAll(dir)
	l, err := net.Listen("unix", filepath.Join(dir, "s"))
	must(t, err)
	defer l.Close()
	var mu sync.Mutex
	lines := map[string]int{}
	says := map[string][]byte{}
	for question, reply := range map[string]answers.Reply{
		`{"do":"status"}`: {OK: true, Seen: &answers.Seen{Schema: answers.SeenSchema, Readings: make([]limits.Reading, len(answers.Shown)),
			View: interlock.View{Rules: make([]interlock.RuleView, 1)}}},
		`{"do":"files"}`: {OK: true, Files: &answers.Files{
			Pad:      "version = 1\nduty = \"watch\"\n[craft]\nsystem = 1\ncomponent = 1\n[[link]]\nkind = \"udp\"\naddress = \"127.0.0.1:40123\"\n",
			Envelope: "version = 1\ntitle = \"t\"\n[[rule]]\nname = \"link\"\nwatch = \"link.age\"\nabove = \"1 s\"\nstop = \"immediate\"\n",
		}},
	} {
		says[question], err = json.Marshal(reply)
		must(t, err)
	}
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go func() {
				defer c.Close()
				for in := bufio.NewScanner(c); in.Scan(); {
					mu.Lock()
					lines[in.Text()]++
					mu.Unlock()
					if _, err := c.Write(append(says[in.Text()], '\n')); err != nil {
						return
					}
				}
			}()
		}
	}()
	began := time.Now()
	p := served(t, FromSocket(filepath.Join(dir, "s")), MostPages, MostFrom)
	for _, request := range tries() {
		first := send(t, p.Address(), request)
		method, _, _ := strings.Cut(request, " ")
		if ok := strings.Contains(first, " 200 "); ok && method != "GET" && method != "HEAD" {
			t.Errorf("%.60q was answered by %q", request, first)
		}
	}
	most := int(time.Since(began)/askEvery) + 2
	mu.Lock()
	defer mu.Unlock()
	for line, n := range lines {
		if says[line] == nil {
			t.Errorf("the guard was sent %q", line)
		} else if n > most {
			t.Errorf("the guard was asked %d times, want at most %d", n, most)
		}
	}
	if len(lines) == 0 {
		t.Error("the guard was never asked")
	}
}

// The same requests against a panel on a real guard: nothing has moved, and
// nothing stands in the log.
func TestPromise12_NothingOnTheNetworkChangesTheGuard(t *testing.T) {
	g, socket := realGuard(t)
	stop := running(t, g)
	board := g.Board().(*virtual.Board)
	p := served(t, FromSocket(socket), MostPages, MostFrom)
	for _, request := range tries() {
		send(t, p.Address(), request)
	}
	if s := g.Seen(); s.View.State != interlock.Blocked || s.View.RelayOn || len(s.Acts)+len(s.Said) != 0 || s.View.Trips != 0 {
		t.Errorf("the guard is %s, relay %v, acts %v", s.View.State, s.View.RelayOn, s.Acts)
	}
	now, err := board.Show()
	must(t, err)
	if now.Heartbeat.Edges != 0 || now.Power {
		t.Errorf("%d heartbeat edges, power %v", now.Heartbeat.Edges, now.Power)
	}
	stop()
	text, err := os.ReadFile(filepath.Join(g.Folder(), "trips.jsonl"))
	must(t, err)
	for _, no := range []string{`"reason":"reset"`, `"reason":"start"`, `"reason":"end pressed"`, `"reason":"look here"`, `"reason":"declared"`, "mark:", `"on":true,"kind":"relay"`} {
		if strings.Contains(string(text), no) {
			t.Errorf("the log holds %s", no)
		}
	}
}

// What every answer carries, and what there is not.
func TestAnswersAreStrict(t *testing.T) {
	var w teller
	w.status.Store(scenes()[0].status())
	p := served(t, w.ask, MostPages, MostFrom)
	client := http.Client{Timeout: 20 * time.Second}
	for _, path := range []string{"/", "/page.css", "/page.js", "/wind.js", "/icon.svg", "/nothing", "/page/page.html", "/..%2fserver.go", "/page.go", "//", "/EVENTS"} {
		r, err := client.Get("http://" + p.Address() + path)
		must(t, err)
		text, err := io.ReadAll(r.Body)
		must(t, err)
		r.Body.Close()
		known := false
		for _, f := range paths {
			known = known || f.path == path
		}
		if (r.StatusCode == 200) != known || len(text) == 0 {
			t.Errorf("%s: %s, %d bytes", path, r.Status, len(text))
		}
		csp := r.Header.Get("Content-Security-Policy")
		if !strings.Contains(csp, "default-src 'none'") || strings.Contains(csp, "unsafe") || strings.Contains(csp, "*") ||
			r.Header.Get("X-Content-Type-Options") != "nosniff" || r.Header.Get("Cache-Control") != "no-store" || r.Header.Get("Access-Control-Allow-Origin") != "" {
			t.Errorf("%s: headers %v", path, r.Header)
		}
		if path != "/icon.svg" && known && (strings.Contains(string(text), "http://") || strings.Contains(string(text), "https://")) && !strings.Contains(string(text), "www.w3.org") {
			t.Errorf("%s names another place", path)
		}
		head, err := client.Head("http://" + p.Address() + path)
		must(t, err)
		head.Body.Close()
		if head.StatusCode != r.StatusCode {
			t.Errorf("%s: HEAD gives %s, GET %s", path, head.Status, r.Status)
		}
	}
	// Under a name that is not its own it answers nothing.
	if first := send(t, p.Address(), "GET / HTTP/1.1\r\nHost: elsewhere.example\r\nOrigin: http://elsewhere.example\r\n\r\n"); !strings.Contains(first, " 421 ") {
		t.Errorf("another Host: %s", first)
	}
	for _, listen := range []string{"", ":80", "0.0.0.0:80", "[::]:80", "*:80", "host.example:80", "127.0.0.1", "127.0.0.1:99999", "224.0.0.1:80"} {
		if p, err := Open(Config{Listen: listen, Ask: w.ask, Pages: 1, From: 1}); err == nil {
			p.listener.Close()
			t.Errorf("listens on %q", listen)
		}
	}
}
