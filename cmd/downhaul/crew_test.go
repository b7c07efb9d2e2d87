package main

import (
	"bufio"
	"bytes"
	"context"
	"io"
	"os"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"downhaul/hw/virtual"
)

// printout is what a command has printed, with its line breaks taken out.
type printout struct {
	mu   sync.Mutex
	text strings.Builder
	read int
}

func (h *printout) Write(b []byte) (int, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.text.Write(b)
}

// meets reports whether the phrase came since the one met before.
func (h *printout) meets(phrase string) bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	text := strings.Join(strings.Fields(h.text.String()), " ")
	at := strings.Index(text[min(h.read, len(text)):], phrase)
	if at >= 0 {
		h.read += at + len(phrase)
	}
	return at >= 0
}

// crew CODE SOCKET SCRIPT ARGS... runs downhaul with ARGS and works answers
// and the virtual board by what it prints. A line of the script is a phrase to
// wait for and, behind a bar, "say ANSWER", "end" (of the answers), or what to
// do with the board, such as "press reset". It wants that exit code.
func workCrew(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 4 {
		ts.Fatalf("usage: crew CODE SOCKET SCRIPT ARGS...")
	}
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	answers, answer := io.Pipe()
	out, errs := &printout{}, &bytes.Buffer{}
	ended := make(chan int, 1)
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	var argv []string
	for _, a := range args[3:] {
		if strings.HasSuffix(a, ".toml") {
			a = ts.MkAbs(a)
		}
		argv = append(argv, a)
	}
	go func() { ended <- run(ctx, argv, &streams{answers, out, errs}) }()
	var board *virtual.Client
	fail := func(why string) {
		cancel()
		_ = answer.Close()
		<-ended
		ts.Fatalf("%s\n%s\n%s", why, out.text.String(), errs.String())
	}
	for scan := bufio.NewScanner(strings.NewReader(ts.ReadFile(args[2]))); scan.Scan(); {
		phrase, act, ok := strings.Cut(scan.Text(), "|")
		if phrase = strings.TrimSpace(phrase); !ok || phrase == "" {
			continue
		}
		for until := time.Now().Add(40 * time.Second); !out.meets(phrase); time.Sleep(10 * time.Millisecond) {
			if time.Now().After(until) {
				fail("never printed: " + phrase)
			}
		}
		verb, rest, _ := strings.Cut(strings.TrimSpace(act), " ")
		switch verb {
		case "say":
			if _, err := io.WriteString(answer, rest+"\n"); err != nil {
				fail(err.Error())
			}
			continue
		case "end":
			_ = answer.Close()
			continue
		}
		if board == nil {
			if board, err = virtual.Dial(ts.MkAbs(args[1])); err != nil {
				fail(err.Error())
			}
			defer board.Close()
		}
		time.Sleep(150 * time.Millisecond) // a person needs a moment
		r := virtual.Request{Do: verb, Name: rest}
		if n, err := strconv.ParseFloat(rest, 64); err == nil {
			r.Name = ""
			if verb == "turn" {
				r.Hz = &n
			} else {
				r.Newtons = &n
			}
		}
		if _, err := board.Do(r); err != nil {
			fail(err.Error())
		}
	}
	select {
	case code := <-ended:
		if code != want {
			fail2(ts, out, errs, "exit code %d, want %d", code, want)
		}
	case <-time.After(40 * time.Second):
		fail("it does not end")
	}
	_, err = ts.Stdout().Write([]byte(out.text.String()))
	ts.Check(err)
	_, err = ts.Stderr().Write(errs.Bytes())
	ts.Check(err)
}

func fail2(ts *testscript.TestScript, out *printout, errs *bytes.Buffer, format string, args ...any) {
	ts.Logf("%s\n%s", out.text.String(), errs.String())
	ts.Fatalf(format, args...)
}

// fill FILE writes the work folder's path where the file says @WORK@.
func fill(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: fill FILE")
	}
	name := ts.MkAbs(args[0])
	text := strings.ReplaceAll(ts.ReadFile(args[0]), "@WORK@", ts.Getenv("WORK"))
	ts.Check(os.WriteFile(name, []byte(text), 0o644))
}
