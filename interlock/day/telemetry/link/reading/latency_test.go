package reading

import (
	"context"
	"net"
	"slices"
	"testing"
	"time"

	"downhaul/interlock/day/telemetry/link"
)

// BenchmarkLatency measures from before a datagram of one frame's size is sent
// to after it was handed over, by a bare socket and by a link, side by side.
// p50-µs and p99-µs are the figures to compare.
func BenchmarkLatency(b *testing.B) {
	b.Run("bare socket", func(b *testing.B) {
		c, err := net.ListenUDP("udp4", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1)})
		if err != nil {
			b.Fatal(err)
		}
		defer c.Close()
		got := make(chan time.Time, 1)
		go func() {
			buf := make([]byte, 64<<10)
			for {
				if _, _, err := c.ReadFromUDPAddrPort(buf); err != nil {
					return
				}
				got <- time.Now()
			}
		}()
		latency(b, c.LocalAddr().(*net.UDPAddr), got)
	})
	b.Run("link", func(b *testing.B) {
		l, err := link.Open(link.Config{Kind: link.UDP, Address: "127.0.0.1:0"})
		if err != nil {
			b.Fatal(err)
		}
		ctx, stop := context.WithCancel(context.Background())
		got := make(chan time.Time, 1)
		done := make(chan error, 1)
		go func() {
			done <- Run(ctx, l, func(Packet) { got <- time.Now() }, func(link.Event) {})
		}()
		latency(b, net.UDPAddrFromAddrPort(l.LocalAddr()), got)
		stop()
		if err := <-done; err != nil {
			b.Error(err)
		}
	})
}

func latency(b *testing.B, to *net.UDPAddr, got <-chan time.Time) {
	peer, err := net.DialUDP("udp4", nil, to)
	if err != nil {
		b.Fatal(err)
	}
	defer peer.Close()
	frame := make([]byte, 40) // ATTITUDE, MAVLink 2
	var took []time.Duration
	for b.Loop() {
		sent := time.Now()
		if _, err := peer.Write(frame); err != nil {
			b.Fatal(err)
		}
		took = append(took, (<-got).Sub(sent))
	}
	slices.Sort(took)
	b.ReportMetric(float64(took[len(took)/2])/1e3, "p50-µs")
	b.ReportMetric(float64(took[len(took)*99/100])/1e3, "p99-µs")
}
