package main

import (
	"net"
	"net/netip"
	"os"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"downhaul/interlock/day/intake"
	"downhaul/interlock/model/craftmodel"
	"downhaul/interlock/records/recorder"
)

// fly FILE SECONDS [ID...] records a simulated craft that stands on its pad,
// without the messages named by id.
func fly(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: fly FILE SECONDS [ID|ID=PERIOD...]")
	}
	seconds, err := strconv.Atoi(args[1])
	ts.Check(err)
	cfg := craftmodel.EightTwo()
	cfg.Periods = map[uint32]time.Duration{}
	for _, arg := range args[2:] {
		id, period, every := strings.Cut(arg, "=")
		n, err := strconv.ParseUint(id, 10, 24)
		ts.Check(err)
		cfg.Periods[uint32(n)] = 0
		if every {
			cfg.Periods[uint32(n)], err = time.ParseDuration(period)
			ts.Check(err)
		}
	}
	craft, err := craftmodel.New(cfg)
	ts.Check(err)
	// The model keeps what leaves only so long as somebody asks for it.
	var sent []craftmodel.Datagram
	for n := 1; n <= seconds; n++ {
		craft.Advance(time.Duration(n) * time.Second)
		sent = craft.Frames(sent)
	}

	ts.Check(keepSent(ts.MkAbs(args[0]), cfg.Start, sent))
}

// keepSent writes what a modelled craft sent as a recording.
func keepSent(name string, wall time.Time, sent []craftmodel.Datagram) error {
	f, err := os.Create(name)
	if err != nil {
		return err
	}
	w, err := recorder.Create(f, recorder.Start{Session: "script", Wall: wall})
	if err != nil {
		return err
	}
	for i, d := range sent {
		if err := w.Put(intake.Chunk{At: d.At, Seq: uint64(i + 1), Source: intake.Telemetry, Bytes: d.Bytes,
			From: netip.MustParseAddrPort("127.0.0.1:50000"), To: netip.MustParseAddrPort("127.0.0.1:40123")}); err != nil {
			return err
		}
	}
	return w.Close()
}

// port NAME sets the variable to a UDP port of this computer that is free.
func port(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: port NAME")
	}
	c := listenUDP(ts)
	ts.Setenv(args[0], strconv.Itoa(c.LocalAddr().(*net.UDPAddr).Port))
	ts.Check(c.Close())
}

func listenUDP(ts *testscript.TestScript) *net.UDPConn {
	c, err := net.ListenUDP("udp4", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1)})
	ts.Check(err)
	return c
}

// counter counts datagrams.
type counter struct {
	conn  *net.UDPConn
	heard atomic.Int64
}

// openEars keeps each script's counters from one line to the next.
var openEars sync.Map // of *counter

// hear NAME starts to count the datagrams to a free port, which the variable is
// set to. hear NAME COUNT waits until so many came, and wants no more.
func hear(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 1 || len(args) > 2 {
		ts.Fatalf("usage: hear NAME [COUNT]")
	}
	key := "ear " + args[0]
	if len(args) == 1 {
		e := &counter{conn: listenUDP(ts)}
		ts.Check(e.conn.SetReadBuffer(4 << 20))
		ts.Defer(func() { e.conn.Close() })
		go func() {
			buf := make([]byte, 64<<10)
			for {
				if _, err := e.conn.Read(buf); err != nil {
					return
				}
				e.heard.Add(1)
			}
		}()
		ts.Setenv(args[0], strconv.Itoa(e.conn.LocalAddr().(*net.UDPAddr).Port))
		openEars.Store(ts.Name()+key, e)
		return
	}
	want, err := strconv.ParseInt(args[1], 10, 64)
	ts.Check(err)
	kept, ok := openEars.Load(ts.Name() + key)
	if !ok {
		ts.Fatalf("hear: nobody listens as %s yet", args[0])
	}
	e := kept.(*counter)
	for until := time.Now().Add(20 * time.Second); e.heard.Load() < want && time.Now().Before(until); {
		time.Sleep(5 * time.Millisecond)
	}
	time.Sleep(50 * time.Millisecond)
	if got := e.heard.Load(); got != want {
		ts.Fatalf("%d datagrams heard, want %d", got, want)
	}
}
