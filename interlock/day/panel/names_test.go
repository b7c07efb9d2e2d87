package panel

import (
	"io"
	"net"
	"strings"
	"testing"
	"time"
)

// A web page on the internet whose name is made to point here (DNS rebinding)
// reads nothing: the page answers to its own names alone.
func TestForeignNamesAreRefused(t *testing.T) {
	var w teller
	w.status.Store(scenes()[4].status())
	p := served(t, w.ask, 20, 20)
	_, port, _ := net.SplitHostPort(p.Address())
	for host, want := range map[string]string{
		"127.0.0.1": "200", "127.0.0.1:" + port: "200", "localhost:" + port: "200", "LOCALHOST.": "200",
		"evil.example": "421", "evil.example:" + port: "421", "127.0.0.1.evil.example": "421", "192.0.2.7": "421", "": "4", "[::1]": "421", "127.0.0.2": "421",
	} {
		if got := send(t, p.Address(), "GET / HTTP/1.1\r\nHost: "+host+"\r\nConnection: close\r\n\r\n"); !strings.Contains(got, " "+want) {
			t.Errorf("Host %q: %q, want %s", host, got, want)
		}
	}
	for header, want := range map[string]string{
		"Origin: http://evil.example":                            "403",
		"Origin: http://" + p.Address():                          "200",
		"Origin: null":                                           "403",
		"Sec-Fetch-Site: cross-site":                             "403",
		"Sec-Fetch-Site: same-origin":                            "200",
		"Sec-Fetch-Mode: navigate\r\nSec-Fetch-Site: cross-site": "200",
	} {
		if got := send(t, p.Address(), "GET / HTTP/1.1\r\nHost: "+p.Address()+"\r\n"+header+"\r\nConnection: close\r\n\r\n"); !strings.Contains(got, " "+want+" ") {
			t.Errorf("%s: %q, want %s", header, got, want)
		}
	}
}

// crowdFrom opens connections from one address of this computer.
func crowdFrom(t *testing.T, from, to, says string, n int) {
	t.Helper()
	d := net.Dialer{LocalAddr: &net.TCPAddr{IP: net.ParseIP(from)}, Timeout: 10 * time.Second}
	for range n {
		c, err := d.Dial("tcp", to)
		must(t, err)
		t.Cleanup(func() { c.Close() })
		_, _ = io.WriteString(c, says) // one too many is hung up on
	}
}

// One device with 200 requests that never end, and four with as many pages as
// each may have, lock nobody out: another device still gets its page.
func TestNoDeviceLocksTheCrewOut(t *testing.T) {
	var w teller
	w.status.Store(scenes()[4].status())
	p := served(t, w.ask, MostPages, MostFrom)
	crew := func(from, when string) {
		t.Helper()
		d := net.Dialer{LocalAddr: &net.TCPAddr{IP: net.ParseIP(from)}, Timeout: 10 * time.Second}
		c, err := d.Dial("tcp", p.Address())
		must(t, err)
		t.Cleanup(func() { c.Close() })
		_, err = io.WriteString(c, "GET /events HTTP/1.1\r\nHost: "+p.Address()+"\r\n\r\n")
		must(t, err)
		must(t, c.SetReadDeadline(time.Now().Add(10*time.Second)))
		got := make([]byte, 15)
		if _, err := io.ReadFull(c, got); err != nil || !strings.HasSuffix(string(got), "200 OK") {
			t.Errorf("%s another device gets %q, %v", when, got, err)
		}
	}
	crowdFrom(t, "127.0.0.2", p.Address(), "GET / HTTP/1.1\r\nHost: ", 200)
	crew("127.0.0.3", "beside 200 requests that never end")
	page := "GET /events HTTP/1.1\r\nHost: " + p.Address() + "\r\n\r\n"
	for _, from := range []string{"127.0.0.4", "127.0.0.5", "127.0.0.6", "127.0.0.7"} {
		crowdFrom(t, from, p.Address(), page, MostFrom)
	}
	soon(t, "every place taken", func() bool { return p.pages.count() >= MostPages })
	crew("127.0.0.8", "beside four devices that take every place")
	for _, from := range []string{"127.0.0.9", "127.0.0.10", "127.0.0.11"} {
		crowdFrom(t, from, p.Address(), "GET / HTTP/1.1\r\nHost: ", 200)
	}
	crew("127.0.0.12", "with every connection taken")
}
