package guard

import (
	"errors"
	"fmt"
	"strings"
	"sync/atomic"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/answers"
	"downhaul/interlock/day/intake"
	"downhaul/interlock/records/ledger"
	"downhaul/rules"
)

// ledgered is what the ledger says of this log folder: faults of the chain and
// defects, and which of them hold the next start back. The engine is told by host
// events alone, so that a session replays without it.
type ledgered struct {
	book   *ledger.Book
	tested ledger.Tested
	// stands is what was last worked out; whoever changes the ledger stores it.
	stands atomic.Pointer[ledgerStand]
	faults atomic.Int64 // of the chain, in this session, as the loop saw them
	kept   atomic.Int64 // of these, those that are in the ledger

	// The loop's own.
	told    *ledgerStand
	toldOf  int64
	toldYet bool
}

// ledgerStand is the ledger at one time. next is the engine time at which more holds back.
type ledgerStand struct {
	items []ledger.Item
	holds []string
	next  time.Duration
}

// notWritten is what holds a start back from the very turn in which the chain
// failed, before its entry is on disk.
const notWritten = "a fault of the chain in this session: end this guard, note what was mended (downhaul defect) and test the chain again (downhaul commission)"

// openLedger reads the ledger, and takes over what earlier guards could not write.
func (g *Guard) openLedger(start time.Time, e *earlier) (err error) {
	l := &g.ledger
	if l.book, err = ledger.Read(g.pad.LogFolder, g.opts.Software); err != nil {
		return err
	}
	if l.book.Newest() < e.Ledger {
		if err = g.readAll(e, "entries of the ledger that stood there are gone"); err != nil {
			return err
		}
	}
	if err = l.book.TakeOver(e.sessions); err != nil {
		return err
	}
	e.Ledger = l.book.Newest()
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
	g.loop.tell(intake.HostMessage{Host: interlock.HostLedger, On: len(holds) > 0, Text: text})
}

// tendLedger looks again when a watch ends. The record writer calls it now and then.
func (g *Guard) tendLedger() {
	if s := g.ledger.stands.Load(); s != nil && g.now() >= s.next {
		g.lookAtLedger(time.Now())
	}
}

// slowDisk is how long somebody waits for the record writer; ours.
const slowDisk = 10 * time.Second

// byWriter has the record writer do something between two records, and waits for it.
// After an error nobody may look at what work changes.
func (g *Guard) byWriter(work func()) error {
	if g.opts.Stepped {
		work()
		return nil
	}
	done := make(chan struct{})
	if !g.keeper.ask(func() { work(); close(done) }) {
		return errors.New("too many wait for the disk already; ask again, and look first whether it was taken")
	}
	select {
	case <-done:
		return nil
	case <-time.After(slowDisk):
		return errors.New("the disk does not answer; look later whether it was taken")
	}
}

// askLedger does what somebody asks of the ledger while this guard runs. Only the
// next start hears of it.
func (g *Guard) askLedger(r *answers.LedgerRequest, by string) (*answers.LedgerReply, error) {
	if r.Act == "list" {
		return &answers.LedgerReply{Items: g.ledger.stands.Load().items}, nil
	}
	var reply *answers.LedgerReply
	var err error
	late := g.byWriter(func() {
		now, says := time.Now(), ""
		if says, err = r.Do(g.ledger.book, now, by); err == nil {
			g.lookAtLedger(now)
			reply = &answers.LedgerReply{Items: g.ledger.stands.Load().items, Says: says}
		}
	})
	if late != nil {
		return nil, fmt.Errorf("%w (downhaul defect)", late)
	}
	if err == nil {
		g.wasTold(reply.Says, by)
		g.loop.Host(intake.HostMessage{Host: interlock.HostMark, On: true, Text: "ledger: " + reply.Says + " (by " + by + ")"})
	}
	return reply, err
}
