package guard

import (
	"errors"
	"strings"
	"sync/atomic"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/answers"
	"downhaul/interlock/intake"
	"downhaul/interlock/ledger"
	"downhaul/rules"
)

// ledgered is what the ledger says of this log folder: faults of the chain and
// defects, and which of them hold the next start back. The engine is told by host
// events alone, so that a session replays without it.
type ledgered struct {
	book    *ledger.Book
	tested  ledger.Tested
	trouble []error
	// stands is what was last worked out; whoever changes the ledger stores it.
	stands atomic.Pointer[ledgerStand]
	faults atomic.Int64 // of the chain, in this session, as the loop saw them
	kept   atomic.Int64 // of these, those that are in the ledger

	// The loop's own.
	told    *ledgerStand
	toldOf  int64
	toldYet bool
}

// ledgerStand is the ledger at one time. next is the engine time at which more
// holds back.
type ledgerStand struct {
	items []ledger.Item
	holds []string
	next  time.Duration
}

// notWritten is what holds a start back from the very turn in which the chain
// failed, before its entry is on disk.
const notWritten = "a fault of the chain in this session: end this guard, note what was mended (downhaul defect) and test the chain again (downhaul commission)"

// openLedger reads the ledger, and takes over what earlier guards could not write.
func (g *Guard) openLedger(start time.Time, earlier earlier) (err error) {
	l := &g.ledger
	if l.book, err = ledger.Read(g.pad.LogFolder, g.opts.Software); err != nil {
		return err
	}
	l.trouble = earlier.trouble
	if err = l.book.TakeOver(earlier.sessions); err != nil {
		return err
	}
	l.tested = ledger.ByCommission(g.pad, g.proofs.records, g.proofs.machine)
	g.lookAtLedger(start)
	return nil
}

// lookAtLedger works out anew what holds back. The record writer's goroutine alone
// calls it, and writes to the ledger, once the guard runs.
func (g *Guard) lookAtLedger(now time.Time) {
	items, next := g.ledger.book.Items(now, g.ledger.tested)
	s := &ledgerStand{items: items, holds: ledger.Holding(items), next: rules.Never}
	if !next.IsZero() {
		s.next = g.now() + next.Sub(now)
	}
	g.ledger.stands.Store(s)
}

// saw takes a decision, on the loop's own goroutine: from here on a fault of the
// chain holds every start back, whatever the disk does.
func (l *ledgered) saw(f *interlock.Effect) {
	if ledger.Seen(f) {
		l.faults.Add(1)
	}
}

// faulted puts a fault of the chain into the ledger; it is called by whoever
// writes the trip log, once the fault is on record there.
func (g *Guard) faulted(f interlock.Effect) error {
	if g.ledger.book == nil {
		return errors.New("the ledger is not open")
	}
	_, err := g.ledger.book.Took(g.session.Info.Wall.Add(f.At), g.session.Info.Session, f.At, f.Reason.String(), f.From.String())
	if err != nil {
		return err
	}
	g.lookAtLedger(time.Now())
	g.ledger.kept.Add(1)
	return nil
}

// ledgerHolds lists why the ledger holds the next start back, empty for nothing.
func (g *Guard) ledgerHolds() []string {
	var out []string
	if s := g.ledger.stands.Load(); s != nil {
		out = append(out, s.holds...)
	}
	if g.ledger.faults.Load() > g.ledger.kept.Load() {
		out = append(out, notWritten)
	}
	return out
}

// tellLedger tells the engine when what holds back has changed. The loop calls it
// at the end of each turn; it waits for nobody.
func (g *Guard) tellLedger() {
	l := &g.ledger
	s, faults := l.stands.Load(), l.faults.Load()
	if s == nil || g.pad.Duty != interlock.Guard {
		return
	}
	if l.toldYet && s == l.told && faults == l.toldOf {
		return
	}
	first := !l.toldYet
	l.told, l.toldOf, l.toldYet = s, faults, true
	holds := g.ledgerHolds()
	if first && len(holds) == 0 {
		return // the engine begins with nothing open
	}
	text := "ledger: nothing stands open"
	if len(holds) > 0 {
		text = "ledger: " + strings.Join(holds, "; ")
	}
	g.loop.Host(intake.HostMessage{Host: interlock.HostLedger, On: len(holds) > 0, Text: text})
}

// tendLedger looks again when a watch ends. The record writer calls it now and then.
func (g *Guard) tendLedger() {
	if s := g.ledger.stands.Load(); s != nil && g.now() >= s.next {
		g.lookAtLedger(time.Now())
	}
}

// slowLedger is how long somebody who writes to the ledger waits for the disk; ours.
const slowLedger = 10 * time.Second

// askLedger does what somebody asks of the ledger while this guard runs. Only the
// next start hears of it. The record writer does it, between two records.
func (g *Guard) askLedger(r *answers.LedgerRequest, by string) (*answers.LedgerReply, error) {
	if r.Act == "list" {
		return &answers.LedgerReply{Items: g.ledger.stands.Load().items}, nil
	}
	type answer struct {
		reply *answers.LedgerReply
		err   error
	}
	done := make(chan answer, 1)
	work := func() {
		now := time.Now()
		says, err := r.Do(g.ledger.book, now, by)
		if err != nil {
			done <- answer{err: err}
			return
		}
		g.lookAtLedger(now)
		done <- answer{reply: &answers.LedgerReply{Items: g.ledger.stands.Load().items, Says: says}}
	}
	if g.opts.Stepped {
		work()
	} else {
		select {
		case g.keeper.asks <- work:
		default:
			return nil, errors.New("too many wait for the disk already; ask again, and look first whether it was taken (downhaul defect)")
		}
	}
	select {
	case a := <-done:
		if a.err == nil {
			g.wasTold(a.reply.Says, by)
			g.loop.Host(intake.HostMessage{Host: interlock.HostMark, On: true, Text: "ledger: " + a.reply.Says + " (by " + by + ")"})
		}
		return a.reply, a.err
	case <-time.After(slowLedger):
		return nil, errors.New("the disk does not answer; look later whether it was taken (downhaul defect)")
	}
}

// openingLedger is what is to be said of the ledger at the start.
func (g *Guard) openingLedger() []string {
	var lines []string
	for _, err := range g.ledger.trouble {
		lines = append(lines, "downhauld: "+err.Error())
	}
	for _, text := range g.ledgerHolds() {
		lines = append(lines, "downhauld: "+text+"; start is refused")
	}
	return lines
}
