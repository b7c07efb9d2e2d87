// Package reading reads one link for a program that does nothing else meanwhile: what
// listens, commissions or looks at a tilt. The guard's loop reads its links by itself.
package reading

import (
	"context"
	"errors"
	"fmt"
	"net/netip"
	"time"

	"downhaul/interlock/day/telemetry/link"
)

// Packet is one datagram, or what one read of a stream gave.
type Packet struct {
	Link uint8
	// From and To are the addresses of a datagram, zero for streams. To is
	// the address listened on, unspecified when that is every address.
	From, To netip.AddrPort
	// Bytes is valid until the callback returns.
	Bytes []byte
}

// lookAgain is how long a wait lasts at most.
const lookAgain = time.Second

// Run reads until ctx ends, calling back with what came and with the link's losses and
// returns, and closes the link. Both callbacks must be quick; events come from a
// goroutine of their own.
func Run(ctx context.Context, l *link.Link, onPacket func(Packet), onEvent func(link.Event)) (err error) {
	if onPacket == nil || onEvent == nil {
		return fmt.Errorf("read link %d: want both callbacks; a link that nobody hears is a fault", l.Number())
	}
	wait, err := link.NewWaiter()
	if err != nil {
		return err
	}
	if err := l.Start(onEvent, wait.Wake); err != nil {
		return err
	}
	defer func() { err = errors.Join(err, l.Close()) }()
	defer context.AfterFunc(ctx, wait.Wake)()
	buf, to, all := make([]byte, link.Longest), l.LocalAddr(), []*link.Link{l}
	for ctx.Err() == nil {
		n, from, _ := l.Read(buf)
		if n == link.Nothing {
			wait.Wait(lookAgain, all, nil)
			continue
		}
		onPacket(Packet{Link: l.Number(), From: from, To: to, Bytes: buf[:n]})
	}
	return nil
}
