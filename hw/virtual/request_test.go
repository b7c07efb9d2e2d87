package virtual

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"net"
	"strconv"
	"strings"
	"testing"
	"time"

	"downhaul/hw/localsocket"
)

func TestRequestsThatAreRefused(t *testing.T) {
	path := socketPath(t)
	_, _ = open(t, Config{Socket: path})
	c := raw(t, path)
	in := bufio.NewReader(c)
	for _, row := range []struct{ send, want string }{
		{`hello`, "no JSON object"},
		{`{"do":"show"} {"do":"show"}`, "one request a line"},
		{`{"do":"fly"}`, `nothing is called \"fly\"`},
		{`{}`, `do one of show, press`},
		{`{"do":"press"}`, `press needs \"name\"`},
		{`{"do":"turn"}`, `turn needs \"hz\"`},
		{`{"do":"turn","hz":1e400}`, "no JSON object"},
		{`{"do":"load","newtons":5,"name":"x"}`, `load takes no \"name\"`},
		{`{"do":"show","heartbeat":true}`, `takes no \"heartbeat\"`},
		{`{"do":"press","nmae":"reset"}`, "unknown field"},
		{strings.Repeat(" ", localsocket.MostLine), "longer than 4096 bytes"},
	} {
		_, err := fmt.Fprintln(c, row.send)
		must(t, err)
		line, err := in.ReadString('\n')
		must(t, err)
		if !strings.HasPrefix(line, `{"ok":false,"error":"`) || !strings.Contains(line, row.want) {
			t.Errorf("%.60s: reply %s want one with %q", row.send, line, row.want)
		}
	}
	if _, err := in.ReadByte(); err == nil {
		t.Error("a client that sends too long a line is not let go")
	}
}

func FuzzBoardRequest(f *testing.F) {
	for _, do := range strings.Split(doWords, ", ") {
		f.Add([]byte(example(do)))
		f.Add([]byte(`{"do":"` + do + `"}`))
	}
	f.Add([]byte(`{"do":"break","name":"gate"}`))
	f.Add([]byte(`{"do":"watch","heartbeat":true}`))
	f.Add([]byte(`{"do":"turn","hz":-0}`))
	f.Add([]byte(`null`))
	f.Fuzz(func(t *testing.T, text []byte) {
		v, clock := open(t, Config{})
		r, err := parseRequest(text)
		if err != nil {
			if len(err.Error()) > 400 {
				t.Errorf("an error of %d bytes", len(err.Error()))
			}
			return
		}
		reply := v.answer(r)
		if reply.OK != (reply.Error == "") {
			t.Errorf("reply %+v is both or neither", reply)
		}
		line, err := json.Marshal(reply)
		if err != nil || bytes.ContainsRune(line, '\n') || len(line) >= 64<<10 {
			t.Errorf("reply %s, %v is no line", line, err)
		}
		// No request drives an output; power comes from faults alone.
		clock.add(time.Minute)
		for _, o := range v.out {
			if o.moved {
				t.Errorf("%s moved an output", text)
			}
		}
		if v.PowerOn() && !v.chain.Faulty(Weld) {
			t.Errorf("%s brought power on", text)
		}
		edgesOf(v)
		v.TakeCounts(clock.now())
		if _, err := v.Levels(); err != nil && !v.inputsFail {
			t.Error(err)
		}
	})
}

// A tool takes no state of another version, and none where there should be one: what
// it shows is read by a crew.
func TestStateOfAnotherVersion(t *testing.T) {
	for reply, want := range map[string]bool{
		`{"ok":true,"state":{"version":` + strconv.Itoa(stateVersion) + `}}`: true, `{"ok":true,"state":{"version":` + strconv.Itoa(stateVersion+1) + `}}`: false, `{"ok":true}`: false,
	} {
		path := socketPath(t)
		l, err := net.Listen("unix", path)
		must(t, err)
		go func() {
			if c, err := l.Accept(); err == nil {
				_, _ = bufio.NewReader(c).ReadString('\n')
				_, _ = fmt.Fprintln(c, reply)
				_ = c.Close()
			}
		}()
		if _, err := dial(t, path).Show(); (err == nil) != want {
			t.Errorf("%s: %v", reply, err)
		}
		_ = l.Close()
	}
	v, _ := open(t, Config{})
	if r := v.answer(Request{Do: "fly"}); r.OK || r.Error == "" {
		t.Errorf("what nobody knows is answered with %+v", r)
	}
}
