package panel

import (
	"bytes"
	"context"
	"io"
	"net"
	"net/http"
	"slices"
	"sync"
	"testing"
	"time"
)

// BenchmarkLoopTurn is the time that one turn of a real guard's loop takes, on
// its thread, a millisecond apart: with nobody there, with sixteen clients that
// flood its local socket, and with a panel in front of which some hundred
// browsers come and go. The rows belong side by side; p50 is the loop's own
// work, the tail is this computer's. -benchtime 5000x.
func BenchmarkLoopTurn(b *testing.B) {
	b.Run("quiet", func(b *testing.B) { turns(b, func(context.Context, *sync.WaitGroup, string) {}) })
	b.Run("socket-flooded", func(b *testing.B) { turns(b, floodSocket) })
	b.Run("panel-flooded", func(b *testing.B) {
		turns(b, func(ctx context.Context, work *sync.WaitGroup, socket string) { floodPanel(b, ctx, work, socket) })
	})
}

func turns(b *testing.B, load func(ctx context.Context, work *sync.WaitGroup, socket string)) {
	g, socket := realGuard(b)
	ctx, stop := context.WithCancel(context.Background())
	var work sync.WaitGroup
	load(ctx, &work, socket)
	took := make([]time.Duration, 0, b.N)
	until := time.Now().Add(500 * time.Millisecond)
	for len(took) < b.N {
		began := time.Now()
		g.Turn(g.Now())
		if began.After(until) { // warm
			took = append(took, time.Since(began))
		}
		time.Sleep(time.Millisecond)
	}
	stop()
	work.Wait()
	must(b, g.Finish(g.Now()))
	slices.Sort(took)
	at := func(share float64) float64 {
		return float64(took[min(len(took)-1, int(share*float64(len(took))))]) / 1e3
	}
	b.ReportMetric(0, "ns/op")
	b.ReportMetric(at(0.5), "p50_us")
	b.ReportMetric(at(0.99), "p99_us")
	b.ReportMetric(at(0.999), "p99.9_us")
}

// floodSocket has sixteen clients ask as fast as they can and read nothing for
// a while, over and over.
func floodSocket(ctx context.Context, work *sync.WaitGroup, socket string) {
	for range 16 {
		work.Go(func() {
			for ctx.Err() == nil {
				c, err := net.Dial("unix", socket)
				if err != nil {
					continue
				}
				c.SetDeadline(time.Now().Add(300 * time.Millisecond))
				c.Write(bytes.Repeat([]byte(`{"do":"status"}`+"\n"), 1000))
				io.Copy(io.Discard, c)
				c.Close()
			}
		})
	}
}

// floodPanel has sixty pages open and a hundred others that come and go.
func floodPanel(b *testing.B, ctx context.Context, work *sync.WaitGroup, socket string) {
	p, err := Open(Config{Listen: "127.0.0.1:0", Ask: FromSocket(socket), Pages: MostPages, From: MostPages})
	must(b, err)
	work.Go(func() { _ = p.Serve(ctx) })
	get := func(path string) {
		r, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+p.Address()+path, nil)
		if err != nil {
			return
		}
		client := http.Client{Transport: &http.Transport{DisableKeepAlives: true}}
		if answer, err := client.Do(r); err == nil {
			io.Copy(io.Discard, answer.Body)
			answer.Body.Close()
		}
	}
	for range 60 {
		work.Go(func() { get("/events") })
	}
	for range 100 {
		work.Go(func() {
			for ctx.Err() == nil {
				get("/")
				time.Sleep(50 * time.Millisecond)
			}
		})
	}
}
