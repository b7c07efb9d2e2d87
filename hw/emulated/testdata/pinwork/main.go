// Command pinwork works the pins of an emulated board through the package that
// the daemon uses, for what the daemon never does: a wrong heartbeat, a count of
// edges, a line taken twice. It also passes on what is asked of a guard from outside.
package main

import (
	"context"
	"fmt"
	"io"
	"net"
	"os"
	"strconv"
	"time"

	"downhaul/hw"
)

func main() {
	if err := run(os.Args[1:]); err != nil {
		fmt.Println("pinwork:", err)
		os.Exit(2)
	}
}

func run(args []string) error {
	if len(args) < 2 {
		return fmt.Errorf("want beat SPACING FOR, or edges FOR, or hold FOR, or pass ADDRESS SOCKET")
	}
	if args[0] == "pass" && len(args) == 3 {
		return pass(args[1], args[2])
	}
	began := time.Now()
	on := func(line int) hw.Pin { return hw.Pin{Chip: "gpiochip0", Line: line} }
	b, err := hw.OpenGPIO(hw.GPIOConfig{
		Relay: on(0), Heartbeat: on(1),
		Inputs:     []hw.GPIOInput{{Name: "readback", Pin: on(2)}, {Name: "reset", Pin: on(5), Debounce: 20 * time.Millisecond}},
		Anemometer: hw.GPIOInput{Name: "anemometer", Pin: on(7)},
		Consumer:   "pinwork",
		Now:        func() time.Duration { return time.Since(began) },
	})
	if err != nil {
		return err
	}
	defer b.Close()
	length, err := time.ParseDuration(args[len(args)-1])
	if err != nil {
		return err
	}
	ctx, stop := context.WithTimeout(context.Background(), length)
	defer stop()
	switch args[0] {
	case "hold":
		<-ctx.Done()
		return nil
	case "edges":
		return count(ctx, b)
	case "beat":
		return beat(ctx, b, args[1])
	}
	return fmt.Errorf("nothing is called %s", args[0])
}

// pass lets whoever connects to the address speak to the guard's socket, or hangs up where
// there is none.
func pass(address, socket string) error {
	l, err := net.Listen("tcp", address)
	if err != nil {
		return err
	}
	for {
		asks, err := l.Accept()
		if err != nil {
			return err
		}
		go func() {
			defer asks.Close()
			guard, err := net.Dial("unix", socket)
			if err != nil {
				return
			}
			go func() {
				_, _ = io.Copy(guard, asks) // either end hangs up
				_ = guard.Close()
			}()
			_, _ = io.Copy(asks, guard)
		}()
	}
}

// beat closes the relay and gives the heartbeat that spacing, 0 for a level
// that stands.
func beat(ctx context.Context, b hw.Board, spacing string) error {
	every, err := time.ParseDuration(spacing)
	if err != nil {
		return err
	}
	if err := b.Relay().Set(true); err != nil {
		return err
	}
	level := true
	if err := b.Heartbeat().Set(level); err != nil {
		return err
	}
	for due := time.Now(); every > 0 && ctx.Err() == nil; {
		due = due.Add(every)
		time.Sleep(time.Until(due))
		level = !level
		if err := b.Heartbeat().Set(level); err != nil {
			return err
		}
	}
	<-ctx.Done()
	return b.Inert()
}

// count counts the anemometer's edges, what the kernel says was lost, and edges
// that do not alternate.
func count(ctx context.Context, b hw.Board) error {
	var got, lost, same int
	var last hw.Edge
	var first time.Duration
	var err error
	var edges []hw.Edge
	for err == nil && ctx.Err() == nil {
		select {
		case <-ctx.Done(): // once more, and no longer than was asked
		case <-time.After(50 * time.Millisecond):
		}
		edges, err = b.Edges(edges[:0])
		for _, e := range edges {
			if got == 0 {
				first = e.At
			} else if e.Rise == last.Rise && e.Lost == 0 {
				same++
			}
			got, lost, last = got+1, lost+e.Lost, e
		}
	}
	hz := 0.0
	if got > 1 && last.At > first {
		hz = float64(got-1) / (last.At - first).Seconds() / 2
	}
	fmt.Println("edges", got, "lost", lost, "same", same, "hz", strconv.FormatFloat(hz, 'f', 3, 64))
	return err
}
