package main

import (
	"context"
	"net/netip"
	"os"
	"sync"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"downhaul/interlock/day/answers"
	"downhaul/interlock/day/answers/ask"
	"downhaul/interlock/day/guard"
	"downhaul/interlock/model/benchboard"
	"downhaul/interlock/model/rehearsal"
)

// files DIR writes the three files of the demo into a new folder, with a link
// port that is free.
func demoFilesTo(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: files DIR")
	}
	dir := ts.MkAbs(args[0])
	ts.Check(os.Mkdir(dir, 0o755))
	var link netip.AddrPort
	link, err := rehearsal.FreePort()
	ts.Check(err)
	_, err = writeDemoFiles(dir, link)
	ts.Check(err)
}

// guards are the ways to stop the guards of scripts, by their work folder:
// scripts run side by side.
var guards sync.Map

// guard PAD runs a guard on that pad file, and the envelope and card beside
// it, until the script ends or "guard stop" is called. It goes on when the
// guard answers.
func runGuard(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: guard PAD, or guard stop")
	}
	if args[0] == "stop" {
		stop, ok := guards.LoadAndDelete(ts.Getenv("WORK"))
		if !ok {
			ts.Fatalf("no guard runs")
		}
		stop.(func())()
		return
	}
	files, err := guard.ReadFiles(ts.MkAbs(args[0]), "", "")
	ts.Check(err)
	g, err := guard.Open(files, guard.Options{Virtual: benchboard.Open, Software: guard.Software(), Room: 1 << 20})
	ts.Check(err)
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- g.Run(ctx) }()
	stopped := false
	stop := func() {
		if stopped {
			return
		}
		stopped = true
		cancel()
		if err := <-ended; err != nil {
			ts.Logf("the guard ended with %v", err)
		}
	}
	ts.Defer(stop)
	guards.Store(ts.Getenv("WORK"), stop)
	checked, faults := files.Check()
	ts.Check(faults.Err())
	for range 200 {
		// Before its first turn a guard has read no line and heard no record.
		if reply, err := ask.Guard(checked.Pad.Socket, answers.Request{Do: "status"}); err == nil && reply.Seen.Loop.Turns > 1 {
			return
		}
		time.Sleep(50 * time.Millisecond)
	}
	ts.Fatalf("the guard does not answer on %s", checked.Pad.Socket)
}
